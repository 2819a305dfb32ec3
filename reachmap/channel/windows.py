"""Windows along the river, so that the cost of kriging grows with its length only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

WINDOW_FEWEST, WINDOW_MOST = 40, 900
"""Fewest and most points of a window."""

CELLS_ACROSS = 12
"""Cells across the river in which neighbours are averaged first where a window would hold too many points."""

WINDOW_STEP, WINDOW_REACH = 6.0, 9.0
"""Spacing of windows and how far points are taken to each side, in widths."""


def window_list(along: np.ndarray, width: float) -> list[tuple[float, float, np.ndarray]]:
    """Centre, half base of the blending weight, and the points of every window."""
    if len(along) < 2 * WINDOW_FEWEST or np.ptp(along) < 2 * WINDOW_STEP * width:
        return [(0.0, np.inf, np.arange(len(along)))]
    low, high = float(along.min()), float(along.max())
    count = max(1, round((high - low) / (WINDOW_STEP * width)))
    step = (high - low) / count
    out = []
    for k in range(count + 1):
        centre = low + k * step
        reach = WINDOW_REACH / WINDOW_STEP * step
        members = np.flatnonzero(np.abs(along - centre) <= reach)
        while len(members) < min(WINDOW_FEWEST, len(along)):
            reach *= 1.5
            members = np.flatnonzero(np.abs(along - centre) <= reach)
        out.append((centre, step, members))
    return out


@dataclass(frozen=True)
class Points:
    """What a field is fitted to.

    Parameters
    ----------
    places : channel coordinates (n, 2) [m]
    taper : of the field there (n,)
    values : measured (n,)
    groups : points of one group are left out together (n,) int
    """

    places: np.ndarray
    taper: np.ndarray
    values: np.ndarray
    groups: np.ndarray

    def __len__(self) -> int:
        return len(self.values)

    def part(self, which: np.ndarray) -> Points:
        """Some of them."""
        return Points(self.places[which], self.taper[which], self.values[which], self.groups[which])


def thin(points: Points, width: float) -> tuple[np.ndarray, Points]:
    """Average neighbours of one group until no window holds too many points; which average each point went into.

    Where there are more groups than that, neighbours of several become one of the first of theirs.
    """
    data = points
    own, cell = np.arange(len(points)), width / CELLS_ACROSS
    while max(len(members) for _, _, members in window_list(data.places[:, 0], width)) > WINDOW_MOST:
        places = np.floor(points.places / cell).astype(np.int64)
        places -= places.min(axis=0)
        wide = places.max(axis=0) + 1
        # Group, along and across as one number, which is far quicker to sort than rows are.
        apart = points.groups if cell <= width else 0 * points.groups
        key = (apart * wide[0] + places[:, 0]) * wide[1] + places[:, 1]
        _, first, own, counts = np.unique(key, return_index=True, return_inverse=True, return_counts=True)
        columns = (*points.places.T, points.taper, points.values)
        mean = [np.bincount(own, column) / counts for column in columns]
        order = np.lexsort((mean[3], mean[1], mean[0]))
        rank = np.empty(len(order), int)
        rank[order] = np.arange(len(order))
        own = rank[own]
        data = Points(np.column_stack(mean[:2]), mean[2], mean[3], points.groups[first]).part(order)
        cell *= 1.5
    return own, data
