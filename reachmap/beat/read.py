"""A beat folder, from its files to a checked beat."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from reachmap.beat.astray import tell_astray
from reachmap.beat.catalogue import BED_D84_M
from reachmap.beat.clean import clean, set_alone_aside
from reachmap.beat.features import empty, read_cover, read_log, read_notes, read_shade
from reachmap.beat.files import Parts, find_parts, open_folder
from reachmap.beat.hull import outline_from_points
from reachmap.beat.messages import Report, plain, stop
from reachmap.beat.model import Beat, Fish, Skyline, Terrain, Visitor
from reachmap.beat.nmea import read_nmea
from reachmap.beat.outline import Outline, origin, read_outline, unwrapped
from reachmap.beat.place import WGS84, Anchor, Placer, anchor_of, distance_km, local_crs, to_local, zone_places
from reachmap.beat.scenes import scenes_of, water_of, zone_of
from reachmap.beat.settings import FILE, Settings, read_settings
from reachmap.beat.skyline import read_skyline
from reachmap.beat.soundings import Rows, joined, read_soundings
from reachmap.beat.source import Source
from reachmap.beat.tables import Table
from reachmap.beat.terrain import read_terrain
from reachmap.beat.vectors import read_any
from reachmap.errors import Finding, InputError, sterner
from reachmap.whole import checksum

NOWHERE_M = 1e7
"""Where a sounding is put that lies outside the projection [m]."""

FAR_KM = 5.0
"""Soundings whose middle lies farther from the outline than this belong to another place."""

ZONE_FAR_KM = 4000.0
"""A reach farther than this from its time zone's main place is suspicious; zones of large countries span about this."""

COLUMNS = {
    "cover": ("kind", "size_m", "height_m", "note"),
    "shade": ("kind", "height_m", "base_m", "radius_m", "leaf", "note"),
    "notes": ("id", "text", "kind", "time", "replaces", "deleted", "file", "where"),
    "log": (
        "id", "text", "kind", "time", "what", "species", "length_m", "count", "hours", "cloud", "clarity_m", "trip",
        "file", "where",
    ),
}  # fmt: skip


def read_beat(folder: str | Path, strict: bool = False) -> Beat:
    """Read and check a beat folder.

    Parameters
    ----------
    folder : holds beat.toml, outline.*, soundings.* and, if there are, cover.*, shade.*, terrain.tif,
        horizon.csv, notes.*, log.*
    strict : treat warnings as errors

    Raises
    ------
    InputError : the beat can't be used; carries everything that was noticed
    """
    beat, findings = _read(Path(folder))
    findings = sterner(findings) if strict else findings
    if beat is None or any(f.severity == "error" for f in findings):
        raise InputError(findings)
    return beat


def check_beat(folder: str | Path) -> tuple[Finding, ...]:
    """Everything noticed while reading a beat folder; never raises for what stands in it."""
    return _read(Path(folder))[1]


@dataclass
class _Desk:
    """What the steps of reading one beat share; `own` is the checksum of beat.toml by its name."""

    folder: Path
    settings: Settings
    parts: Parts
    anchor: Anchor | None
    report: Report
    own: Mapping[str, str]

    def table(self, source: Source, role: str, want: str, given: Mapping[str, Any]) -> Table:
        """A file as a table."""
        if source.kind == "nmea":
            return replace(read_nmea(source, self.report), settings=given)
        if source.kind == "tiff":
            raise stop("not-known", source.name)
        return read_any(source, role, want, given, self.report)


def _read(folder: Path) -> tuple[Beat | None, tuple[Finding, ...]]:
    """Read every part, however many of them fail, so that all is told at once."""
    report = Report()
    beat = None
    with report.collecting():
        open_folder(folder)
        # Before it is read: should it be saved anew meanwhile, the next run finds another one.
        own = _own_checksum(folder)
        settings = read_settings(folder, report)
        anchor = anchor_of(settings.values.get("place", {}))
        desk = _Desk(folder, settings, find_parts(folder, settings, report), anchor, report, own)
        beat = _assemble(desk)
    findings = report.findings()
    return (None if beat is None or report.failed else replace(beat, findings=findings)), findings


def _assemble(desk: _Desk) -> Beat | None:
    """The beat, or None after a report."""
    settings, report = desk.settings, desk.report
    rows = _soundings(desk)
    outline = None
    if "outline" not in desk.parts.failed:
        with report.collecting():
            outline = _outline(desk, rows)
    zone = zone_of(settings, report)
    if outline is None or not _in_place(desk, outline, rows, zone):
        return None
    soundings = _placed(desk, outline, rows)
    tables = {role: _features(desk, role, outline, zone) for role in COLUMNS}
    survey = settings.values.get("survey", {})
    water = water_of(settings.values.get("water", {}))
    date = survey.get("date")
    return Beat(
        name=settings.get("", "name") or plain(desk.folder.resolve().name, 120) or "beat",
        time_zone=zone,
        crs=outline.crs,
        lat=outline.lat,
        lon=outline.lon,
        outline=outline.water,
        soundings=soundings,
        terrain=_terrain(desk, outline),
        survey_date=date,
        flow_m3_s=survey.get("flow_m3_s"),
        slope=survey.get("slope"),
        d84_m=_d84(settings, report),
        water=water,
        fish=Fish(**settings.values.get("fish", {})),
        scenes=scenes_of(settings, water, outline.lat, outline.lon, date, zone, report),
        head=_head(desk, outline),
        caps=outline.caps,
        sources={**desk.own, **desk.parts.checksums()},
        settings=settings.raw,
        skyline=_skyline(desk),
        units=settings.get("", "units", "metric"),
        visitor=Visitor(**settings.values.get("visitor", {})),
        **tables,
    )


def _soundings(desk: _Desk) -> Rows:
    """All soundings in degrees; the part may be missing, then the depth will be an estimate."""
    parts = []
    sources = desk.parts.by_role.get("soundings", [])
    for source, given in sources:
        with desk.report.collecting():
            parts.append(
                read_soundings(
                    desk.table(source, "soundings", "points", given), desk.settings, desk.anchor, desk.report
                )
            )
    if not sources and "soundings" not in desk.parts.failed:
        desk.report.say("no-soundings", "soundings.*")
    return joined(parts)


def _outline(desk: _Desk, rows: Rows) -> Outline:
    found = desk.parts.one("outline")
    if desk.settings.file("outline").get("from_soundings"):
        if found is not None:
            raise stop("outline-both", found[0].name)
        return _drawn(desk, rows)
    if found is None:
        raise stop("no-outline", "outline.*")
    source, given = found
    table = desk.table(source, "outline", "area", given)
    return read_outline(table, desk.anchor, desk.report)


def _drawn(desk: _Desk, rows: Rows) -> Outline:
    """The outline round the wet soundings, because the user asked for it."""
    if not len(rows) and desk.parts.by_role.get("soundings"):
        raise InputError([])  # why they could not be read is told already
    wet = (rows.depth_m > 0) & (rows.flag == "")
    if wet.sum() < 3:
        raise stop("outline-few", "outline.*", count=int(wet.sum()))
    try:
        _set_alone_aside(rows, wet, desk.report)
        wet &= rows.flag == ""
        lat, lon = origin(rows.degrees[wet], rows.degrees[wet], Placer(WGS84, None), "outline.*")
        crs = local_crs(lat, lon)
        water = outline_from_points(*to_local(rows.degrees[wet], crs).T)
    except ValueError as error:
        raise stop("outline-few", "outline.*", count=int(wet.sum())) from error
    desk.report.say("outline-drawn", "outline.*", count=int(wet.sum()), area=f"{water.area:,.0f}")
    return Outline(water, crs, lat, lon)


def _set_alone_aside(rows: Rows, wet: np.ndarray, report: Report) -> None:
    """Flag soundings far from all others before an outline is drawn: one mistyped place would stretch it all."""
    lon, lat = np.median(rows.degrees[wet], axis=0)
    if abs(lat) > 84:
        return  # nowhere, as is told when the outline is drawn
    xy = to_local(rows.degrees, local_crs(float(lat), float(lon)))
    xy[~np.isfinite(xy).all(axis=1)] = NOWHERE_M
    set_alone_aside(rows, wet, xy, report)


def _in_place(desk: _Desk, outline: Outline, rows: Rows, zone: str) -> bool:
    """Latitude and longitude may be swapped in one file or in all: nothing in a file says so, other files do."""
    here = outline.lat, outline.lon
    turned_here = (outline.lon, outline.lat) if abs(outline.lon) <= 90 else here
    found = desk.parts.one("outline")
    own = found[0].name if found else "outline.*"
    main = zone_places().get(zone)
    good = True
    for name in np.unique(rows.file.astype(str)):
        known = rows.degrees[(rows.file == name) & np.isfinite(rows.degrees).all(axis=1)]
        if not len(known):
            desk.report.say("nowhere", name, value="every place")
            good = False
            continue
        lon, lat = np.median(unwrapped(known, outline.lon), axis=0)
        away = distance_km(here, (lat, lon)) if abs(lat) <= 90 else np.inf
        if away <= FAR_KM:
            continue
        good = False
        at = f"{lat:.5f}, {(lon + 180) % 360 - 180:.5f}"
        places = {"at": at, "outline": f"{here[0]:.5f}, {here[1]:.5f}", "away": f"{away:,.0f}"}
        if distance_km(turned_here, (lat, lon)) > FAR_KM:
            desk.report.say("far-apart", name, **places)
        elif main is not None and distance_km(main, (lat, lon)) < distance_km(main, here):
            desk.report.say("swapped-outline", own, **places)
        else:
            desk.report.say("swapped-soundings", name, **places)
    if not good or main is None or distance_km(here, main) <= ZONE_FAR_KM:
        return good
    turned = distance_km(turned_here, main) <= ZONE_FAR_KM / 2
    code = "zone-swapped" if turned else "zone-far"
    at, away = f"{here[0]:.5f}, {here[1]:.5f}", distance_km(here, main)
    desk.report.say(code, FILE, "time_zone", zone=zone, at=at, away=f"{away:,.0f}")
    return not turned


def _placed(desk: _Desk, outline: Outline, rows: Rows) -> gpd.GeoDataFrame:
    """Soundings in the beat's metres, odd ones flagged."""
    xy = to_local(rows.degrees, outline.crs)
    if len(rows):
        nowhere = ~np.isfinite(xy).all(axis=1)
        xy[nowhere] = NOWHERE_M
        rows.degrees[nowhere] = np.nan
        clean(rows, xy, outline.water, desk.settings, desk.report)
        usable = np.isfinite(rows.depth_m) & (rows.flag == "")
        if not usable.any() and not desk.report.failed:
            desk.report.say("no-good-soundings", "soundings.*", count=len(rows))
    return gpd.GeoDataFrame(
        {
            "depth_m": rows.depth_m,
            "speed_m_s": rows.speed_m_s,
            "speed_how": rows.speed_how,
            "toward_deg": rows.toward_deg,
            "line": rows.line,
            "note": rows.note,
            "file": rows.file,
            "row": rows.row,
            "flag": rows.flag,
        },
        geometry=shapely.points(xy) if len(rows) else [],
        crs=outline.crs,
    )


def _features(desk: _Desk, role: str, outline: Outline, zone: str) -> gpd.GeoDataFrame:
    """Cover, shade, notes or log; empty where there is no such file or after a report."""
    found = desk.parts.one(role)
    if found is not None:
        with desk.report.collecting():
            table = desk.table(found[0], role, "any", found[1])
            if role == "log":
                frame = read_log(table, outline.crs, desk.anchor, zone, desk.report)
            else:
                reader = {"cover": read_cover, "shade": read_shade, "notes": read_notes}[role]
                frame = reader(table, outline.crs, desk.anchor, desk.report)
            tell_astray(frame, role, outline.water, table, desk.report)
            if role in ("notes", "log"):
                frame = frame.assign(file=table.file, where=[f"{table.word} {row}" for row in frame.index])
            return frame.reset_index(drop=True)
    return empty(outline.crs, COLUMNS[role])


def _terrain(desk: _Desk, outline: Outline) -> Terrain | None:
    found = desk.parts.one("terrain")
    if found is None:
        return None
    with desk.report.collecting():
        return read_terrain(found[0], found[1], outline.crs, outline.water, desk.report)
    return None


def _skyline(desk: _Desk) -> Skyline | None:
    found = desk.parts.one("horizon")
    if found is None:
        return None
    with desk.report.collecting():
        return read_skyline(desk.table(found[0], "horizon", "table", found[1]), desk.report)
    return None


def _d84(settings: Settings, report: Report) -> float:
    """Size of the bed material from its measured size or its word."""
    survey = settings.values.get("survey", {})
    if "d84_m" in survey:
        return survey["d84_m"]
    written = settings.raw.get("survey")
    # Of a bed that is given and can't be taken, another message tells.
    if not isinstance(written, dict) or not any(key == "bed" or key.startswith("d84_") for key in written):
        report.say("bed-assumed", FILE, "[survey] bed", size=f"{BED_D84_M['coarse gravel']:g}")
    return BED_D84_M[survey.get("bed", "coarse gravel")]


def _head(desk: _Desk, outline: Outline) -> tuple[float, float] | None:
    """The upstream end as [survey] head says, else as a head end does that was drawn without a tail end."""
    given = desk.settings.get("survey", "head")
    if given is None:
        if outline.head is None and outline.caps is None:
            desk.report.say("head-unknown", FILE, "[survey] head")
        return outline.head
    x, y = to_local(np.array([[given[1], given[0]]]), outline.crs)[0]
    away = outline.water.distance(shapely.Point(x, y)) if np.isfinite([x, y]).all() else np.inf
    if away > 500:
        desk.report.say("head-away", FILE, "[survey] head", value=f"{given[0]}, {given[1]}", away=f"{away / 1000:,.1f}")
        return None
    return float(x), float(y)


def _own_checksum(folder: Path) -> dict[str, str]:
    """The checksum of beat.toml by its name; nothing where there is none, or none that can be read."""
    path = folder / FILE
    try:
        return {FILE: checksum(path)} if path.is_file() else {}
    except OSError:
        return {}
