"""What the living map carries: packed layers, the day's light as tables, the lies, everything the user wrote."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Transformer

from reachmap.beat.model import COLOURS, Water
from reachmap.channel import Channel
from reachmap.light import bed_terms, clarity_to_attenuation
from reachmap.light.edge import edge_step
from reachmap.light.eye import DAY_EYE_LUX, HISTORY_MIN, SWITCH_MIN
from reachmap.light.model import DayLight
from reachmap.trout import cover_number, seam_number
from reachmap.trout.reasons import MOON_LUX
from reachmap.write.current import current_marks
from reachmap.write.model import Result
from reachmap.write.pack import Coarse, coarsen, pack_bytes, pack_rows, pack_small, pack_words
from reachmap.write.summary import draw_words, fly_words, level_words
from reachmap.write.tiles import TILE, tiles, wet_runs

MOST_CELLS = 400_000
"""Wet cells a page carries at most; more are averaged to larger cells. Keeps a slider step under 60 ms."""

MOST_ROWS = 65535
"""Rows and columns a page counts in 16 bits."""

MOST_SHADE = 16_000_000
"""Bytes of shade (cells x steps) a page holds at most, for sun and moon each, all days together; more and only every
second, third or sixth step is kept."""

SHARE = 1 / 10000
"""Step of a packed share."""


def page_data(result: Result) -> dict[str, Any]:
    """Everything of one beat as plain values."""
    channel = result.channel
    beat, fine = channel.beat, channel.grid
    factor = max(1, math.ceil(math.sqrt(fine.n_wet / MOST_CELLS)), math.ceil(max(fine.shape) / MOST_ROWS))
    coarse = coarsen(fine, factor)
    while coarse.grid.n_wet > MOST_CELLS:
        factor += 1
        coarse = coarsen(fine, factor)
    grid = coarse.grid
    days = _distinct_days(result)
    to_wgs = Transformer.from_crs(beat.crs, CRS.from_epsg(4326), always_xy=True)
    shown = f"Shown in cells of {grid.cell_m:.2g} m; worked out in cells of {fine.cell_m:.2g} m." if factor > 1 else ""
    return {
        "name": beat.name,
        "key": hashlib.sha256(shapely.to_wkb(beat.outline)).hexdigest()[:16],
        "cell_m": grid.cell_m,
        "edge_step": edge_step(grid.cell_m),
        "shown": shown,
        "n": grid.n_wet,
        "runs": {name: pack_words(values, 1) for name, values in wet_runs(grid).items()},
        "tile": TILE,
        "tiles": tiles(grid, to_wgs),
        "layers": _layers(result, coarse) | _skies(days, coarse),
        "days": _days(result, days, coarse),
        "water": _water(),
        "moon_lux": MOON_LUX,
        "eye": {"day_lux": DAY_EYE_LUX, "switch_min": SWITCH_MIN, "history_min": HISTORY_MIN},
        "curves": dict(result.curves),
        "scenes": [_scene(result, name, days) for name in result.holdings],
        "lies": _lies(result, to_wgs),
        "shapes": _shapes(result, to_wgs),
        "notes": _notes(beat.notes),
        "cautions": [{"text": c.text, "grave": c.grave} for c in result.visit.cautions],
        "honest": _honest(result),
        "level": level_words(channel),
        "guessed": {
            "depth": channel.depth_guessed,
            "speed": channel.speed_relative,
            "upstream": bool(channel.report.get("head_assumed")),
        },
        "units": beat.units,
    }


def _layers(result: Result, coarse: Coarse) -> dict[str, Any]:
    """Static layers of the wet cells."""
    channel, visit = result.channel, result.visit.layers
    millimetres = ("depth", "speed", "nose_speed", "rest_speed", "drift_speed")
    packed = {name: pack_words(coarse.mean(channel[name]), 0.001) for name in millimetres}
    shares = {
        "cover_number": cover_number(channel),
        "seam_number": seam_number(channel),
    }
    packed |= {name: pack_words(coarse.mean(values), SHARE) for name, values in shares.items()}
    packed["depth_sd"] = pack_small(coarse.mean(channel["depth_sd"]), 0.01)
    packed["confidence"] = pack_small(coarse.mean(channel["confidence"]))
    packed["lie"] = pack_small(coarse.most(result.lies.label))
    packed |= {name: pack_small(coarse.most(visit[name])) for name in ("wading", "wading_dark", "redd")}
    return packed


def _distinct_days(result: Result) -> list[DayLight]:
    """The days of the scenes, each once, that of the first scene first."""
    return list({id(day): day for day in result.days.values()}.values())


SKIES = ("sky_clear", "sky_overcast")
"""Layers of the sky's light; `bare` after them where trees are without leaves."""


def _sky_names(day: DayLight) -> list[str]:
    """Names of the layers that tell how much of the sky's light reaches the water on a day."""
    return [name if day.leaf_on else f"{name}_bare" for name in SKIES]


def _skies(days: list[DayLight], coarse: Coarse) -> dict[str, Any]:
    """The shares of the sky's light, for each state of the leaves that occurs."""
    shares = {
        name: values
        for day in days
        for name, values in zip(_sky_names(day), (day.sky_clear, day.sky_overcast), strict=True)
    }
    return {name: pack_words(coarse.mean(values), SHARE) for name, values in shares.items()}


def _days(result: Result, days: list[DayLight], coarse: Coarse) -> list[dict[str, Any]]:
    """Every day as tables; what the sun's shade has in common with the first day is carried once."""
    rows = MOST_SHADE // (coarse.grid.n_wet * len(days))
    first = _Shades(days[0].sun_share, rows)
    out = []
    for day in days:
        glow = max(result.lights[name].scene.town_glow_lux for name, one in result.days.items() if one is day)
        sun = first if day is days[0] else _Shades(day.sun_share, rows, first)
        out.append(_day(day, sun, rows, coarse, glow))
    return out


def _day(day: DayLight, sun: _Shades, most_rows: int, coarse: Coarse, glow_lux: float) -> dict[str, Any]:
    """A day as tables: what each step and sky puts into the light at the bed, and the shade of sun and moon."""
    terms = [
        [bed_terms(sun, moon, cloud, glow_lux) for cloud in range(9)]
        for sun, moon in zip(day.sun, day.moon, strict=True)
    ]
    # In daylight the moon adds at most 0.3 lux to thousands: its shade is carried only while the sun is down.
    moon = _Shades(day.moon_share, most_rows, wanted=np.array([s.altitude_deg < 0 for s in day.sun]))
    return {
        "date": f"{day.date:%d %B %Y}".lstrip("0"),
        "times": [f"{t:%H:%M}" for t in day.times],
        "step_min": day.step_min,
        "lux": [
            [[_figures(v) for v in (t.sun_lux, t.moon_lux, t.clear_lux, t.overcast_lux)] for t in row] for row in terms
        ],
        "slant": [[_figures(row[0].sun_slant), _figures(row[0].moon_slant)] for row in terms],
        "sky": _sky_names(day),
        "sky_slant": [_figures(terms[0][0].clear_slant), _figures(terms[0][0].overcast_slant)],
        "altitude": [
            [round(s.altitude_deg, 2), round(m.altitude_deg, 2)] for s, m in zip(day.sun, day.moon, strict=True)
        ],
        "sun": sun.packed(day.place, coarse),
        "moon": moon.packed(day.place, coarse),
        "events": {name: f"{moment.astimezone(day.times[0].tzinfo):%H:%M}" for name, moment in day.events.items()},
    }


class _Shades:
    """The steps at which a body is up and its shade then; thinned to every so many steps on large reaches.

    Parameters
    ----------
    share : (n_steps, n_places) uint8
    most_rows : steps to carry at most, if every sixth is not more
    like : of another day; steps that are the same there are not carried again
    wanted : (n_steps,) bool, steps that count; None takes all
    """

    def __init__(
        self, share: np.ndarray, most_rows: int, like: _Shades | None = None, wanted: np.ndarray | None = None
    ) -> None:
        self.share = share
        self.up = np.flatnonzero(share.any(axis=1) & (True if wanted is None else wanted))
        stride = next((s for s in (1, 2, 3, 6) if len(self.up) / s <= most_rows), 6)
        # The first and last step stay, so that there is something on both sides of every step between.
        self.kept = np.unique(np.concatenate([self.up[:1], self.up[self.up % stride == 0], self.up[-1:]]))
        self.same = [] if like is None else self._in_common(like)

    def _in_common(self, like: _Shades) -> list[int]:
        """Carried steps that are carried for the other day and are the same there."""
        both = np.intersect1d(self.kept, like.kept)
        return [int(k) for k in both if np.array_equal(self.share[k], like.share[k])]

    def packed(self, place: np.ndarray | None, coarse: Coarse) -> dict[str, Any]:
        """Steps, and the rows of those that are not carried by the other day."""
        own = np.setdiff1d(self.kept, self.same)
        rows = np.rint(coarse.mean_rows(self.share[own], place)).astype(np.uint8) if len(own) else None
        data = pack_bytes(b"") if rows is None else pack_rows(rows)
        return {"steps": self.kept.tolist(), "same": self.same, "up": self.up.tolist(), "data": data}


def _water() -> dict[str, Any]:
    """Kd and c of every colour word at a clarity of 1 m (white from above); both go as 1 / clarity."""
    table = {word: clarity_to_attenuation(Water(1.0, "white from above", word)) for word in COLOURS}
    return {word: [_figures(kd), _figures(c)] for word, (kd, c, _) in table.items()}


def _scene(result: Result, name: str, days: list[DayLight]) -> dict[str, Any]:
    """One of the beat's scenes as settings of the page."""
    light, day = result.lights[name], result.days[name]
    scene = light.scene
    at_one = clarity_to_attenuation(replace(scene.water, clarity_m=1.0, how="white from above"))
    return {
        "name": name,
        "day": next(k for k, one in enumerate(days) if one is day),
        "step": day.step_of(scene.when),
        "cloud": int(scene.cloud),
        "colour": scene.water.colour,
        "clarity_m": round(at_one[1] / light.beam_attenuation_per_m, 2),
    }


def _lies(result: Result, to_wgs: Transformer) -> list[dict[str, Any]]:
    """Every lie: where, what, and its sentence in each scene."""
    out = []
    for number, row in result.lies.table.iterrows():
        x, y = to_wgs.transform(row["x"], row["y"])
        out.append(
            {
                "n": int(number),
                "kind": str(row["kind"]),
                "at": [round(y, 7), round(x, 7)],
                "rings": _rings(row.geometry, to_wgs),
                "area_m2": round(float(row["area_m2"]), 1),
                "depth_m": round(float(row["depth_m"]), 4),
                "nose_m_s": round(float(row["nose_m_s"]), 4),
                "drift_m_s": round(float(row["drift_m_s"]), 4),
                "why": {name: str(table.loc[number, "why"]) for name, table in result.lies.scenes.items()},
                "sure": {name: _percent(table.loc[number, "sure"]) for name, table in result.lies.scenes.items()},
                "flies": fly_words(result, int(number)),
            }
        )
    return out


def _shapes(result: Result, to_wgs: Transformer) -> dict[str, Any]:
    """Outline, seams, shade, lanes and stances as latitude and longitude."""
    beat, visit = result.channel.beat, result.visit
    seams = shapely.union_all(result.channel.seams.geometry.to_numpy())
    lanes = [
        {
            "lie": int(row["lie"]),
            "lines": _rings(row.geometry, to_wgs),
            "lead_m": [float(row[name]) for name in ("lead_m", "lead_least_m", "lead_most_m")],
            "seams": _crossings(row.geometry, seams, to_wgs),
        }
        for _, row in visit.lanes.iterrows()
    ]
    stances = [
        {
            "lie": int(row["lie"]),
            "at": _rings(row.geometry, to_wgs)[0][0],
            **{name: _plain(row[name]) for name in ("how", "on", "reason", "cast_m", "when", "dark")},
        }
        for _, row in visit.stances.iterrows()
    ]
    shade = beat.shade
    discs = [
        geometry.buffer(radius, 6) if geometry.geom_type == "Point" and radius > 0 else geometry
        for geometry, radius in zip(shade.geometry, np.nan_to_num(shade["radius_m"].to_numpy(float)), strict=True)
    ]
    return {
        "outline": _rings(beat.outline, to_wgs),
        "seams": _rings(result.channel.seams.geometry, to_wgs),
        "shade": _rings(discs, to_wgs),
        "current": _current(result.channel, to_wgs),
        "lanes": lanes,
        "stances": stances,
    }


def _current(channel: Channel, to_wgs: Transformer) -> list[list[float]]:
    """Arrows along the current: latitude, longitude and where it runs, in degrees from true north."""
    marks = current_marks(channel)
    (lon, lat), (lon1, lat1) = (to_wgs.transform(*(marks[:, :2] + ahead * marks[:, 2:]).T) for ahead in (0.0, 1.0))
    toward = np.degrees(np.arctan2((lon1 - lon) * np.cos(np.radians(lat)), lat1 - lat))
    return [[round(float(a), 7), round(float(b), 7), round(float(c))] for a, b, c in zip(lat, lon, toward, strict=True)]


def _crossings(lane: shapely.Geometry, seams: shapely.Geometry, to_wgs: Transformer) -> list[list[float]]:
    """Where a lane crosses seams, as [latitude, longitude]; a stretch along a seam counts once, at its middle."""
    spots = [
        part.interpolate(0.5, normalized=True) if part.length else part.centroid
        for part in shapely.get_parts(shapely.intersection(lane, seams))
        if not part.is_empty
    ]
    lon, lat = to_wgs.transform([p.x for p in spots], [p.y for p in spots])
    return [[round(float(a), 7), round(float(b), 7)] for a, b in zip(lat, lon, strict=True)]


def _rings(geometries: shapely.Geometry | Iterable[shapely.Geometry], to_wgs: Transformer) -> list[list[list[float]]]:
    """All lines of one geometry or of several, as lists of [latitude, longitude]."""
    parts = shapely.get_parts(np.atleast_1d(np.asarray(geometries, object)))
    lines = [line for part in parts for line in (shapely.get_rings(part) if part.geom_type == "Polygon" else [part])]
    points, of = shapely.get_coordinates(lines, return_index=True)
    # All at once: a transformation costs about as much for one point as for a hundred.
    lon, lat = to_wgs.transform(*points.T)
    places = np.column_stack([lat, lon]).round(7)
    ends = np.searchsorted(of, np.arange(1, len(lines)))
    return [own.tolist() for own in np.split(places, ends)] if lines else []


def _notes(notes: Any) -> list[dict[str, Any]]:
    """The guide's notes as GeoJSON features."""
    if len(notes) == 0:
        return []
    table = notes.to_crs(4326)
    names = [c for c in ("id", "text", "kind", "time", "replaces", "deleted") if c in table]
    out = []
    for _, row in table.iterrows():
        point = row.geometry.representative_point()
        properties = {name: _plain(row[name]) for name in names}
        coordinates = [round(point.x, 7), round(point.y, 7)]
        out.append(
            {"type": "Feature", "geometry": {"type": "Point", "coordinates": coordinates}, "properties": properties}
        )
    return out


def _honest(result: Result) -> list[str]:
    """How good the water is: guesses named, errors held out."""
    channel, out = result.channel, []
    if channel.report.get("head_assumed"):
        out.append("Which way the water runs is a guess: nothing says which end is upstream.")
    if channel.depth_guessed:
        out.append("Depth is a guess: nothing was sounded.")
    if channel.speed_relative:
        out.append("Speed is relative only: no speed was measured and no flow is known.")
    for key, unit, word in (("heldout_depth", "m", "Depth"), ("heldout_speed", "m/s", "Speed")):
        held = channel.report.get(key)
        if held and held.get("n") and math.isfinite(held["rmse"]):
            out.append(
                f"{word}, where a measurement was left out and predicted, is off by about {held['rmse']:.2f} {unit}."
            )
    return out + [f"{words[0].upper()}{words[1:]}." for words in draw_words(result)]


def _plain(value: Any) -> Any:
    """A value JSON can carry; what it can't becomes text, a number that isn't one becomes nothing."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return round(value, 4) if math.isfinite(value) else None
    return value if isinstance(value, bool | int | str) or value is None else str(value)


def _percent(share: float) -> int | None:
    """A share in whole hundredths, rounded as in print, or nothing."""
    return round(100 * share) if math.isfinite(share) else None


def _figures(value: float) -> float:
    """A number with six figures."""
    return float(f"{value:.6g}")
