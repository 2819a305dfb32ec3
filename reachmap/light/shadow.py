"""Which cells lie in the shade of what, for a ray in any direction; sun, moon and sky patches share it.

All water lies at one height, so a ray from a cell is in a prism exactly over one stretch of its way: between the two
crossings with the convex outline, and between the heights of underside and top. That stretch is worked out in closed
form in the middle of each quarter of a cell, hence no smear whatever the size of a crown against the cells. Only blocks
of cells which the shadow can touch are looked at, so the cost is that of the shaded ground, linear in cells.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from scipy.spatial import cKDTree

from reachmap.channel.model import Grid
from reachmap.light.heights import Prism

LEAST_ALTITUDE_DEG = 2.0
"""Shadows are followed to the length they have at this altitude, 29 times the height (assumed)."""

BLOCK_M = 6.0
"""Side of a block of cells [m]."""

MOST_OFFSET = 1.1345
"""The beam that lights the bed enters no farther off than this times the depth, 1 / sqrt(n^2 - 1)."""

Spots = tuple[tuple[float, float], ...]
"""Where in a cell rays end, in cell sizes from its centre, east and north."""

CENTRE: Spots = ((0.0, 0.0),)
"""The middle of a cell, where one ray is enough."""

QUARTERS: Spots = ((-0.25, -0.25), (-0.25, 0.25), (0.25, -0.25), (0.25, 0.25))
"""The middles of a cell's quarters: with four rays a crown of few cells keeps its shadow's area."""

SOLID, SOLID_PER_M = 99.0, 1e12
"""Optical depth of what is solid [-], and per metre of path through it, however short [1/m]."""

WIDE_CELLS = 6.0
"""Of what is wider than so many cells one ray a cell draws a shadow's area well enough for the shade of a day
(tests/light/test_shade.py)."""

WORTH_SKIPPING = 1 << 11
"""Cells in a row that no shadow can touch from which it is quicker to leave them out; assumed."""

MOST_RAYS = 1 << 17
"""Cells looked at in one batch; small enough for the processor's own memory."""


@dataclass(frozen=True)
class Cells:
    """The water's cells in blocks, for quick finding.

    Parameters
    ----------
    x, y : centres, block by block (n_wet,) [m]
    depth_m : of each (n_wet,) [m]
    order : position in the wet vector of each of them (n_wet,)
    starts : first cell of each block, and the end (n_blocks + 1,)
    middle, half : of the rectangle round the cells of each block, and half its sides, east and north (n_blocks, 2) [m]
    cell_m : cell size [m]
    """

    x: np.ndarray
    y: np.ndarray
    depth_m: np.ndarray
    order: np.ndarray
    starts: np.ndarray
    middle: np.ndarray
    half: np.ndarray
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
    low, high = (np.column_stack([most.reduceat(v, starts[:-1]) for v in (x, y)]) for most in (np.minimum, np.maximum))
    middle, half = (low + high) / 2.0, (high - low + grid.cell_m) / 2.0
    return Cells(x, y, np.nan_to_num(depth_m[order]), order, starts, middle, half, grid.cell_m)


@dataclass(frozen=True)
class Things:
    """What can shade the cells, with the blocks each can ever reach.

    Parameters
    ----------
    corners : of all outlines, one after another, those with the fewest first (n_corners, 2) [m]
    first : first corner of each, and the end (n_things + 1,)
    base_m, top_m : underside and top of each above the water (n_things,) [m]
    density_on, density_off : of each, see `Prism` (n_things,) [1/m]
    thing, block : pairs of a prism and a block of cells within its reach, thing by thing (n_pairs,)
    wide_m : how wide each is, four times its area over its way round (n_things,) [m]
    """

    corners: np.ndarray
    first: np.ndarray
    base_m: np.ndarray
    top_m: np.ndarray
    density_on: np.ndarray
    density_off: np.ndarray
    thing: np.ndarray
    block: np.ndarray
    wide_m: np.ndarray

    def only(self, which: np.ndarray) -> Things:
        """Some of them (n_things,) bool."""
        sizes, kept, number = np.diff(self.first), which[self.thing], np.cumsum(which) - 1
        return Things(
            self.corners[np.repeat(which, sizes)],
            np.cumsum([0, *sizes[which]]),
            self.base_m[which],
            self.top_m[which],
            self.density_on[which],
            self.density_off[which],
            number[self.thing[kept]],
            self.block[kept],
            self.wide_m[which],
        )

    @cached_property
    def rings(self) -> list[np.ndarray]:
        """Corners of those that have equally many, for every such number (n_alike, n_corners of each)."""
        sizes = np.diff(self.first)
        return [self.first[:-1][sizes == size][:, None] + np.arange(size) for size in np.unique(sizes)]

    def density(self, leaf_on: bool) -> np.ndarray:
        """Optical depth per metre of path of each (n_things,) [1/m]."""
        return self.density_on if leaf_on else self.density_off


def within_reach(prisms: tuple[Prism, ...], cells: Cells) -> Things:
    """Find the blocks of cells that each prism can ever shade."""
    prisms = tuple(sorted(prisms, key=lambda prism: len(prism.xy)))
    tree = cKDTree(cells.middle)
    slack = float(np.hypot(*cells.half.T).max()) + MOST_OFFSET * float(cells.depth_m.max(initial=0.0))
    found = []
    for prism in prisms:
        middle = prism.xy.mean(axis=0)
        size = float(np.hypot(*(prism.xy - middle).T).max())
        far = size + prism.top_m / np.tan(np.radians(LEAST_ALTITUDE_DEG)) + slack
        found.append(np.sort(np.array(tree.query_ball_point(middle, far), int)))
    return Things(
        np.concatenate([np.zeros((0, 2)), *(prism.xy for prism in prisms)]),
        np.cumsum([0, *(len(prism.xy) for prism in prisms)]),
        np.array([prism.base_m for prism in prisms], float),
        np.array([prism.top_m for prism in prisms], float),
        np.array([prism.density_on for prism in prisms], float),
        np.array([prism.density_off for prism in prisms], float),
        np.repeat(np.arange(len(prisms)), [len(blocks) for blocks in found]),
        np.concatenate([np.zeros(0, int), *found]),
        np.array([4.0 * shape.area / shape.length for shape in map(shapely.Polygon, (p.xy for p in prisms))], float),
    )


@dataclass(frozen=True)
class Chords:
    """Where rays in one direction run over prisms.

    Parameters
    ----------
    cells, thing : position in block order of the cell and number of the prism of each ray (n,)
    near_m, far_m : level distance from the ray's end to where it comes over the outline and leaves it, for every spot
        of the cell that is looked at (n_spots, n) [m]
    """

    cells: np.ndarray
    thing: np.ndarray
    near_m: np.ndarray
    far_m: np.ndarray


def chords(
    cells: Cells,
    things: Things,
    azimuth_deg: float,
    altitude_deg: float,
    offset: float = 0.0,
    spots: Spots = CENTRE,
    asked: np.ndarray | None = None,
) -> Iterator[Chords]:
    """All rays toward an azimuth, no lower than an altitude, that pass over some prism's outline, in batches.

    Parameters
    ----------
    cells, things : see `in_blocks`, `within_reach`
    azimuth_deg : clockwise from north [deg]
    altitude_deg : cells so far off that the ray is above the prism's top are left out [deg]
    offset : how far toward the azimuth each cell's ray starts, times its depth [-]
    spots : where in a cell rays end
    asked : the cells rays are wanted from (n_wet,) bool; None takes all
    """
    if not len(things.top_m):
        return
    toward = np.array([np.sin(np.radians(azimuth_deg)), np.cos(np.radians(azimuth_deg))])
    left = np.array([-toward[1], toward[0]])
    u, v = things.corners @ toward, things.corners @ left
    last, left_v = (np.maximum.reduceat(side, things.first[:-1]) for side in (u, v))
    right_v = np.minimum.reduceat(v, things.first[:-1])
    slope = np.tan(np.radians(max(altitude_deg, LEAST_ALTITUDE_DEG)))
    first = np.minimum.reduceat(u, things.first[:-1]) - things.top_m / slope

    (from_w, to_w), (from_a, to_a) = _extent(cells, left), _extent(cells, toward)
    to_a += offset * float(cells.depth_m.max(initial=0.0))
    t, b = things.thing, things.block
    touched = (to_w[b] > right_v[t]) & (from_w[b] < left_v[t]) & (to_a[b] > first[t]) & (from_a[b] < last[t])
    if asked is not None:
        touched &= np.logical_or.reduceat(asked, cells.starts[:-1])[b]
    if not touched.any():
        return
    thing, block = t[touched], things.block[touched]
    aside, ahead = (cells.cell_m * (np.array(spots) @ way)[:, None] for way in (left, toward))
    edge = float(max(np.abs(aside).max(), np.abs(ahead).max()))
    outlines = _Outlines.make(things.rings, u, v, right_v, left_v)
    cell_w, cell_a = np.empty(len(cells.x)), np.empty(len(cells.x))
    for first_cell, end in _stretches(block, cells.starts):
        x, y, depth = (values[first_cell:end] for values in (cells.x, cells.y, cells.depth_m))
        cell_w[first_cell:end] = x * left[0] + y * left[1]
        cell_a[first_cell:end] = x * toward[0] + y * toward[1] + offset * depth
    count = np.diff(cells.starts)[block]
    for part in _batches(count):
        index = _ranges(cells.starts[block[part]], count[part])
        k = np.repeat(thing[part], count[part])
        w, a = cell_w[index], cell_a[index]
        near = (w > (right_v - edge)[k]) & (w < (left_v + edge)[k]) & (a > (first - edge)[k]) & (a < (last + edge)[k])
        if asked is not None:
            near &= asked[index]
        # Numbers of the chosen ones: columns are taken quicker by them than by a mask.
        chosen = np.flatnonzero(near)
        index, k, w, a = index[chosen], k[chosen], w[chosen] + aside, a[chosen] + ahead
        low, high = outlines.sides(k, w)
        chosen = np.flatnonzero(((high > a) & (a > first[k])).any(axis=0))
        near_m, far_m = np.maximum(low - a, 0.0), high - a
        yield Chords(index[chosen], k[chosen], near_m.take(chosen, axis=1), far_m.take(chosen, axis=1))


@dataclass(frozen=True)
class _Outlines:
    """Convex outlines seen along one direction u: each as two chains on which v rises, all in one table to look up.

    Parameters
    ----------
    low_v, span_v : least v of each outline and how far it reaches (n_things,) [m]
    apart : distance in the tables between one outline's v and the next one's [m]
    chains : for both chains v and u of every corner, outline by outline [m]
    """

    low_v: np.ndarray
    span_v: np.ndarray
    apart: float
    chains: tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]

    @classmethod
    def make(
        cls, rings: list[np.ndarray], u: np.ndarray, v: np.ndarray, low_v: np.ndarray, high_v: np.ndarray
    ) -> _Outlines:
        """From u and v of all corners, the corners of each outline, and how far each reaches along v."""
        apart = 2.0 * float((high_v - low_v).max()) + 1.0
        begin = apart * np.arange(len(low_v)) - low_v
        parts: list[list[tuple[np.ndarray, np.ndarray]]] = [[], []]
        done = 0
        for ring in rings:
            rows, steps = np.arange(len(ring))[:, None], np.arange(ring.shape[1] + 1)
            # Once round from the corner of least v: up to the one of greatest v, and down again.
            start = np.argmin(v[ring], axis=1)[:, None]
            ring = ring[rows, (start + steps) % ring.shape[1]]
            along, place = u[ring], v[ring] + begin[done : done + len(ring), None]
            turn = np.argmax(place, axis=1)[:, None]
            up, down = steps <= turn, (steps >= turn)[:, ::-1]
            parts[0].append((place[up], along[up]))
            parts[1].append((place[:, ::-1][down], along[:, ::-1][down]))
            done += len(ring)
        one, other = ([np.concatenate(arrays) for arrays in zip(*chain, strict=True)] for chain in parts)
        return cls(low_v, high_v - low_v, apart, ((one[0], one[1]), (other[0], other[1])))

    def sides(self, thing: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Least and greatest u of outlines (n,) on the lines v = at (n_spots, n)."""
        place = np.clip(at - self.low_v[thing], 0.0, self.span_v[thing]) + self.apart * thing
        one, other = (np.interp(place, *chain) for chain in self.chains)
        return np.minimum(one, other), np.maximum(one, other)


def _extent(cells: Cells, way: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """From where to where each block reaches along a direction (n_blocks,) [m]."""
    middle, half = cells.middle @ way, cells.half @ np.abs(way)
    return middle - half, middle + half


def _stretches(block: np.ndarray, starts: np.ndarray) -> Iterator[tuple[int, int]]:
    """First cell and end of stretches of cells that hold some blocks (any order, repeated) and few others."""
    held = np.zeros(len(starts) + 1, bool)
    held[block + 1] = True
    first, end = starts[np.flatnonzero(np.diff(held)).reshape(-1, 2).T]
    apart = first[1:] - end[:-1] > WORTH_SKIPPING
    yield from zip(first[np.append(True, apart)].tolist(), end[np.append(apart, True)].tolist(), strict=True)


def _batches(count: np.ndarray) -> Iterator[slice]:
    """Stretches of pairs with about `MOST_RAYS` cells each."""
    total = np.concatenate([[0], np.cumsum(count)])
    at = 0
    while at < len(count):
        end = max(at + 1, int(np.searchsorted(total, total[at] + MOST_RAYS, side="right")) - 1)
        yield slice(at, end)
        at = end


def _ranges(starts: np.ndarray, count: np.ndarray) -> np.ndarray:
    """All whole numbers of several ranges, one after another."""
    skip = np.concatenate([[0], np.cumsum(count)[:-1]])
    return np.arange(count.sum()) + np.repeat(starts - skip, count)


def optical_depth(things: Things, over: Chords, altitude_deg: float, leaf_on: bool) -> np.ndarray:
    """Optical depth along each ray at one altitude above 0 (n_spots, n) [-]."""
    slope, k = np.tan(np.radians(altitude_deg)), over.thing
    stretch = np.minimum(over.far_m, (things.top_m / slope)[k]) - np.maximum(over.near_m, (things.base_m / slope)[k])
    # What is solid holds up any ray that runs through it at all.
    density = np.minimum(things.density(leaf_on), SOLID_PER_M)[k] / np.cos(np.radians(altitude_deg))
    return np.minimum(density * np.maximum(stretch, 0.0), SOLID)
