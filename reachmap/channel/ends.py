"""Where the reach begins and ends: as the user says, from currents or the terrain, else assumed and said so."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from reachmap.beat.model import Beat, Terrain
from reachmap.channel.caps import Spine, distance_through, find_ends
from reachmap.errors import Finding

CLEAR_DROP_M = 0.1
"""Least difference in height between the two ends that says which is the upper one [m], assumed."""

CLEAR_VOTE = 2 / 3
"""Least share of the measured directions of the current that must agree on which end is upstream; assumed."""

HEAD_WITHIN = 2.0
"""The head that is given lies no farther from the end that is taken for it [widths]; assumed."""

POINTS = ("east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east")

Ends = tuple[np.ndarray, np.ndarray]
"""Upstream and downstream end cap, each two points (2, 2)."""


def choose_ends(beat: Beat, water: shapely.Polygon, spine: Spine) -> tuple[Ends, dict[str, Any], tuple[Finding, ...]]:
    """Both end caps in order, how they were found, and what the user should hear.

    Parameters
    ----------
    beat : may give the caps, the head, directions of the current or a terrain model
    water : all the water as one polygon
    spine : its width and tips
    """
    if beat.caps is not None:
        caps = tuple(np.reshape(cap, (2, 2)).astype(float) for cap in beat.caps)
    else:
        caps = find_ends(water, spine)
    first, second = caps
    swap, basis = _head_first(beat, water, spine.width_m, first, second)
    ends = (second, first) if swap else (first, second)
    report = {
        "caps_assumed": beat.caps is None,
        "head_assumed": basis == "assumed",
        "head_from": basis,
        "head_end": _compass(ends),
    }
    return ends, report, (*_findings(beat, ends, basis, swap), *_far_head(beat, ends, spine.width_m))


def _far_head(beat: Beat, ends: Ends, width_m: float) -> tuple[Finding, ...]:
    """What to say where the head that was given lies far from the end found nearest to it."""
    if beat.head is None or beat.caps is not None:
        return ()
    away = shapely.LineString(ends[0]).distance(shapely.Point(beat.head))
    if away <= HEAD_WITHIN * width_m:
        return ()
    what = f"the head lies {away:.0f} m from the nearer of the two ends that were found from the shape of the outline"
    remedy = "Draw lines with role 'head end' and 'tail end' in the outline, or correct head"
    return (Finding("warning", "beat.toml", "[survey] head", what, remedy, "head-far"),)


def _head_first(
    beat: Beat, water: shapely.Polygon, width_m: float, first: np.ndarray, second: np.ndarray
) -> tuple[bool, str]:
    """Whether the second cap is the head, and what says so."""
    if beat.head is not None:
        away = [float(np.hypot(*(cap.mean(axis=0) - beat.head))) for cap in (first, second)]
        return away[1] < away[0], "given"
    if beat.caps is not None:
        return False, "outline"
    down = _down_from_first(beat, water, width_m, first)
    if down is not None and not 1 - CLEAR_VOTE < down < CLEAR_VOTE:
        return down < 0.5, "currents"
    heights = [_height(beat.terrain, water, width_m, cap) for cap in (first, second)]
    if None not in heights and abs(heights[0] - heights[1]) >= CLEAR_DROP_M:  # type: ignore[operator]
        return heights[1] > heights[0], "terrain"  # type: ignore[operator]
    # Same end for the same outline however it was drawn: the more northern, then the more western one.
    middle = [tuple(np.round(cap.mean(axis=0), 3)) for cap in (first, second)]
    return (middle[1][1], -middle[1][0]) > (middle[0][1], -middle[0][0]), "assumed"


def _down_from_first(beat: Beat, water: shapely.Polygon, width_m: float, first: np.ndarray) -> float | None:
    """Share of the measured directions of the current that lead away from the first cap; None without any."""
    known = beat.soundings[np.isfinite(beat.soundings["toward_deg"]) & (beat.soundings["flag"] == "")]
    if not len(known):
        return None
    toward = np.radians(known["toward_deg"].to_numpy(float))
    here = np.column_stack([known.geometry.x, known.geometry.y])
    step = width_m / 2 * np.column_stack([np.sin(toward), np.cos(toward)])
    ahead, behind = (distance_through(water, width_m, first.mean(axis=0), here + s * step) for s in (1.0, -1.0))
    return float(np.mean(ahead > behind))


def _height(terrain: Terrain | None, water: shapely.Polygon, width_m: float, cap: np.ndarray) -> float | None:
    """Median height of the water's surface within a width of an end [m]; None where the terrain says nothing."""
    if terrain is None:
        return None
    near = water.intersection(shapely.Point(cap.mean(axis=0)).buffer(width_m))
    west, south, east, north = near.bounds
    x = np.arange(west, east, terrain.cell_m / 2)
    y = np.arange(south, north, terrain.cell_m / 2)
    grid_x, grid_y = (a.ravel() for a in np.meshgrid(x, y))
    inside = shapely.contains_xy(near, grid_x, grid_y)
    col = np.floor((grid_x[inside] - terrain.x0) / terrain.cell_m).astype(int)
    row = np.floor((terrain.y1 - grid_y[inside]) / terrain.cell_m).astype(int)
    rows, cols = terrain.height_m.shape
    held = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    heights = terrain.height_m[row[held], col[held]]
    heights = heights[np.isfinite(heights)]
    return float(np.median(heights)) if len(heights) else None


def _compass(ends: Ends) -> str:
    """Which end of the outline the head is, as seen from the other one."""
    east, north = ends[0].mean(axis=0) - ends[1].mean(axis=0)
    return POINTS[round(np.degrees(np.arctan2(north, east)) / 45) % 8]


def _findings(beat: Beat, ends: Ends, basis: str, swapped: bool) -> tuple[Finding, ...]:
    found = []
    compass = _compass(ends)
    if basis == "assumed":
        what = f"nothing says which end is upstream; the {compass} end was taken as the head of the reach"
        remedy = "If the river flows the other way, give head = [lat, lon] of the upstream end under [survey]"
        found.append(Finding("warning", "beat.toml", "[survey] head", what, remedy, "head-assumed"))
    if basis == "currents":
        what = f"the measured currents run away from the {compass} end, so that is the head of the reach"
        found.append(
            Finding("note", "soundings", "", what, "Give head under [survey] if that is wrong", "head-currents")
        )
    if basis == "terrain":
        what = f"the terrain stands higher at the {compass} end, so that is the head of the reach"
        found.append(Finding("note", "terrain", "", what, "Give head under [survey] if that is wrong", "head-terrain"))
    if beat.caps is None:
        what = "the two ends of the reach were found from the shape of the outline"
        remedy = "If banks fade to nothing near an end, draw lines with role 'head end' and 'tail end' in the outline"
        found.append(Finding("note", "outline", "", what, remedy, "caps-found"))
    elif beat.head is not None and swapped:
        what = "the head end drawn in the outline and head in beat.toml name different ends; beat.toml was followed"
        remedy = "Correct one of them"
        found.append(Finding("warning", "beat.toml", "[survey] head", what, remedy, "head-contradicts"))
    return tuple(found)
