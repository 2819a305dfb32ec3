"""Where one stands dry-shod, and how one wades to the water: from the land around it, not from an island in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
import shapely
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

from reachmap.channel.connected import reached
from reachmap.channel.cover import stones
from reachmap.channel.model import BESIDE, Channel, Grid
from reachmap.channel.sheet import Sheet
from reachmap.constants import Z90
from reachmap.threads import in_pieces
from reachmap.visit.wading import wading_class

ALONG = ((0, 1), (1, -1), (1, 0), (1, 1))
"""Steps down and right to half of the cells around one; the other half take theirs to it."""


@dataclass(frozen=True)
class Ways:
    """How one gets to where one stands.

    Parameters
    ----------
    bank : (n_wet,) bool, cells beside land one gets to dry-shod
    by_day, in_the_dark : (n_wet,) int8, see `_way_class`
    stones : boulders and piers, on which nobody is sent to stand
    """

    bank: np.ndarray
    by_day: np.ndarray
    in_the_dark: np.ndarray
    stones: BaseGeometry

    def wading(self, dark: bool) -> np.ndarray:
        """Wading class of the way to every cell, 3 where there is none."""
        return self.in_the_dark if dark else self.by_day


def find_ways(channel: Channel, redd: np.ndarray) -> Ways:
    """How one gets to where one stands, in daylight and in the dark; over no redd (n_wet,) bool."""
    bank = _bank_cells(channel)
    areas = shapely.union_all([area for _, area, _ in stones(channel.beat)])
    shapely.prepare(areas)
    by_day, in_the_dark = (_way_class(channel, bank, redd, dark) for dark in (False, True))
    return Ways(bank, by_day, in_the_dark, areas)


def _bank_cells(channel: Channel) -> np.ndarray:
    """Cells beside the land around the water, (n_wet,) bool.

    Not those beside an island only, nor those at the ends of the reach, where the river goes on.
    """
    grid = channel.grid
    beside = grid.beside_land()
    cell = np.concatenate(beside)
    row, col = (
        index[cell] + np.repeat(steps, [len(own) for own in beside])
        for index, steps in zip(grid.cells, np.transpose(BESIDE), strict=True)
    )
    out = np.zeros(grid.n_wet, bool)
    out[cell[~_on_islands(grid, row, col) & (channel["bank_distance"][cell] <= grid.cell_m)]] = True
    return out


def _on_islands(grid: Grid, row: np.ndarray, col: np.ndarray) -> np.ndarray:
    """Which cells of land, out of all those beside water, are an island's (n,) bool."""
    # Land beside water lies round it in rims. The top of a rim has water above it if the rim's land lies in the water.
    rim = Sheet.of_cells((grid.shape[0] + 2, grid.shape[1] + 2), row + 1, col + 1)
    rows, cols = rim.cells
    ends = []
    for down, aside in ALONG:
        other = rim.at(rows + down, cols + aside)
        ends.append((np.flatnonzero(other >= 0), other[other >= 0]))
    i, j = (np.concatenate(pair) for pair in zip(*ends, strict=True))
    label = connected_components(sp.coo_matrix((np.ones(len(i), bool), (i, j)), (len(rows),) * 2), directed=False)[1]
    top = np.unique(label, return_index=True)[1]
    island = grid.at(rows[top] - 2, cols[top] - 1) >= 0
    return island[label[rim.at(row + 1, col + 1)]]


def _way_class(channel: Channel, bank: np.ndarray, redd: np.ndarray, dark: bool) -> np.ndarray:
    """Wading class of the hardest step on the easiest way to every cell from a bank, 3 where there is none, (n_wet,).

    By the upper end of the 90 % band of depth and speed: nobody is sent to where an error of the map could sweep them
    off.

    Parameters
    ----------
    bank, redd : (n_wet,) bool, where one may step in and where nobody may tread
    dark : darkness makes wading harder
    """
    out = np.full(channel.grid.n_wet, 3, np.int8)
    # Where depth or speed is a guess nobody is sent into the water at all.
    if channel.depth_guessed or channel.speed_relative:
        return out
    unsure = channel.beat.visitor.unsure

    def klass(depth: np.ndarray, depth_sd: np.ndarray, speed: np.ndarray, speed_sd: np.ndarray) -> np.ndarray:
        return wading_class(depth + Z90 * depth_sd, speed + Z90 * speed_sd, dark, unsure)

    here = in_pieces(klass, *(channel[name] for name in ("depth", "depth_sd", "speed", "speed_sd")))
    here[redd] = 3
    for hardest in (2, 1):
        out[reached(channel.grid, here <= hardest, bank)] = hardest
    return out
