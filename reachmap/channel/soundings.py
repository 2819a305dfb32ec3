"""Soundings in channel coordinates: which are used, which contradict each other or lie outside the water."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from scipy.spatial import cKDTree

from reachmap.beat.model import Beat
from reachmap.channel.heldout import blocks
from reachmap.channel.reach import Places, Reach
from reachmap.errors import Finding

OUTSIDE_M = 3.0
"""A sounding this far outside the outline still counts, as taken at the nearest water; about twice the error of a
hand-held receiver [m], assumed."""

SAME_PLACE_M = 0.5
"""Soundings closer than this are of the same place [m], assumed."""

CONTRADICT_M, CONTRADICT_SHARE = 0.3, 0.5
"""Two soundings of the same place contradict each other if they differ by more than both of these [m, share of the
larger], assumed."""


@dataclass(frozen=True)
class Soundings:
    """The soundings used.

    Parameters
    ----------
    x, y : (n,) where, moved into the water if they lay just outside [m]
    depth_m : (n,) [m]
    speed_m_s, speed_how : (n,) as measured, NaN and "" where there is none
    line, row : (n,) track or cross-section and row of the file
    places : channel coordinates
    groups, how : which are left out together, and what such a group is
    """

    x: np.ndarray
    y: np.ndarray
    depth_m: np.ndarray
    speed_m_s: np.ndarray
    speed_how: np.ndarray
    line: np.ndarray
    row: np.ndarray
    places: Places
    groups: np.ndarray
    how: str

    def __len__(self) -> int:
        return len(self.x)


def take_soundings(beat: Beat, reach: Reach) -> tuple[Soundings, tuple[Finding, ...]]:
    """The beat's unflagged soundings that lie in or near the water, and what was odd about the others."""
    table = beat.soundings
    usable = (table["flag"].to_numpy() == "") & np.isfinite(table["depth_m"].to_numpy(float))
    table = table[usable]
    x, y = table.geometry.x.to_numpy(float), table.geometry.y.to_numpy(float)
    away = np.zeros(len(table))
    dry = ~shapely.contains_xy(reach.water, x, y)
    away[dry] = shapely.distance(reach.water, shapely.points(x[dry], y[dry]))
    findings = list(_outside(table, away))
    near = away <= OUTSIDE_M
    table, x, y = table[near], x[near], y[near]
    findings += _contradictions(table, x, y)
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
        table["row"].to_numpy(int),
        places,
        groups,
        how,
    )
    return soundings, tuple(findings)


def _outside(table: gpd.GeoDataFrame, away: np.ndarray) -> list[Finding]:
    far, just = away > OUTSIDE_M, (away > 0) & (away <= OUTSIDE_M)
    file = str(table["file"].iloc[0]) if len(table) else ""
    out = []
    if far.any():
        what = f"{far.sum()} sounding(s) lie more than {OUTSIDE_M:g} m outside the water and were left out"
        remedy = "Check their positions, or draw the outline wider there"
        out.append(Finding("warning", file, _rows(table["row"].to_numpy(int)[far]), what, remedy, "sounding-outside"))
    if just.any():
        what = f"{just.sum()} sounding(s) lie up to {away[just].max():.1f} m outside the water"
        remedy = "They were taken at the nearest water, as a hand-held receiver errs by that much"
        out.append(Finding("note", file, _rows(table["row"].to_numpy(int)[just]), what, remedy, "sounding-edge"))
    return out


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
    rows = np.unique(table["row"].to_numpy(int)[bad.ravel()])
    what = (
        f"{len(bad)} pair(s) of soundings within {SAME_PLACE_M:g} m of each other differ by more than "
        f"{CONTRADICT_M:g} m and {CONTRADICT_SHARE:.0%} of the depth"
    )
    remedy = "Both were used, so the map shows about their mean there; remove the wrong one of each pair"
    return [Finding("warning", str(table["file"].iloc[0]), _rows(rows), what, remedy, "sounding-contradicts")]


def _rows(rows: np.ndarray) -> str:
    shown = ", ".join(str(r) for r in rows[:8])
    more = f" and {len(rows) - 8} more" if len(rows) > 8 else ""
    return f"row{'s' if len(rows) > 1 else ''} {shown}{more}"
