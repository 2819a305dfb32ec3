"""Soundings: rows of any table to position, depth, speed, each row accounted for."""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from reachmap.beat.columns import QUANTITY, Column, match
from reachmap.beat.messages import Report, plain, stop
from reachmap.beat.numbers import SENTINELS, NotNumberError, number, number_with_unit
from reachmap.beat.place import Anchor, choose_placer
from reachmap.beat.settings import Settings
from reachmap.beat.tables import Table

WANTED = (
    "lon", "lat", "x", "y", "depth", "bed_level", "water_level", "speed", "speed_how", "boat_speed",
    "float_distance", "float_time", "line", "note", "time", "temperature",
)  # fmt: skip
NUMBERS = ("lon", "lat", "x", "y", "depth", "bed_level", "water_level", "speed", "float_distance", "float_time")
TEXTS = ("speed_how", "line", "note", "time")
MOST_ROWS = 3_000_000
"""Rows read from one file; about 300 MB of memory."""

HOW_WORDS = {
    "surface float": ("surface float", "float", "surface", "orange", "stick", "drogue at surface", "surface speed"),
    "0.6 depth": (
        "0.6 depth",
        "0.6",
        "0.6d",
        "0.6 of depth",
        "60%",
        "60 %",
        "meter",
        "current meter",
        "six tenths",
        "adv",
    ),
    "mean": ("mean", "average", "depth mean", "depth-averaged", "depth averaged", "two point", "0.2 0.8", "adcp"),
    "near bed": ("near bed", "bed", "bottom", "nose", "at bed", "near-bed"),
}
"""Words for how a speed was measured."""

_HOW = {word: how for how, words in HOW_WORDS.items() for word in words}


@dataclass
class Rows:
    """Soundings of one or several files as plain arrays, all in SI.

    Parameters
    ----------
    degrees : (n, 2) longitude, latitude
    depth_m, speed_m_s : (n,) NaN where there is none
    speed_how, line, note, time, file, flag : (n,) text
    row : (n,) as counted in the file
    """

    degrees: np.ndarray = field(default_factory=lambda: np.empty((0, 2)))
    depth_m: np.ndarray = field(default_factory=lambda: np.empty(0))
    speed_m_s: np.ndarray = field(default_factory=lambda: np.empty(0))
    speed_how: np.ndarray = field(default_factory=lambda: np.empty(0, object))
    line: np.ndarray = field(default_factory=lambda: np.empty(0, object))
    note: np.ndarray = field(default_factory=lambda: np.empty(0, object))
    time: np.ndarray = field(default_factory=lambda: np.empty(0, object))
    file: np.ndarray = field(default_factory=lambda: np.empty(0, object))
    row: np.ndarray = field(default_factory=lambda: np.empty(0, int))
    flag: np.ndarray = field(default_factory=lambda: np.empty(0, object))

    def __len__(self) -> int:
        return len(self.row)


def joined(parts: Sequence[Rows]) -> Rows:
    """Soundings of several files one after another."""
    if not parts:
        return Rows()
    return Rows(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in Rows.__dataclass_fields__})


def read_soundings(table: Table, settings: Settings, anchor: Anchor | None, report: Report) -> Rows:
    """Read every row of one file.

    Raises
    ------
    InputError : no position or no depth in it, or nothing says where its positions lie
    """
    units = _units(table.settings)
    columns = match(table.header, WANTED, table.file, report, chosen=table.settings.get("columns"), units=units)
    pair = _position(table, columns)
    _depth_columns(table, columns)
    named = pair == ("lon", "lat")
    unit = columns["x"].unit if pair == ("x", "y") else ""
    placer = choose_placer(table.crs, table.settings, anchor, table.file, report, degrees=named, unit=unit)
    numbers, texts, rows = _walk(table, columns, report)
    if not len(rows):
        raise stop("no-rows", table.file)
    _no_data(numbers, table, report)
    xy = _coordinates(table, numbers, pair, rows)
    placed = np.isfinite(xy).all(axis=1)
    for row in rows[~placed]:
        report.say("row-no-position", table.file, f"{table.word} {row}")
    if not placed.any():
        raise stop("no-rows", table.file)
    numbers = {key: value[placed] for key, value in {**numbers, "row": rows}.items()}
    texts = {key: [texts[key][i] for i in np.flatnonzero(placed)] for key in texts}
    flag = np.full(int(placed.sum()), "", object)
    depth = _depth(numbers, columns, flag, table, settings, report)
    speed, how = _speed(numbers, texts, columns, table, report)
    degrees = placer.to_degrees(_checked(xy[placed], placer, table))
    return Rows(
        degrees,
        depth,
        speed,
        how,
        np.array(texts["line"], object),
        np.array(texts["note"], object),
        np.array(texts["time"], object),
        np.full(len(depth), table.file, object),
        rows[placed],
        flag,
    )


def _units(given: Mapping[str, Any]) -> dict[str, str]:
    """Units of columns whose header names none."""
    depth = given.get("depth_unit", "")
    return {
        "depth": depth,
        "bed_level": depth,
        "water_level": depth,
        "speed": given.get("speed_unit", ""),
    }


def _position(table: Table, columns: Mapping[str, Column]) -> tuple[str, str] | None:
    if table.geometry is not None:
        return None
    if "lon" in columns and "lat" in columns:
        return "lon", "lat"
    if "x" in columns and "y" in columns:
        return "x", "y"
    raise stop("no-position", table.file, "header", names=", ".join(table.header))


def _depth_columns(table: Table, columns: Mapping[str, Column]) -> None:
    if "depth" in columns:
        return
    if "bed_level" in columns:
        if "water_level" not in columns and "water_level_m" not in table.settings:
            raise stop("bed-without-water", table.file, "header", column=columns["bed_level"].header)
        return
    raise stop("no-depth", table.file, "header", names=", ".join(table.header) or "none")


def _walk(
    table: Table, columns: Mapping[str, Column], report: Report
) -> tuple[dict[str, np.ndarray], dict[str, list[str]], np.ndarray]:
    """Read every row once; numbers into packed arrays, texts shared, so that a long log stays small."""
    wanted = [(key, columns[key]) for key in NUMBERS if key in columns]
    packed = {key: array("d") for key, _ in wanted}
    text_columns = [(key, columns[key].index) for key in TEXTS if key in columns]
    texts: dict[str, list[str]] = {key: [] for key in TEXTS}
    shared: dict[str, str] = {}
    numbers_seen = array("q")
    for row, cells in table.rows:
        if len(numbers_seen) >= MOST_ROWS:
            raise stop("many-rows", table.file, limit=f"{MOST_ROWS:,}")
        numbers_seen.append(row)
        for key, column in wanted:
            packed[key].append(_cell(cells[column.index], key, column, row, table, report))
        for key, index in text_columns:
            text = cells[index]
            text = "" if text is None else plain(text, 500) if type(text) is str else str(text)
            texts[key].append(shared.setdefault(text, text))
    for key in TEXTS:
        if key not in columns:
            texts[key] = [""] * len(numbers_seen)
    return {key: np.array(value) for key, value in packed.items()}, texts, np.array(numbers_seen, int)


def _cell(cell: Any, key: str, column: Column, row: int, table: Table, report: Report) -> float:
    """One cell in SI; NaN where it is empty, or after a report where it is no number."""
    try:
        return number(cell, table.decimal) * column.factor
    except NotNumberError as error:
        with_unit = number_with_unit(cell, QUANTITY[key], table.decimal)
        if with_unit is not None:
            return with_unit[0] * with_unit[1]
        code = {"text": "cell-text", "infinite": "cell-infinite", "decimal-comma": "cell-comma"}[str(error)]
        report.say(code, table.file, f"{table.word} {row}", column=column.header, value=str(cell))
        return math.nan


def _no_data(numbers: dict[str, np.ndarray], table: Table, report: Report) -> None:
    """Numbers that stand for "no value" become NaN, with a word on how many."""
    given = table.settings.get("nodata")
    for key, values in numbers.items():
        if key in ("x", "y", "lon", "lat"):
            continue
        signs = SENTINELS if given is None else {given}
        stands = np.isin(values, list(signs))
        if stands.any():
            if given is None:
                report.say(
                    "nodata-guessed",
                    table.file,
                    key.replace("_", " "),
                    value=f"{values[stands][0]:g}",
                    count=int(stands.sum()),
                )
            values[stands] = math.nan


def _coordinates(
    table: Table, numbers: Mapping[str, np.ndarray], pair: tuple[str, str] | None, rows: np.ndarray
) -> np.ndarray:
    if pair is not None:
        return np.column_stack([numbers[pair[0]], numbers[pair[1]]])
    assert table.geometry is not None  # pair is None only then
    shapes = table.geometry[: len(rows)]
    kinds = shapely.get_type_id(shapes)
    if (kinds > 0).any():
        first = int(np.flatnonzero(kinds > 0)[0])
        raise stop("not-points", table.file, f"{table.word} {first + 1}", kind=shapes[first].geom_type)
    return np.column_stack([shapely.get_x(shapes), shapely.get_y(shapes)])


def _checked(xy: np.ndarray, placer: Any, table: Table) -> np.ndarray:
    """Positions that can be degrees if they are said to be."""
    if placer.crs is not None and placer.crs.is_geographic:
        x, y = np.abs(xy[:, 0]), np.abs(xy[:, 1])
        if (y > 90).any() or (x > 180).any():
            bad = int(np.flatnonzero((y > 90) | (x > 180))[0])
            swapped = (y <= 180).all() and (x <= 90).all()
            code = "swapped-impossible" if swapped else "metres-as-degrees"
            raise stop(code, table.file, value=f"{xy[bad, 0]:.6g}, {xy[bad, 1]:.6g}")
    return xy


def _depth(
    numbers: Mapping[str, np.ndarray], columns: Mapping[str, Column], flag: np.ndarray, table: Table,
    settings: Settings, report: Report,
) -> np.ndarray:  # fmt: skip
    """Depth below the water of the outline [m], from depths or from levels; dry and missing ones flagged."""
    given = table.settings
    if "depth" in numbers:
        depth = _signed(numbers["depth"].copy(), numbers["row"], given, table, report)
        _say_unit(columns["depth"], given, table, report)
        _refuse_levels(depth, settings, table)
    else:
        water = numbers["water_level"] if "water_level" in numbers else given["water_level_m"]
        depth = water - numbers["bed_level"]
        dry = ~np.isfinite(depth) | (depth <= 0)
        flag[dry] = "dry"
        depth[dry] = np.nan
        report.say("depth-from-levels", table.file, count=int((~dry).sum()), dry=int(dry.sum()))
    lost = ~np.isfinite(depth) & (flag == "")
    flag[lost] = "no depth"
    if lost.any():
        report.say("depth-missing", table.file, _some(numbers["row"][lost], table), count=int(lost.sum()))
    for key in ("transducer_depth_m", "stage_m"):
        depth = depth + np.where(depth > 0, given.get(key, settings.get("survey", key, 0.0)), 0.0)
    return depth


def _signed(depth: np.ndarray, rows: np.ndarray, given: Mapping[str, Any], table: Table, report: Report) -> np.ndarray:
    """Depths counted downward as positive."""
    known = depth[np.isfinite(depth)]
    if "depth_sign" in given:
        return -depth
    if len(known) and (known < 0).sum() > 0.5 * len(known):
        raise stop("depth-negative-all", table.file, value=f"{known[known < 0][0]:g}", count=int((known < 0).sum()))
    below = np.isfinite(depth) & (depth < 0)
    if below.any():
        report.say("depth-negative", table.file, _some(rows[below], table), count=int(below.sum()))
        depth[below] = np.nan
    return depth


def _say_unit(column: Column, given: Mapping[str, Any], table: Table, report: Report) -> None:
    if not column.unit and "depth_unit" not in given:
        report.say("unit-assumed", table.file, f"column {column.header!r}", unit="metres", setting="depth_unit")


def _refuse_levels(depth: np.ndarray, settings: Settings, table: Table) -> None:
    """Depths that no trout stream has: another unit, or levels above the sea."""
    known = depth[np.isfinite(depth) & (depth > 0)]
    deepest = settings.get("cleaning", "deepest_m", 15.0)
    if len(known) and np.median(known) > deepest:
        raise stop("depth-deep", table.file, middle=f"{np.median(known):.4g}", limit=f"{deepest:g}")


def _speed(
    numbers: Mapping[str, np.ndarray], texts: Mapping[str, list[str]], columns: Mapping[str, Column], table: Table,
    report: Report,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Speed [m/s] and how it was measured."""
    n = len(texts["note"])
    speed = numbers["speed"].copy() if "speed" in numbers else np.full(n, np.nan)
    how = np.array([_HOW.get(text.strip().lower(), "") for text in texts["speed_how"]], object)
    if "boat_speed" in columns:
        report.say("boat-speed", table.file, f"column {columns['boat_speed'].header!r}")
    if "speed" in numbers and table.settings.get("speed_is") == "boat":
        speed[:] = np.nan
    if "speed" in numbers and not columns["speed"].unit and "speed_unit" not in table.settings:
        report.say("unit-assumed", table.file, f"column {columns['speed'].header!r}", unit="m/s", setting="speed_unit")
    if "float_distance" in numbers and "float_time" in numbers:
        timed = ~np.isfinite(speed) & (numbers["float_time"] > 0) & (numbers["float_distance"] >= 0)
        speed[timed] = numbers["float_distance"][timed] / numbers["float_time"][timed]
        how[timed] = "surface float"
    unknown = sorted(
        {t for t, h, s in zip(texts["speed_how"], how, speed, strict=True) if t.strip() and not h and s == s}
    )
    if unknown:
        report.say("how-unknown", table.file, "speed_how", words=", ".join(unknown[:5]), known=", ".join(HOW_WORDS))
    back = speed < 0
    if back.any():
        report.say("speed-negative", table.file, _some(numbers["row"][back], table), count=int(back.sum()))
        speed = np.abs(speed)
    assumed = table.settings.get("speed_how", "")
    silent = np.isfinite(speed) & (how == "")
    if silent.any() and not assumed:
        report.say("how-missing", table.file, count=int(silent.sum()))
    how[silent] = assumed
    how[~np.isfinite(speed)] = ""
    return speed, how


def _some(rows: np.ndarray, table: Table) -> str:
    """The first few of some rows."""
    shown = ", ".join(str(row) for row in rows[:5])
    return f"{table.word}{'s' if len(rows) > 1 else ''} {shown}{', ...' if len(rows) > 5 else ''}"
