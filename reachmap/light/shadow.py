"""Which cells lie in the shade of what, for a ray in any direction; sun, moon and sky patches share it.

All water lies at one height, so a ray from a cell is in a prism exactly over one stretch of its way: between the two
crossings with the convex outline, and between the heights of underside and top. That stretch is worked out in closed
form in the middle of each quarter of a cell, hence no smear whatever the size of a crown against the cells. Only blocks
of cells which the shadow can touch are looked at, so the cost is that of the shaded ground, linear in cells.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from reachmap.channel.model import Grid
from reachmap.light.heights import Prism

LEAST_ALTITUDE_DEG = 2.0
"""Shadows are followed to the length they have at this altitude, 29 times the height (assumed)."""

BLOCK_M = 8.0
"""Side of a block of cells [m]."""

MOST_OFFSET = 1.1345
"""The beam that lights the bed enters no farther off than this times the depth, 1 / sqrt(n^2 - 1)."""

CENTRE = ((0.0, 0.0),)
"""The middle of a cell, where one ray is enough."""

QUARTERS = ((-0.25, -0.25), (-0.25, 0.25), (0.25, -0.25), (0.25, 0.25))
"""The middles of a cell's quarters: with four rays a crown of few cells keeps its shadow's area."""

SOLID = 99.0
"""Optical depth of what is solid [-]."""


@dataclass(frozen=True)
class Cells:
    """The water's cells in blocks, for quick finding.

    Parameters
    ----------
    x, y : centres, block by block (n_wet,) [m]
    depth_m : of each (n_wet,) [m]
    order : position in the wet vector of each of them (n_wet,)
    starts : first cell of each block, and the end (n_blocks + 1,)
    centre : of the cells of each block (n_blocks, 2) [m]
    reach_m : farthest cell edge from its block's centre [m]
    cell_m : cell size [m]
    """

    x: np.ndarray
    y: np.ndarray
    depth_m: np.ndarray
    order: np.ndarray
    starts: np.ndarray
    centre: np.ndarray
    reach_m: float
    cell_m: float


def in_blocks(grid: Grid, depth_m: np.ndarray, x: np.ndarray | None = None, y: np.ndarray | None = None) -> Cells:
    """Sort the wet cells of a grid into square blocks.

    Parameters
    ----------
    grid, depth_m : the cells and their depth (n_wet,) [m]
    x, y : where each cell's light is looked at (n_wet,) [m]; None takes the centres
    """
    x, y = grid.x if x is None else x, grid.y if y is None else y
    side = max(1, round(BLOCK_M / grid.cell_m))
    rows, cols = grid.cells
    block = rows // side * (grid.shape[1] // side + 1) + cols // side
    order = np.argsort(block, kind="stable")
    starts = np.concatenate([[0], np.nonzero(np.diff(block[order]))[0] + 1, [len(order)]])
    x, y = x[order], y[order]
    count = np.diff(starts)
    centre = np.column_stack([np.add.reduceat(v, starts[:-1]) / count for v in (x, y)])
    away = np.hypot(x - np.repeat(centre[:, 0], count), y - np.repeat(centre[:, 1], count))
    return Cells(
        x, y, np.nan_to_num(depth_m[order]), order, starts, centre, float(away.max()) + grid.cell_m, grid.cell_m
    )


@dataclass(frozen=True)
class Things:
    """What can shade the cells, with the blocks each can ever reach.

    Parameters
    ----------
    prisms : the blocks that stand round the water (n_things)
    corners : of all their outlines, one after another (n_corners, 2) [m]
    first : first corner of each (n_things,)
    thing, block : pairs of a prism and a block of cells within its reach (n_pairs,)
    """

    prisms: tuple[Prism, ...]
    corners: np.ndarray
    first: np.ndarray
    thing: np.ndarray
    block: np.ndarray


def within_reach(prisms: tuple[Prism, ...], cells: Cells) -> Things:
    """Find the blocks of cells that each prism can ever shade."""
    tree = cKDTree(cells.centre)
    slack = cells.reach_m + MOST_OFFSET * float(cells.depth_m.max(initial=0.0))
    found = []
    for prism in prisms:
        middle = prism.xy.mean(axis=0)
        size = float(np.hypot(*(prism.xy - middle).T).max())
        far = size + prism.top_m / np.tan(np.radians(LEAST_ALTITUDE_DEG)) + slack
        found.append(np.sort(np.array(tree.query_ball_point(middle, far), int)))
    corners = np.concatenate([np.zeros((0, 2)), *(prism.xy for prism in prisms)])
    first = np.cumsum([0, *(len(prism.xy) for prism in prisms)])[:-1]
    thing = np.repeat(np.arange(len(prisms)), [len(blocks) for blocks in found])
    return Things(prisms, corners, first, thing, np.concatenate([np.zeros(0, int), *found]))


@dataclass(frozen=True)
class Chords:
    """Where rays in one direction run over one prism.

    Parameters
    ----------
    cells : positions in block order (n,)
    near_m, far_m : level distance from the ray's end to where it comes over the outline and leaves it, for every spot
        of the cell that is looked at (n_spots, n) [m]
    """

    cells: np.ndarray
    near_m: np.ndarray
    far_m: np.ndarray


def chords(
    cells: Cells,
    things: Things,
    azimuth_deg: float,
    altitude_deg: float,
    offset: float = 0.0,
    spots: tuple[tuple[float, float], ...] = CENTRE,
) -> Iterator[tuple[Prism, Chords]]:
    """Every prism with the cells whose rays toward an azimuth, no lower than an altitude, pass over its outline.

    Parameters
    ----------
    cells, things : see `in_blocks`, `within_reach`
    azimuth_deg : clockwise from north [deg]
    altitude_deg : cells so far off that the ray is above the prism's top are left out [deg]
    offset : how far toward the azimuth each cell's ray starts, times its depth [-]
    spots : where in a cell rays end, in cell sizes from its centre, east and north
    """
    if not things.prisms:
        return
    toward = np.array([np.sin(np.radians(azimuth_deg)), np.cos(np.radians(azimuth_deg))])
    left = np.array([-toward[1], toward[0]])
    u, v = things.corners @ toward, things.corners @ left
    last = np.maximum.reduceat(u, things.first)
    right_v, left_v = np.minimum.reduceat(v, things.first), np.maximum.reduceat(v, things.first)
    slope = np.tan(np.radians(max(altitude_deg, LEAST_ALTITUDE_DEG)))
    first = np.minimum.reduceat(u, things.first) - np.array([prism.top_m for prism in things.prisms]) / slope

    at, beside = (cells.centre @ toward)[things.block], (cells.centre @ left)[things.block]
    slack, t = cells.reach_m + offset * float(cells.depth_m.max(initial=0.0)), things.thing
    touched = (beside > right_v[t] - cells.reach_m) & (beside < left_v[t] + cells.reach_m)
    touched &= (at > first[t] - slack) & (at < last[t] + slack)
    thing, block = t[touched], things.block[touched]
    runs = np.searchsorted(thing, np.arange(len(things.prisms) + 1))
    corner = np.append(things.first, len(u))
    aside, ahead = (cells.cell_m * (np.array(spots) @ way)[:, None] for way in (left, toward))
    edge = float(max(np.abs(aside).max(), np.abs(ahead).max()))
    for k in np.unique(thing):
        blocks = block[runs[k] : runs[k + 1]]
        index = _ranges(cells.starts[blocks], cells.starts[blocks + 1])
        w = cells.x[index] * left[0] + cells.y[index] * left[1]
        near = (w > right_v[k] - edge) & (w < left_v[k] + edge)
        index, w = index[near], w[near] + aside
        a = cells.x[index] * toward[0] + cells.y[index] * toward[1] + offset * cells.depth_m[index] + ahead
        low, high = _sides(u[corner[k] : corner[k + 1]], v[corner[k] : corner[k + 1]], w)
        before = ((high > a) & (a > first[k])).any(axis=0)
        yield things.prisms[k], Chords(index[before], np.maximum(low - a, 0.0)[:, before], (high - a)[:, before])


def _sides(u: np.ndarray, v: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest u of a convex outline on the lines v = at."""
    first = int(np.argmin(v))
    ring = np.arange(first, first + len(v) + 1) % len(v)
    u, v = u[ring], v[ring]
    turn = int(np.argmax(v))
    one = np.interp(at, v[: turn + 1], u[: turn + 1])
    other = np.interp(at, v[turn:][::-1], u[turn:][::-1])
    return np.minimum(one, other), np.maximum(one, other)


def _ranges(starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """All whole numbers of several ranges, one after another."""
    count = ends - starts
    skip = np.concatenate([[0], np.cumsum(count)[:-1]])
    return np.arange(count.sum()) + np.repeat(starts - skip, count)


def optical_depth(thing: Prism, over: Chords, altitude_deg: float, leaf_on: bool) -> np.ndarray:
    """Optical depth of a prism along each ray at one altitude above 0 [-]."""
    slope, density = np.tan(np.radians(altitude_deg)), thing.density(leaf_on)
    stretch = np.minimum(over.far_m, thing.top_m / slope) - np.maximum(over.near_m, thing.base_m / slope)
    if np.isinf(density):
        return np.where(stretch > 0.0, SOLID, 0.0)
    return density * np.maximum(stretch, 0.0) / np.cos(np.radians(altitude_deg))
