"""Soundings in channel coordinates: which are used, which contradict each other or lie outside the water."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from scipy.spatial import cKDTree

from reachmap.beat.model import Beat
from reachmap.channel.heldout import blocks
from reachmap.channel.model import Grid
from reachmap.channel.reach import Places, Reach
from reachmap.errors import Finding

EDGE_M = 3.0
"""A sounding outside the outline, but no farther than this, is no news; about twice the error of a hand-held receiver
[m], assumed."""

SAME_PLACE_M = 0.5
"""Soundings closer than this are of the same place [m], assumed."""

CONTRADICT_M, CONTRADICT_SHARE = 0.3, 0.5
"""Two soundings of the same place contradict each other if they differ by more than both of these [m, share of the
larger], assumed."""

OVERRULED_M, MISPLACED_M = 0.3, 2.0
"""A sounding this much deeper than the map has it anywhere so near is told [m]: two of one place may differ by the
first, and a hand-held receiver may err by the second; assumed."""


@dataclass(frozen=True)
class Soundings:
    """The soundings used.

    Parameters
    ----------
    x, y : (n,) where, moved into the water if they lay just outside [m]
    depth_m : (n,) [m]
    speed_m_s, speed_how : (n,) as measured, NaN and "" where there is none
    line : (n,) track or cross-section
    file, row : (n,) where it is written
    places : channel coordinates
    groups, how : which are left out together, and what such a group is
    """

    x: np.ndarray
    y: np.ndarray
    depth_m: np.ndarray
    speed_m_s: np.ndarray
    speed_how: np.ndarray
    line: np.ndarray
    file: np.ndarray
    row: np.ndarray
    places: Places
    groups: np.ndarray
    how: str

    def __len__(self) -> int:
        return len(self.x)

    def overruled(self, grid: Grid, mapped_m: np.ndarray) -> list[Finding]:
        """What to say where the map, a depth for every wet cell [m], is shallower than what was sounded."""
        here = grid.locate(self.x, self.y)
        doubtful = np.flatnonzero((here >= 0) & (self.depth_m - mapped_m[here] > OVERRULED_M))
        steps = np.arange(-MISPLACED_M, MISPLACED_M + grid.cell_m, grid.cell_m)
        east, north = (a.ravel() for a in np.meshgrid(steps, steps))
        east, north = (a[np.hypot(east, north) <= MISPLACED_M] for a in (east, north))
        cells = grid.locate(self.x[doubtful, None] + east, self.y[doubtful, None] + north)
        deepest = np.where(cells >= 0, mapped_m[cells], 0.0).max(axis=1, initial=0.0)
        shallower = doubtful[self.depth_m[doubtful] - deepest > OVERRULED_M]
        if len(shallower) == 0:
            return []
        what = (
            f"{len(shallower)} sounding(s) are more than {OVERRULED_M:g} m deeper than the map has it within "
            f"{MISPLACED_M:g} m, since those near by say otherwise; they may be misplaced or misread"
        )
        remedy = "Take those places for as deep as they were sounded, and sound round them"
        return [
            Finding("warning", *_places(self.file[shallower], self.row[shallower]), what, remedy, "sounding-overruled")
        ]


def take_soundings(beat: Beat, reach: Reach) -> tuple[Soundings, tuple[Finding, ...]]:
    """The beat's unflagged soundings, moved into the water where they lie outside, and what was odd about some.

    Those too far outside to count the reader has flagged, by the distance that beat.toml says.
    """
    table = beat.soundings
    usable = (table["flag"].to_numpy() == "") & np.isfinite(table["depth_m"].to_numpy(float))
    table = table[usable]
    x, y = table.geometry.x.to_numpy(float), table.geometry.y.to_numpy(float)
    away = np.zeros(len(table))
    dry = ~shapely.contains_xy(reach.water, x, y)
    away[dry] = shapely.distance(reach.water, shapely.points(x[dry], y[dry]))
    findings = [*_outside(table, away), *_contradictions(table, x, y)]
    x, y, _ = reach.pull_in(x, y)
    places = reach.at(x, y)
    line = table["line"].to_numpy().astype(str)
    groups, how = blocks(places.along, line, reach.width_m) if len(x) else (np.zeros(0, int), "")
    soundings = Soundings(
        x,
        y,
        table["depth_m"].to_numpy(float),
        table["speed_m_s"].to_numpy(float),
        table["speed_how"].to_numpy().astype(str),
        line,
        *_written(table),
        places,
        groups,
        how,
    )
    return soundings, tuple(findings)


def _outside(table: gpd.GeoDataFrame, away: np.ndarray) -> list[Finding]:
    outside = away > 0
    if not outside.any():
        return []
    what = f"{outside.sum()} sounding(s) lie up to {away.max():.1f} m outside the water; taken at the nearest water"
    if away.max() <= EDGE_M:
        note = "A hand-held receiver errs by that much"
        return [Finding("note", *_places(*_written(table[outside])), what, note, "sounding-edge")]
    remedy = (
        "Check their positions, draw the outline wider there, or lower outside_m under [cleaning] to set them aside"
    )
    return [Finding("warning", *_places(*_written(table[outside])), what, remedy, "sounding-outside")]


def _contradictions(table: gpd.GeoDataFrame, x: np.ndarray, y: np.ndarray) -> list[Finding]:
    if len(x) < 2:
        return []
    depth = table["depth_m"].to_numpy(float)
    pairs = cKDTree(np.column_stack([x, y])).query_pairs(SAME_PLACE_M, output_type="ndarray")
    if len(pairs) == 0:
        return []
    differ = np.abs(depth[pairs[:, 0]] - depth[pairs[:, 1]])
    larger = np.maximum(depth[pairs[:, 0]], depth[pairs[:, 1]])
    bad = pairs[(differ > CONTRADICT_M) & (differ > CONTRADICT_SHARE * larger)]
    if len(bad) == 0:
        return []
    what = (
        f"{len(bad)} pair(s) of soundings within {SAME_PLACE_M:g} m of each other differ by more than "
        f"{CONTRADICT_M:g} m and {CONTRADICT_SHARE:.0%} of the depth"
    )
    remedy = "Both were used, so the map shows about their mean there; remove the wrong one of each pair"
    return [Finding("warning", *_places(*_written(table.iloc[np.unique(bad)])), what, remedy, "sounding-contradicts")]


def _written(table: gpd.GeoDataFrame) -> tuple[np.ndarray, np.ndarray]:
    """File and row of every sounding."""
    return table["file"].to_numpy().astype(str), table["row"].to_numpy(int)


def _places(file: np.ndarray, row: np.ndarray) -> tuple[str, str]:
    """File and rows of some soundings; of several files, rows alone, each with its file."""
    files = {name: _rows(row[file == name]) for name in dict.fromkeys(file.tolist())}
    if len(files) == 1:
        return next(iter(files.items()))
    return "", "; ".join(f"{file}, {rows}" for file, rows in files.items())


def _rows(rows: np.ndarray) -> str:
    shown = ", ".join(str(r) for r in rows[:8])
    more = f" and {len(rows) - 8} more" if len(rows) > 8 else ""
    return f"row{'s' if len(rows) > 1 else ''} {shown}{more}"
