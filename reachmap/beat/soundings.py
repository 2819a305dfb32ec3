"""Soundings: rows of any table to position, depth, speed, each row accounted for."""

from __future__ import annotations

import itertools
import math
from array import array
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import shapely

from reachmap.beat.columns import QUANTITY, Column, match, tidy
from reachmap.beat.measured import depth_of, say_missing, speed_of
from reachmap.beat.messages import Report, plain, stop
from reachmap.beat.numbers import SENTINELS, NotNumberError, number, number_with_unit
from reachmap.beat.place import Anchor, Placer, choose_placer, why_no_degrees
from reachmap.beat.settings import Settings
from reachmap.beat.tables import Table

WANTED = (
    "lon", "lat", "x", "y", "depth", "bed_level", "water_level", "speed", "speed_how", "boat_speed",
    "toward", "float_distance", "float_time", "line", "note", "time", "temperature",
)  # fmt: skip
NUMBERS = (
    "lon", "lat", "x", "y", "depth", "bed_level", "water_level", "speed", "toward", "float_distance", "float_time",
)  # fmt: skip
LEVELS = ("bed_level", "water_level")
TEXTS = ("speed_how", "line", "note", "time")

OWN_UNITS = "own"
"""Unit of a column whose header names none but every number in it, as 3'4" or 0.85 m."""

SPOKEN, SPOKEN_SHARE = ("name", "cmt", "desc", "description", "label", "title", "text", "note"), 0.8
"""Columns of names and remarks in which depths are looked for where there is no column of depths, and the share of them
that has to be one; assumed."""

SECTION_ROWS, SECTION_SHARE = 4, 0.9
"""Rows of one x in a row that make a cross-section, and the share of rows that must lie in one (assumed)."""

MOST_ROWS = 3_000_000
"""Rows read from one file; about 300 MB of memory."""


@dataclass
class Rows:
    """Soundings of one or several files as plain arrays, all in SI.

    Parameters
    ----------
    degrees : (n, 2) longitude, latitude
    depth_m, speed_m_s : (n,) NaN where there is none
    toward_deg : (n,) where the water flows to, clockwise from north [deg], NaN where unsaid
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
    toward_deg: np.ndarray = field(default_factory=lambda: np.empty(0))

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
    table = _with_named_depths(table, units, report)
    columns = match(table.header, WANTED, table.file, report, chosen=table.settings.get("columns"), units=units)
    pair = _position(table, columns)
    columns = _depth_columns(table, columns)
    named = pair == ("lon", "lat")
    unit = columns["x"].unit if pair == ("x", "y") else ""
    placer = choose_placer(table.crs, table.settings, anchor, table.file, report, degrees=named, unit=unit)
    numbers, texts, rows, said = _walk(table, columns, report)
    columns = {key: replace(one, unit=one.unit or OWN_UNITS) if key in said else one for key, one in columns.items()}
    if not len(rows):
        raise stop("no-rows", table.file)
    _no_data(numbers, columns, table, report)
    xy = _coordinates(table, numbers, pair, rows)
    placed = np.isfinite(xy).all(axis=1)
    for row in rows[~placed]:
        report.say("row-no-position", table.file, f"{table.word} {row}")
    if not placed.any():
        raise stop("no-rows", table.file)
    numbers = {key: value[placed] for key, value in {**numbers, "row": rows}.items()}
    texts = {key: [texts[key][i] for i in np.flatnonzero(placed)] for key in texts}
    if "line" not in columns and placer.crs is None:
        texts["line"] = _sections(xy[placed], table, report) or texts["line"]
    flag = np.full(int(placed.sum()), "", object)
    depth = depth_of(numbers, columns, flag, table, settings, report)
    degrees = placer.to_degrees(_checked(xy[placed], placer, table))
    speed, how = speed_of(numbers, texts, columns, degrees, table, report)
    say_missing(flag, rows[placed], speed, table, report)
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
        numbers.get("toward", np.full(len(depth), np.nan)) % 360.0,
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


def _with_named_depths(table: Table, units: Mapping[str, str], report: Report) -> Table:
    """A table of places without a depth whose names or remarks are depths, as waypoints marked while wading have."""
    if table.geometry is None:
        return table
    chosen = table.settings.get("columns") or {}
    known = match(table.header, WANTED, table.file, Report(), chosen=chosen, units=units)
    if "depth" in known or "bed_level" in known:
        return table
    rows = list(table.rows)
    for index in (k for k, header in enumerate(table.header) if tidy(header) in SPOKEN):
        said = ["" if cells[index] is None else str(cells[index]).strip() for _, cells in rows]
        decimal = next((sign for sign in (".", ",") if _are_depths(said, sign)), None)
        if decimal is None:
            continue
        # Who marks depths while wading marks a gate or a fish as well.
        kept = np.array([_is_length(text, decimal) for text in said], bool)
        other = f"; {(~kept).sum()} that say something else were left out" if not kept.all() else ""
        report.say("depth-in-words", table.file, f"column {table.header[index]!r}", other=other)
        return replace(
            table,
            rows=itertools.compress(rows, kept),
            geometry=table.geometry[kept],
            decimal=decimal,
            settings={**table.settings, "columns": {**chosen, "depth": table.header[index]}},
        )
    return replace(table, rows=iter(rows))


def _are_depths(said: Sequence[str], decimal: str) -> bool:
    """Whether nearly all of some texts are lengths, most of them plainly: whole numbers alone may just count."""
    read = [text for text in said if _is_length(text, decimal)]
    fine = [text for text in read if not text.isdigit()]
    return len(read) > 0 and len(read) >= SPOKEN_SHARE * len(said) and 2 * len(fine) >= len(read)


def _is_length(text: str, decimal: str) -> bool:
    try:
        return math.isfinite(number(text, decimal))
    except NotNumberError:
        return number_with_unit(text, "length", decimal) is not None


def _position(table: Table, columns: Mapping[str, Column]) -> tuple[str, str] | None:
    if table.geometry is not None:
        return None
    if "lon" in columns and "lat" in columns:
        return "lon", "lat"
    if "x" in columns and "y" in columns:
        return "x", "y"
    raise stop("no-position", table.file, "header", names=", ".join(table.header))


def _depth_columns(table: Table, columns: dict[str, Column]) -> dict[str, Column]:
    """The columns without those of levels where there are depths: beside these, "bed" may say what it is made of."""
    if "depth" in columns:
        return {key: column for key, column in columns.items() if key not in LEVELS}
    if "bed_level" in columns:
        if "water_level" not in columns and "water_level_m" not in table.settings:
            raise stop("bed-without-water", table.file, "header", column=columns["bed_level"].header)
        return columns
    raise stop("no-depth", table.file, "header", names=", ".join(table.header) or "none")


def _walk(
    table: Table, columns: Mapping[str, Column], report: Report
) -> tuple[dict[str, np.ndarray], dict[str, list[str]], np.ndarray, set[str]]:
    """Read every row once; numbers into packed arrays, texts shared, so that a long log stays small.

    Besides these come the numbers of rows, and the columns in which every number names its unit.
    """
    own: Counter[str] = Counter()
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
            packed[key].append(_cell(cells[column.index], key, column, row, table, report, own))
        for key, index in text_columns:
            text = cells[index]
            text = "" if text is None else plain(text, 500) if type(text) is str else str(text)
            texts[key].append(shared.setdefault(text, text))
    for key in TEXTS:
        if key not in columns:
            texts[key] = [""] * len(numbers_seen)
    numbers = {key: np.array(value) for key, value in packed.items()}
    said = {key for key, count in own.items() if count == np.isfinite(numbers[key]).sum()}
    return numbers, texts, np.array(numbers_seen, int), said


def _cell(cell: Any, key: str, column: Column, row: int, table: Table, report: Report, own: Counter[str]) -> float:
    """One cell in SI; NaN where it is empty, or after a report where it is none; `own` counts units named in cells."""
    try:
        return number(cell, table.decimal) * column.factor
    except NotNumberError as error:
        with_unit = number_with_unit(cell, QUANTITY[key], table.decimal)
        if with_unit is not None:
            own[key] += 1
            return with_unit[0] * with_unit[1]
        code = {"text": "cell-text", "infinite": "cell-infinite", "decimal-comma": "cell-comma"}[str(error)]
        report.say(code, table.file, f"{table.word} {row}", column=column.header, value=str(cell))
        return math.nan


def _no_data(numbers: dict[str, np.ndarray], columns: Mapping[str, Column], table: Table, report: Report) -> None:
    """Numbers that stand for "no value", as they are written, become NaN, with a word on how many."""
    given = table.settings.get("nodata")
    for key, values in numbers.items():
        if key in ("x", "y", "lon", "lat"):
            continue
        signs = SENTINELS if given is None else {given}
        factor = columns[key].factor
        stands = np.isin(values, [sign * factor for sign in signs])
        if stands.any():
            if given is None:
                report.say(
                    "nodata-guessed",
                    table.file,
                    key.replace("_", " "),
                    value=f"{values[stands][0] / factor:g}",
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


def _sections(xy: np.ndarray, table: Table, report: Report) -> list[str] | None:
    """Names of the cross-sections of a tape survey: runs of rows with one and the same x, or y; None if there are none.

    Only local surveys are looked at, where a section is laid along one of the axes.
    """
    for axis, name in ((0, "x"), (1, "y")):
        values = xy[:, axis]
        starts = np.concatenate([[True], values[1:] != values[:-1]])
        run = np.cumsum(starts) - 1
        if starts.sum() > 1 and (np.bincount(run)[run] >= SECTION_ROWS).mean() > SECTION_SHARE:
            report.say("sections-found", table.file, count=len(np.unique(values)), axis=name)
            return [f"{name} {value:g}" for value in values]
    return None


def _checked(xy: np.ndarray, placer: Placer, table: Table) -> np.ndarray:
    """Positions that can be degrees if they are said to be."""
    if placer.crs is not None and placer.crs.is_geographic:
        x, y = np.abs(xy[:, 0]), np.abs(xy[:, 1])
        if (y > 90).any() or (x > 180).any():
            bad = int(np.flatnonzero((y > 90) | (x > 180))[0])
            raise stop(why_no_degrees(xy), table.file, value=f"{xy[bad, 0]:.6g}, {xy[bad, 1]:.6g}")
    return xy
