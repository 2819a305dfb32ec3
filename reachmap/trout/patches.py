"""Patches of neighbouring good cells: hills of the score, merged by how deep the dip between them is.

A plain threshold breaks a noisy map into speckle. Here every cell climbs to the top it lies below (steepest ascent),
tops that dip less than `prominence` before they meet are one hill (topological persistence, Edelsbrunner, Letscher &
Zomorodian 2002, Discrete Comput. Geom. 28:511; from memory), and a patch is the upper part of a hill.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from reachmap.channel.model import Grid

NEIGHBOURS = ((0, 1), (1, -1), (1, 0), (1, 1))
"""Half of the eight neighbours, as (row, column) steps; the others are the same pairs seen from the other side."""


@dataclass(frozen=True)
class Patch:
    """Cells of one patch (positions in a wet vector, best first) and the score of its top."""

    cells: np.ndarray
    top: float


def neighbour_pairs(grid: Grid, cells: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Every pair of touching cells (sides and corners) among some wet cells, as two int32 vectors.

    `cells` are positions in the wet vector in rising order, None takes all; the pairs are positions among those.
    """
    rows, cols = grid.cells if cells is None else (index[cells] for index in grid.cells)
    place = np.full(grid.n_wet + 1, -1, np.int32)
    place[slice(0, -1) if cells is None else cells] = np.arange(len(rows), dtype=np.int32)
    firsts, seconds = [], []
    for down, right in NEIGHBOURS:
        # Dry neighbours are -1 and take the last, which is none.
        other = place[grid.at(rows + down, cols + right)]
        first = np.flatnonzero(other >= 0).astype(np.int32)
        firsts.append(first)
        seconds.append(other[first])
    return np.concatenate(firsts), np.concatenate(seconds)


def hills(
    score: np.ndarray, pairs: tuple[np.ndarray, np.ndarray], prominence: float, least_top: float = 0.0
) -> tuple[np.ndarray, np.ndarray, tuple[np.ndarray, np.ndarray]]:
    """The hill each cell belongs to, named by the position of its top, and the top right above it (n_wet,); `_borders`.

    Parameters
    ----------
    score : (n_wet,)
    pairs : touching cells, from `neighbour_pairs`
    prominence : tops that dip less than this before they meet a higher one join it
    least_top : lower tops are left as they are; spares the work where nobody asks

    Notes
    -----
    Linear in cells but for sorting the borders between hills.
    """
    top = _climb(score, pairs)
    borders = _borders(top, pairs)
    return _merged(score, top, borders, prominence, least_top)[top], top, borders


def _borders(top: np.ndarray, pairs: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """The pairs whose cells lie below different tops."""
    apart = np.flatnonzero(top[pairs[0]] != top[pairs[1]])
    return pairs[0][apart], pairs[1][apart]


def _merged(
    score: np.ndarray, top: np.ndarray, borders: tuple[np.ndarray, np.ndarray], prominence: float, least_top: float
) -> np.ndarray:
    """For every top the top of the hill it belongs to (n_wet,); cells that are no tops name themselves."""
    low, high, saddle = _saddles(score, top, borders, least_top)
    names = np.unique(np.concatenate([low, high]))
    parent = {int(t): int(t) for t in names}

    def find(node: int) -> int:
        while parent[node] != node:
            parent[node] = node = parent[parent[node]]
        return node

    for one, other, level in zip(low.tolist(), high.tolist(), saddle.tolist(), strict=True):
        a, b = find(one), find(other)
        # The lower top ends here; of equal tops the one later in the vector.
        keep, end = (a, b) if (score[a], -a) > (score[b], -b) else (b, a)
        if a != b and score[end] - level < prominence:
            parent[end] = keep
    name = np.arange(len(score), dtype=np.int32)
    name[names] = [find(int(t)) for t in names]
    return name


def _saddles(
    score: np.ndarray, top: np.ndarray, borders: tuple[np.ndarray, np.ndarray], least_top: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every two tops whose slopes touch and the height of the highest way between them, highest first."""
    a, b = top[borders[0]], top[borders[1]]
    asked = (score[a] >= least_top) & (score[b] >= least_top)
    a, b = np.minimum(a, b)[asked], np.maximum(a, b)[asked]
    level = np.minimum(score[borders[0][asked]], score[borders[1][asked]])
    # Highest first, so that the first of every two hills is the height of the best way between them.
    order = np.argsort(-level, kind="stable")
    first = np.unique((a.astype(np.int64) * len(score) + b)[order], return_index=True)[1]
    best = order[first]
    best = best[np.argsort(-level[best], kind="stable")]
    return a[best], b[best], level[best]


def find_patches(
    score: np.ndarray,
    grid: Grid,
    along: np.ndarray,
    *,
    least_score: float,
    prominence: float,
    fall: float,
    area_m2: tuple[float, float],
    most_span: float,
) -> list[Patch]:
    """Patches of one score map, best top first.

    Parameters
    ----------
    score, along : (n_wet,), score and distance downstream [m]
    least_score : cells below this belong to no patch
    prominence : see `hills`
    fall : a patch reaches this far below its top
    area_m2 : least and greatest area [m2]; a larger patch is cut to its best cells
    most_span : a hill hardly lower than its top (by `prominence`) through more than this share of the reach is no
        place of its own and is left out
    """
    reach = max(float(np.ptp(along)), grid.cell_m)
    # A way between two patches that dips below this parts them, so lower cells need no look.
    high = np.flatnonzero(score >= least_score - prominence)
    score, along = score[high], along[high]
    hill, below, borders = hills(score, neighbour_pairs(grid, high), prominence, least_score)
    good = (score >= score[hill] - fall) & (score >= least_score)
    part = _connected(good, hill, below, borders)
    out = []
    tops = np.flatnonzero(good & (hill == np.arange(len(hill), dtype=np.int32)))
    for top, group in zip(tops.tolist(), _around(tops, part, good), strict=True):
        level = group[score[group] >= score[top] - prominence]
        if np.ptp(along[level]) > most_span * reach:
            continue
        far = np.hypot(*(grid.points(high[group]) - grid.points(high[[top]])).T)
        kept = _best(group, score[group], far, int(area_m2[1] / grid.cell_m**2))
        if len(kept) * grid.cell_m**2 >= area_m2[0]:
            out.append(Patch(high[kept], float(score[top])))
    return sorted(out, key=lambda p: (-p.top, int(p.cells[0])))


def _climb(score: np.ndarray, pairs: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """The top each cell reaches by always stepping to its highest neighbour; ties go to the earlier cell."""
    n = len(score)
    # Score above, earlier place below: one whole number that compares like both. Positive floats order as integers do.
    height = np.maximum(score, 0).astype(np.float32).view(np.int32).astype(np.int64)
    key = (height << 32) + np.arange(n - 1, -1, -1)
    best = key.copy()
    for one, other in _runs(pairs):
        best[one] = np.maximum(best[one], key[other])
        best[other] = np.maximum(best[other], key[one])
    step = (n - 1 - (best & 0xFFFFFFFF)).astype(np.int32)
    while True:
        further = step[step]
        if np.array_equal(further, step):
            return step
        step = further


def _runs(pairs: tuple[np.ndarray, np.ndarray]) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Pairs cut into stretches in which no cell comes twice on one side, so that plain assignment is enough."""
    one, other = pairs
    back = np.flatnonzero((np.diff(one) <= 0) | (np.diff(other) <= 0)) + 1
    for start, end in pairwise([0, *back.tolist(), len(one)]):
        yield one[start:end], other[start:end]


def _connected(
    good: np.ndarray, hill: np.ndarray, top: np.ndarray, borders: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """Number of the connected part of its hill that each good cell belongs to (n_wet,).

    Good cells below one top hang together by way of it, as the way up is as good; so only the borders need a look.
    """
    one, other = borders
    joined = good[one] & good[other] & (hill[one] == hill[other])
    tops = np.flatnonzero(top == np.arange(len(top), dtype=np.int32))
    number = np.empty(len(top), np.int32)
    number[tops] = np.arange(len(tops), dtype=np.int32)
    number = number[top]
    ends = number[one[joined]], number[other[joined]]
    links = coo_array((np.ones(len(ends[0]), np.int8), ends), shape=(len(tops), len(tops)))
    return connected_components(links, directed=False)[1][number]


def _around(tops: np.ndarray, part: np.ndarray, good: np.ndarray) -> list[np.ndarray]:
    """The good cells of the part that each top lies in, in rising order."""
    number = np.full(int(part.max(initial=0)) + 1, len(tops), np.int32)
    number[part[tops]] = np.arange(len(tops))
    group = np.where(good, number[part], len(tops))
    # Short numbers are sorted by their digits, several times faster.
    order = np.argsort(group.astype(np.uint16) if len(tops) < 1 << 16 else group, kind="stable")
    ends = np.cumsum(np.bincount(group, minlength=len(tops) + 1))
    return np.split(order, ends[:-1])[:-1]


def _best(cells: np.ndarray, score: np.ndarray, far_m: np.ndarray, most: int) -> np.ndarray:
    """The best cells of a patch, best first, at most so many; `far_m` is how far from the top each lies."""
    # A cell 10 m off counts 0.1 less, so that a patch cut to size stays one round patch and not a thin ridge.
    cost, most = 0.01 * far_m - score, min(max(1, most), len(cells))
    able = np.flatnonzero(cost <= np.partition(cost, most - 1)[most - 1])
    return cells[able[np.argsort(cost[able], kind="stable")]][:most]
