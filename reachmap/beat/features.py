"""Cover, shade, notes and log: what stands in and beside the water, what was written and met."""

from __future__ import annotations

import difflib
import json
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from reachmap.beat.columns import QUANTITY, TIME, Column, match
from reachmap.beat.dates import day_and_hour, read_moments
from reachmap.beat.messages import Report, plain, some_rows, stop
from reachmap.beat.model import COVER_KINDS, LEAVES, SHADE_KINDS, SPECIES
from reachmap.beat.notes import KINDS, LONGEST_WORD, WORDS, all_words, note_id
from reachmap.beat.numbers import NotNumberError, number, number_with_unit
from reachmap.beat.place import Anchor, choose_placer, move, to_local
from reachmap.beat.tables import Table

KIND_WORDS = {
    "boulder": ("rock", "rocks", "stone", "boulders"),
    "log": ("wood", "logs", "woody debris", "tree in water", "fallen tree", "snag", "root", "logjam"),
    "undercut": ("undercut bank", "undercut", "overhang"),
    "weed": ("weeds", "weed bed", "plants", "macrophytes", "weedbed"),
    "pier": ("bridge pier", "pile", "piles", "jetty", "groyne", "croy"),
    "tree": ("trees", "wood", "copse", "treeline"),
    "hedge": ("bush", "bushes", "shrub", "reeds", "hedgerow"),
    "wall": ("building", "house", "rock face", "cliff"),
    "bridge": ("footbridge", "road bridge"),
    "bank": ("high bank", "bluff", "slope"),
}
"""Other words for the kinds of cover and shade."""

LEAF_WORDS = {
    "evergreen": (
        "spruce", "pine", "fir", "conifer", "coniferous", "yew", "holly", "cedar", "juniper", "scots pine",
        "norway spruce", "douglas fir",
    ),
}  # fmt: skip
"""Other words for the kinds of leaf."""

WHAT_WORDS = {
    "catch": ("caught", "landed", "fish"),
    "follow": ("followed",),
    "refusal": ("refused", "missed", "lost"),
    "sighting": ("seen", "rise", "rose", "saw", "spotted"),
    "blank": ("none", "nothing", "no fish", "fished"),
}
"""Other words for what a log entry says."""

JOINED = "(field|row|pile|bed|line|jam|bank)s?|(side|top)s?$"
"""What is often written in one word with a kind, as a pattern. Of these, a side or a top that goes on says where
something else stands: a "bankside alder" is no bank."""

HEIGHTS = {"tree": 8.0, "hedge": 2.5, "wall": 2.0, "bridge": 3.0, "bank": 2.0}
"""Heights where the file gives none [m], assumed."""

LOG_KEYS = (
    "id", "text", "note", "what", "kind", "time", "date", "hour", "species", "fish_length", "count", "hours", "cloud",
    "clarity", "trip", "lon", "lat", "x", "y",
)  # fmt: skip
"""Columns of a log."""

NOTE_LIMIT = 4000
CLOUD = (0.0, 8.0)


def read_cover(table: Table, crs: CRS, anchor: Anchor | None, report: Report) -> gpd.GeoDataFrame:
    """Cover: kind, size_m, height_m, note; the index counts the rows of the file, as it does for shade and notes."""
    rows = _Rows(table, ("kind", "size", "height", "note", "id", "text"), crs, anchor, report)
    size = rows.numbers("size", 0.01, 100.0)
    missing = ~np.isfinite(size) & rows.is_kind((0, 1, 4, 5))
    if missing.any():
        report.say("cover-no-size", table.file, some_rows(rows.row[missing], table.word), count=int(missing.sum()))
    return rows.frame(
        kind=rows.kinds(COVER_KINDS),
        size_m=np.where(missing, 1.0, size),
        height_m=rows.numbers("height", 0.0, 20.0),
        note=rows.texts("note"),
    )


def read_shade(table: Table, crs: CRS, anchor: Anchor | None, report: Report) -> gpd.GeoDataFrame:
    """Shade: kind, height_m, base_m, radius_m, leaf, note."""
    rows = _Rows(table, ("kind", "height", "base", "radius", "leaf", "note", "id", "text"), crs, anchor, report)
    kinds = rows.kinds(SHADE_KINDS)
    height = rows.numbers("height", 0.1, 150.0)
    usual = np.array([HEIGHTS[kind] for kind in kinds], float)
    silent = ~np.isfinite(height)
    if silent.any():
        report.say("shade-no-height", table.file, some_rows(rows.row[silent], table.word), count=int(silent.sum()))
    height = np.where(silent, usual, height)
    points, growing = rows.is_kind((0, 4)), np.isin(kinds, ["tree", "hedge"])
    base, radius = rows.numbers("base", 0.0, 150.0), rows.numbers("radius", 0.1, 60.0)
    leaf = rows.words("leaf", LEAVES, "leaf-unknown", LEAF_WORDS)
    guessed = (growing & ((leaf == "") | ~np.isfinite(base))) | (points & ~np.isfinite(radius))
    if guessed.any():
        report.say("shade-usual", table.file, some_rows(rows.row[guessed], table.word), count=int(guessed.sum()))
    usual_base = np.select([kinds == "tree", kinds == "bridge"], [np.minimum(1.5, height / 2), height * 0.85], 0.0)
    base = np.where(np.isfinite(base), base, usual_base)
    upside = base >= height
    for row in rows.row[upside]:
        report.say("shade-base", table.file, f"{table.word} {row}")
    radius = np.where(points & ~np.isfinite(radius), usual_crown_m(height), radius)
    return rows.frame(
        kind=kinds,
        height_m=height,
        base_m=np.where(upside, 0.0, base),
        radius_m=np.where(points, radius, np.nan),
        leaf=np.where(leaf == "", np.where(growing, "mixed", "dense"), leaf),
        note=rows.texts("note"),
    )


def read_notes(table: Table, crs: CRS, anchor: Anchor | None, report: Report) -> gpd.GeoDataFrame:
    """Notes: id, text, kind, time (text as written), replaces (list), deleted; those taken back are left out."""
    frame = read_all_notes(table, crs, anchor, report)
    return frame[~frame["deleted"].to_numpy(bool)]


def read_all_notes(
    table: Table, crs: CRS, anchor: Anchor | None, report: Report, *, limit: int = NOTE_LIMIT
) -> gpd.GeoDataFrame:
    """As `read_notes`, with those taken back.

    A note without an id gets one from what it says and where it lies, so that it is the same note wherever it is read.
    A kind that is none of ours stands in front of the text, of which `limit` characters are read.
    """
    wanted = (*WORDS, "id", "kind", "time", "date", "hour", "replaces", "deleted", "lon", "lat", "x", "y")
    rows = _Rows(table, wanted, crs, anchor, report)
    said = map(all_words, zip(*(rows.texts(key, limit) for key in WORDS), strict=True))
    given = rows.texts("kind")
    kind = [word.lower() for word in given]
    text = [
        text if ours in KINDS or not ours else f"{word}: {text}"
        for text, ours, word in zip(said, kind, given, strict=True)
    ]
    places = shapely.get_coordinates(shapely.point_on_surface(rows.written)).tolist()
    return rows.frame(
        id=[own or note_id(words, place) for own, words, place in zip(rows.texts("id"), text, places, strict=True)],
        text=text,
        kind=[word if word in KINDS else "note" for word in kind],
        time=rows.moments(),
        replaces=[_strings(cell) for cell in rows.cells("replaces")],
        deleted=[str(cell).strip().lower() in ("true", "1", "1.0") for cell in rows.cells("deleted")],
    )


def read_log(table: Table, crs: CRS, anchor: Anchor | None, time_zone: str, report: Report) -> gpd.GeoDataFrame:
    """Log: id, text, kind, time (UTC), what, species, length_m, count, hours, cloud, clarity_m, trip."""
    rows = _Rows(table, LOG_KEYS, crs, anchor, report)
    key = "what" if "what" in rows.columns else "kind"
    what = rows.words(key, tuple(WHAT_WORDS), "log-what", WHAT_WORDS)
    texts = rows.moments()
    found = read_moments(texts, time_zone)
    for row, text, time, day in zip(rows.row, texts, found.when, found.day, strict=True):
        if time is None:
            report.say("log-hour" if day else "log-time", table.file, f"{table.word} {row}", value=text)
    if found.guessed:
        report.say("log-date", table.file, value=found.guessed)
    note = rows.texts("note", NOTE_LIMIT)
    return rows.frame(
        id=[given or f"{table.file}-{row}" for given, row in zip(rows.texts("id"), rows.row, strict=True)],
        text=[a or b for a, b in zip(rows.texts("text", NOTE_LIMIT), note, strict=True)],
        kind=what,
        time=pd.Series(pd.to_datetime(found.when, utc=True), dtype="datetime64[us, UTC]").to_numpy(object),
        what=what,
        species=rows.words("species", SPECIES, "species-unknown"),
        length_m=rows.numbers("fish_length", 0.01, 2.0),
        count=rows.numbers("count", 0, 10000),
        hours=rows.numbers("hours", 0, 48, TIME["h"]),
        cloud=rows.numbers("cloud", *CLOUD),
        clarity_m=rows.numbers("clarity", 0.01, 60.0),
        trip=[own or (day.isoformat() if day else "") for own, day in zip(rows.texts("trip"), found.day, strict=True)],
    )


def usual_crown_m(height_m: np.ndarray | float) -> np.ndarray:
    """Radius of the crown of a tree of which only the height is known [m]; assumed."""
    return np.clip(0.3 * np.asarray(height_m, float), 0.5, 6.0)


def empty(crs: CRS, columns: Sequence[str]) -> gpd.GeoDataFrame:
    """A table without rows."""
    return gpd.GeoDataFrame({name: [] for name in columns}, geometry=gpd.GeoSeries([], crs=crs), crs=crs)


def columns_of(
    header: Sequence[str], keys: Sequence[str], file: str, settings: Mapping[str, Any], report: Report
) -> Mapping[str, Column]:
    """The wanted columns of a header, with what beat.toml says about the file."""
    length = settings.get("length_unit", "")
    units = {key: length for key in keys if QUANTITY.get(key) == "length" and key not in ("x", "y")}
    return match(header, keys, file, report, chosen=settings.get("columns"), units=units)


class _Rows:
    """The placed rows of one table, read column by column."""

    def __init__(self, table: Table, wanted: Iterable[str], crs: CRS, anchor: Anchor | None, report: Report) -> None:
        self.table, self.crs, self.report = table, crs, report
        keys = [*wanted] if table.geometry is not None else list(dict.fromkeys([*wanted, "lon", "lat", "x", "y"]))
        self.columns = columns_of(table.header, keys, table.file, table.settings, report)
        self._bare: set[str] = set()  # columns in which some number has no unit, nor their header
        rows = list(table.rows)
        unit = self.columns["x"].unit if "x" in self.columns else ""
        shapes, degrees = self._shapes(rows)
        there = np.array([shape is not None and not shape.is_empty for shape in shapes], bool)
        for (n, _), ok in zip(rows, there, strict=True):
            if not ok:
                report.say("feature-empty", table.file, f"{table.word} {n}")
        placer = choose_placer(table.crs, table.settings, anchor, table.file, report, degrees=degrees, unit=unit)
        self.written = shapes[there]
        self.geometry = move(move(shapes[there], placer.to_degrees), lambda xy: to_local(xy, crs))
        if not np.isfinite(shapely.get_coordinates(self.geometry)).all():
            raise stop("nowhere", table.file, value="some coordinates")
        kept = [row for row, ok in zip(rows, there, strict=True) if ok]
        self.row = np.array([n for n, _ in kept], int)
        self._cells = [cells for _, cells in kept]
        crossing = ~shapely.is_valid(self.geometry)
        if crossing.any():
            where = some_rows(self.row[crossing], table.word)
            report.say("feature-crosses", table.file, where, count=int(crossing.sum()))
            self.geometry[crossing] = [_areas(shape) for shape in self.geometry[crossing]]

    def _shapes(self, rows: Sequence[tuple[int, Sequence[Any]]]) -> tuple[np.ndarray, bool]:
        """Geometries of the rows, and whether they are plainly degrees."""
        if self.table.geometry is not None:
            return self.table.geometry, False
        pair = next((p for p in (("lon", "lat"), ("x", "y")) if p[0] in self.columns and p[1] in self.columns), None)
        if pair is None:
            raise stop("no-position", self.table.file, "header", names=", ".join(self.table.header))
        shapes = np.full(len(rows), None, object)
        for i, (n, cells) in enumerate(rows):
            x, y = (self._number(cells, key, n) for key in pair)
            if math.isfinite(x) and math.isfinite(y):
                shapes[i] = shapely.Point(x, y)
        return shapes, pair == ("lon", "lat")

    def _number(self, cells: Sequence[Any], key: str, row: int, usual: float = 1.0) -> float:
        column = self.columns[key]
        cell = cells[column.index]
        try:
            value = number(cell, self.table.decimal)
            if not column.unit and math.isfinite(value):
                self._bare.add(key)
            return value * (column.factor if column.unit else usual)
        except NotNumberError as error:
            with_unit = number_with_unit(cell, QUANTITY.get(key, ""), self.table.decimal)
            if with_unit is not None:
                return with_unit[0] * with_unit[1]
            code = {"text": "cell-text", "infinite": "cell-infinite", "decimal-comma": "cell-comma"}[str(error)]
            where = f"{self.table.word} {row}"
            self.report.say(code, self.table.file, where, column=column.header, value=str(cell))
            return math.nan

    def cells(self, key: str) -> list[Any]:
        """A column as it stands, None where there is none."""
        if key not in self.columns:
            return [None] * len(self.row)
        index = self.columns[key].index
        return [cells[index] for cells in self._cells]

    def texts(self, key: str, limit: int = LONGEST_WORD) -> list[str]:
        """A column as safe text."""
        out = []
        for row, cell in zip(self.row, self.cells(key), strict=True):
            text = "" if cell is None or cell != cell else str(cell)
            if len(text) > limit:
                where = f"{self.table.word} {row}"
                self.report.say("text-long", self.table.file, where, key=key, count=len(text), limit=limit)
            out.append(plain(text[: limit * 2], limit))
        return out

    def moments(self) -> list[str]:
        """Day and hour as text, of one column or two."""
        hours = [time or hour for time, hour in zip(self.texts("time"), self.texts("hour"), strict=True)]
        return [day_and_hour(*both) for both in zip(self.texts("date"), hours, strict=True)]

    def numbers(self, key: str, low: float, high: float, usual: float = 1.0) -> np.ndarray:
        """A column as numbers within limits, NaN where there is none.

        All in the unit (its factor to SI) in which one usually writes them, as a number without a unit is.
        """
        out = np.full(len(self.row), np.nan)
        if key not in self.columns:
            return out
        for i, (row, cells) in enumerate(zip(self.row, self._cells, strict=True)):
            value = self._number(cells, key, int(row), usual) / usual
            if math.isfinite(value) and not low <= value <= high:
                where = f"{self.table.word} {row}"
                header = self.columns[key].header
                self.report.say(
                    "cell-range",
                    self.table.file,
                    where,
                    column=header,
                    value=f"{value:g}",
                    low=f"{low:g}",
                    high=f"{high:g}",
                )
                value = math.nan
            out[i] = value
        if key in self._bare and QUANTITY.get(key) == "length":
            where = f"column {self.columns[key].header!r}"
            self.report.say("unit-assumed", self.table.file, where, unit="metres", setting="length_unit")
        return out

    def words(
        self, key: str, known: Sequence[str], code: str, others: Mapping[str, Sequence[str]] | None = None,
        begins: Callable[[str, str], bool] = str.startswith,
    ) -> np.ndarray:  # fmt: skip
        """A column of words of a list, or texts that begin with one; "" where there is none; others are reported."""
        synonyms = {word: name for name, words in (others or {}).items() for word in words}
        out = np.full(len(self.row), "", object)
        for i, (row, text) in enumerate(zip(self.row, self.texts(key), strict=True)):
            word = text.strip().lower().replace("_", " ")
            other = synonyms.get(word) or synonyms.get(word.removesuffix("s"))
            found = word if word in known else other or next((k for k in known if begins(word, k)), "")
            if word and not found:
                near = difflib.get_close_matches(word, known, 1, 0.6)
                hint = f"Did you mean {near[0]!r}? " if near else ""
                where = f"{self.table.word} {row}"
                self.report.say(code, self.table.file, where, value=text, hint=hint, known=", ".join(known))
            out[i] = found
        return out

    def kinds(self, known: Sequence[str]) -> np.ndarray:
        """The kind of every row, one of `known`; a row without one is an error, for a guess could mislead."""
        others = {name: words for name, words in KIND_WORDS.items() if name in known}
        out = self.words("kind", known, "kind-unknown", others, _begins)
        if (out == "").any() and "kind" not in self.columns:
            raise stop("kind-absent", self.table.file, "header", known=", ".join(known))
        for row, text, kind in zip(self.row, self.texts("kind"), out, strict=True):
            if not kind and not text.strip():
                self.report.say("kind-empty", self.table.file, f"{self.table.word} {row}", known=", ".join(known))
        return np.where(out == "", known[0], out).astype(object)

    def is_kind(self, types: Sequence[int]) -> np.ndarray:
        """Which rows have a geometry of these shapely types."""
        return np.isin(shapely.get_type_id(self.geometry), types)

    def frame(self, **columns: Any) -> gpd.GeoDataFrame:
        """The rows as a GeoDataFrame in the beat's metres, its index counting the rows of the file."""
        return gpd.GeoDataFrame(columns, geometry=list(self.geometry), crs=self.crs, index=self.row)


def _begins(text: str, word: str) -> bool:
    """Whether a text begins with a whole word, more than one of it or one `JOINED` to it: not "hedgehog"."""
    return re.match(rf"{re.escape(word)}(s|es|{JOINED})?(?![^\W\d])", text) is not None


def _areas(shape: shapely.Geometry) -> shapely.Geometry:
    """The areas that a line which crosses itself goes round, or the line if it goes round none."""
    areas = shapely.make_valid(shape, method="structure", keep_collapsed=False)
    return shapely.make_valid(shape) if areas.is_empty else areas


def _strings(cell: Any) -> list[str]:
    """A list of texts, from a list or from JSON text."""
    if isinstance(cell, str):
        try:
            cell = json.loads(cell)
        except (ValueError, RecursionError):
            return [cell] if cell.strip() else []
    return [str(item)[:100] for item in cell[:1000]] if isinstance(cell, list) else []
