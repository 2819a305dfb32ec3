"""Guesses about files at hand: which is which, columns, units, coordinate systems, time zone; each told as a note."""

from __future__ import annotations

import json
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError

from reachmap.beat.catalogue import ROLES
from reachmap.beat.columns import SYNONYMS, split_unit, tidy
from reachmap.beat.messages import Report
from reachmap.beat.nmea import read_nmea
from reachmap.beat.numbers import NotNumberError, number
from reachmap.beat.place import Anchor, Placer, distance_km, zone_places
from reachmap.beat.source import Source, gpkg_log, look, shp_parts
from reachmap.beat.tables import Table
from reachmap.beat.vectors import read_any
from reachmap.errors import InputError

NEAR_KM = 0.5
"""A coordinate system fits if it lays the soundings' middle within this of the outline's."""

PREFERRED = ("EPSG:27700", "EPSG:2157", "EPSG:2193", "EPSG:2056", "EPSG:5514", "EPSG:3035", "EPSG:28992", "EPSG:31370")
"""National grids in common use; taken before others that fit as well."""


@dataclass
class Guess:
    """What beat.toml will say, and which file is copied to which name."""

    zone: str = "UTC"
    date: str = ""
    head: tuple[float, float] | None = None
    file_lines: list[str] = field(default_factory=list)
    place_lines: list[str] = field(default_factory=list)
    local: bool = False
    """Whether places of some file are known in no coordinate system."""
    copies: dict[str, Path] = field(default_factory=dict)


@dataclass(frozen=True)
class Said:
    """What somebody says of files that they don't say themselves; None where nothing.

    Parameters
    ----------
    anchor : where local metres lie, for a survey by tape and compass
    crs : coordinate system of tables in metres
    water_level_m : level of the water, for soundings that are levels of the bed [m]
    head : latitude and longitude of the upstream end [deg]
    """

    anchor: Anchor | None = None
    crs: CRS | None = None
    water_level_m: float | None = None
    head: tuple[float, float] | None = None


@dataclass
class _File:
    """One file at hand, as far as it could be read."""

    path: Path
    source: Source
    table: Table | None
    role: str
    lines: dict[str, str] = field(default_factory=dict)
    columns: dict[str, str] = field(default_factory=dict)


def guess_beat(paths: Sequence[Path], report: Report, said: Said) -> Guess:
    """Look at every file, find its part, and guess what nobody says; what stops goes into the report."""
    found: list[_File] = []
    for path in paths:
        try:
            found.append(_look(path, found))
        except InputError as error:
            report.add([replace(finding, file=finding.file or path.name) for finding in error.findings])
    for role in ROLES:
        names = [file.path.name for file in found if file.role == role]
        if len(names) > 1 and role != "soundings":
            report.say("several-files", role=role, names=", ".join(names), first=names[0])
    if report.failed:
        return Guess()
    guess = Guess(head=said.head)
    for file in found:
        report.say("guess-role", file.path.name, role=file.role)
        _guess_columns(file, said, report)
        _copy(file, guess)
    middle = _guess_places(found, guess, said, report)
    if middle is not None:
        guess.zone, away = min(
            ((name, distance_km(middle, place)) for name, place in zone_places().items()), key=lambda pair: pair[1]
        )
        report.say("guess-zone", "beat.toml", "time_zone", zone=guess.zone, away=f"{away:,.0f}")
    _tell_unused(found, guess, said, report)
    _write_lines(found, guess)
    return guess


def _look(path: Path, before: Sequence[_File]) -> _File:
    """Read one file far enough to know its part."""
    quiet = Report()
    source = look(path, path.parent, quiet)
    if source.kind == "tiff":
        return _File(path, source, None, "terrain")
    named = _role_named(path)
    if source.kind == "nmea":
        return _File(path, source, read_nmea(source, quiet), "soundings")
    table = read_any(source, named or "outline", "any", {}, quiet)
    table = replace(table, rows=iter(list(table.rows)))
    return _File(path, source, table, named or _role_of(table, before))


def _role_named(path: Path) -> str | None:
    """The part whose name a file's begins with, as a whole word: a river may be called Coverdale."""
    word = tidy(path.stem).partition("_")[0]
    # A logger calls its files log00012.
    word = word if word.startswith("log") else word.rstrip("0123456789")
    return next((role for role in ROLES if word.removesuffix("s") == role.removesuffix("s")), None)


def _role_of(table: Table, before: Sequence[_File]) -> str:
    """The part a table can play: depths are soundings, areas or closed tracks the outline."""
    words = {tidy(word) for name in table.header for word in tidy(name).split("_")}
    if table.geometry is not None and (shapely.get_type_id(table.geometry) > 0).any():
        taken = any(file.role == "outline" for file in before)
        return ("shade" if {"height", "leaf"} & words else "cover") if taken or "kind" in words else "outline"
    if {"depth", "bed", "sounding", "tiefe", "dpth", "dep"} & words:
        return "soundings"
    if {"azimuth", "bearing"} & words and {"elevation", "angle"} & words:
        return "horizon"
    if "what" in words or "species" in words:
        return "log"
    return "notes" if {"text", "note"} & words and "kind" in words else "soundings"


def _guess_columns(file: _File, said: Said, report: Report) -> None:
    """A depth column of another name: one that has the word in it; or the water over levels of the bed."""
    if file.role != "soundings" or file.table is None:
        return
    known = {name: key for key, names in SYNONYMS.items() for name in names}
    length = dict.fromkeys(known, "length")
    names = [split_unit(header, length)[0] for header in file.table.header]
    keys = {known.get(name) for name in names}
    if "bed_level" in keys and "water_level" not in keys and said.water_level_m is not None:
        file.lines["water_level_m"] = f"{said.water_level_m}"
    if "depth" in keys or "bed_level" in keys:
        return
    for header, name in zip(file.table.header, names, strict=True):
        if any(word.startswith(("depth", "dpth", "dep", "tief")) for word in name.split("_")):
            file.columns["depth"] = header
            report.say("guess-column", file.path.name, f"column {header!r}", key="depth", role=file.role)
            return


def _copy(file: _File, guess: Guess) -> None:
    """The names a file (and a shapefile's parts) gets in the beat folder."""
    count = len({stem for name in guess.copies if (stem := name.split(".")[0]).startswith(file.role)})
    stem = file.role if not count or file.role != "soundings" else f"{file.role}-{count + 1}"
    if file.source.kind == "shp":
        file.lines["path"] = json.dumps(f"{stem}.shp")
        guess.copies |= {f"{stem}{ending}": part for ending, part in shp_parts(file.path).items()}
        return
    suffix = ".nmea" if file.source.kind == "nmea" else file.path.suffix.lower()
    guess.copies |= {f"{stem}{suffix}-wal": log for log in gpkg_log(file.path, file.source.kind)}
    guess.copies[f"{stem}{suffix}"] = file.path
    file.lines["path"] = json.dumps(f"{stem}{suffix}")


def _guess_places(found: Sequence[_File], guess: Guess, said: Said, report: Report) -> tuple[float, float] | None:
    """Where the beat lies, and the coordinate system of tables in metres that must lie there too."""
    middle, anchor = None, said.anchor
    if anchor is not None:
        middle = anchor.lat, anchor.lon
        place = f"anchor = [{anchor.lat}, {anchor.lon}]", f"bearing_deg = {anchor.bearing_deg}"
        guess.place_lines += ["[place]   # where local (0, 0) lies and which way its +y points", *place, ""]
    for file in sorted(found, key=lambda f: ROLES.index(f.role)):
        xy = _coordinates(file)
        if xy is None or not len(xy):
            continue
        crs = file.table.crs if file.table is not None else None
        if crs is not None and crs.is_geographic and np.abs(xy).max() > 180:
            crs = None
        if crs is None and _are_degrees(file):
            crs = CRS.from_epsg(4326)
        if crs is None and said.crs is not None:
            crs = said.crs
            file.lines["crs"] = json.dumps(f"EPSG:{crs.to_epsg()}" if crs.to_epsg() else crs.srs)
        elif crs is None and anchor is None and middle is not None:
            crs = _fitting_crs(np.median(xy, axis=0), middle, file, report)
        guess.local |= crs is None
        if crs is not None and middle is None:
            lon, lat = Placer(crs, None).to_degrees(np.median(xy, axis=0)[None])[0]
            middle = (float(lat), float(lon)) if np.isfinite([lat, lon]).all() else None
    if not any(file.role == "outline" for file in found):
        guess.file_lines += [
            "[files.outline]",
            "from_soundings = true   # no outline was given: drawn round the soundings",
            "",
        ]
        report.say("guess-outline", "outline.*")
    return middle


def _coordinates(file: _File) -> np.ndarray | None:
    """Positions of a file as it has them."""
    table = file.table
    if table is None:
        return None
    if table.geometry is not None:
        shapes = table.geometry[~shapely.is_missing(table.geometry)]
        return shapely.get_coordinates(shapes)
    pair = _pair(table)
    if pair is None:
        return None
    rows = list(table.rows)
    out = []
    for _, cells in rows:
        try:
            out.append([number(cells[i], table.decimal) for i in pair])
        except NotNumberError:
            continue
    xy = np.array(out, float).reshape(-1, 2)
    return xy[np.isfinite(xy).all(axis=1)]


def _pair(table: Table) -> tuple[int, int] | None:
    """Positions of the columns that say where."""
    names = [
        split_unit(header, dict.fromkeys((*SYNONYMS["x"], *SYNONYMS["y"]), "length"))[0] for header in table.header
    ]
    for first, second in (("lon", "lat"), ("x", "y")):
        a = [i for i, name in enumerate(names) if name in SYNONYMS[first]]
        b = [i for i, name in enumerate(names) if name in SYNONYMS[second]]
        if a and b:
            return a[0], b[0]
    return None


def _are_degrees(file: _File) -> bool:
    if file.table is None:
        return False
    names = {tidy(header) for header in file.table.header}
    return bool(names & set(SYNONYMS["lon"])) and bool(names & set(SYNONYMS["lat"]))


def _fitting_crs(xy: np.ndarray, middle: tuple[float, float], file: _File, report: Report) -> CRS | None:
    """The coordinate system that lays metres where the outline is; national grids first, then the smallest code."""
    lat, lon = middle
    area = AreaOfInterest(lon, lat, lon, lat)
    infos = query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS, area_of_interest=area, contains=True)
    fits: list[tuple[bool, bool, float, str]] = []
    for info in infos:
        code = f"EPSG:{info.code}"
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                placed = Placer(CRS.from_user_input(code), None).to_degrees(xy[None])[0]
        except (CRSError, ProjError):
            continue
        if np.isfinite(placed).all() and (away := distance_km(middle, (placed[1], placed[0]))) <= NEAR_KM:
            fits.append((code not in PREFERRED, not code.startswith(("EPSG:326", "EPSG:327")), away, code))
    if not fits:
        return None
    code = min(fits)[3]
    file.lines["crs"] = f"{json.dumps(code)}   # guessed"
    others = ", ".join(f[3] for f in sorted(fits)[1:5])
    report.say("guess-crs", file.path.name, crs=code, name=CRS.from_user_input(code).name, others=others or "none")
    return CRS.from_user_input(code)


def _tell_unused(found: Sequence[_File], guess: Guess, said: Said, report: Report) -> None:
    """What was said that no file at hand asks for: a slip of the file or of what was meant."""
    lines = {key for file in found for key in file.lines}
    unused = {
        "where local metres lie": said.anchor is not None and not guess.local,
        "a coordinate system": said.crs is not None and "crs" not in lines,
        "a level of the water": said.water_level_m is not None and "water_level_m" not in lines,
    }
    for what in (name for name, idle in unused.items() if idle):
        report.say("said-unused", what=what)


def _write_lines(found: Sequence[_File], guess: Guess) -> None:
    """[files.*] sections of what was guessed."""
    for file in found:
        alike = [other for other in found if other.role == file.role]
        several = len(alike) > 1
        # Where one of several is named all have to be: by then the reader takes those named only.
        if not any(other.lines.keys() - {"path"} or other.columns for other in alike):
            continue
        lines: Mapping[str, Any] = {key: value for key, value in file.lines.items() if key != "path"}
        opening = f"[[files.{file.role}]]" if several else f"[files.{file.role}]"
        guess.file_lines.append(opening)
        if several:
            guess.file_lines.append(f"path = {file.lines['path']}")
        guess.file_lines += [f"{key} = {value}" for key, value in lines.items()]
        if file.columns:
            inner = ", ".join(f"{key} = {json.dumps(header)}" for key, header in file.columns.items())
            guess.file_lines.append(f"columns = {{ {inner} }}   # guessed")
        guess.file_lines.append("")
