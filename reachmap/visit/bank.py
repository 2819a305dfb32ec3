"""Where one stands dry-shod, and how one wades from there: from either bank, not from an island in the water."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
import shapely
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

from reachmap.channel.connected import connected
from reachmap.channel.cover import stones
from reachmap.channel.model import BESIDE, Channel, Grid
from reachmap.channel.sheet import Sheet
from reachmap.constants import Z90
from reachmap.light.heights import grounds
from reachmap.threads import in_pieces
from reachmap.visit.land import HIGHEST_M, Land
from reachmap.visit.wading import wading_class

ALONG = ((0, 1), (1, -1), (1, 0), (1, 1))
"""Steps down and right to half of the cells around one; the other half take theirs to it."""

BANKS = {"left": 1, "right": 2, "either": 3}
"""Banks one comes from, as the bits of a number; left is the true left, looking downstream."""

SIDES = (BANKS["left"], BANKS["right"])


@dataclass(frozen=True)
class Way:
    """How one gets to every cell of the water in one light, all (n_wet,) int8.

    Parameters
    ----------
    klass : wading class of the hardest step on the easiest way there, 3 where there is none
    banks : those from which there is a way, as in `BANKS`, 0 where there is none
    """

    klass: np.ndarray
    banks: np.ndarray

    @cached_property
    def crosses(self) -> bool:
        """Whether one may wade from bank to bank."""
        return bool((self.banks == BANKS["either"]).any())


@dataclass(frozen=True)
class Ways:
    """How one gets to where one stands.

    Parameters
    ----------
    bank : (n_wet,) int8, which bank a cell beside land one gets to dry-shod belongs to, as in `BANKS`; 0 of others
    by_day, in_the_dark : by wading
    stones : boulders and piers, on which nobody is sent to stand
    bridged : whether a bridge leads over the water
    land : beside it
    shut : share of the banks that stand too high to be stood on or come down from
    """

    bank: np.ndarray
    by_day: Way
    in_the_dark: Way
    stones: BaseGeometry
    bridged: bool
    land: Land
    shut: float

    def wading(self, dark: bool) -> Way:
        """How one gets to every cell in daylight or in the dark."""
        return self.in_the_dark if dark else self.by_day

    def crossed(self, dark: bool) -> bool:
        """Whether one gets from bank to bank, over a bridge or where one may wade."""
        return self.bridged or self.wading(dark).crosses


def find_ways(channel: Channel, redd: np.ndarray) -> Ways:
    """How one gets to where one stands, in daylight and in the dark; over no redd (n_wet,) bool."""
    left = np.where(channel["across"] > 0.0, np.int8(BANKS["left"]), np.int8(BANKS["right"]))
    bank, land = left * _bank_cells(channel), Land(channel)
    entered = np.flatnonzero(bank)
    # Nobody gets down a cliff, nor through a wood that a surface model shows like one.
    x, y = channel.grid.points(entered).T
    high = land.rise(x, y, entered) > HIGHEST_M
    bank[entered[high]] = 0
    areas = shapely.union_all([area for _, area, _ in stones(channel.beat)])
    shapely.prepare(areas)
    by_day, in_the_dark = (_way(channel, bank, redd, dark) for dark in (False, True))
    shut = float(high.mean()) if len(high) else 0.0
    return Ways(bank, by_day, in_the_dark, areas, _bridged(channel, bank), land, shut)


def _bridged(channel: Channel, bank: np.ndarray) -> bool:
    """Whether a bridge of the shade file comes as near as a cell and a half to either bank (as in `Ways`)."""
    shade, reach_m = channel.beat.shade, 1.5 * channel.grid.cell_m
    places = [shapely.points(channel.grid.points(np.flatnonzero(bank == side))) for side in SIDES]
    areas = grounds(shade[shade["kind"] == "bridge"])
    return any(all(shapely.dwithin(area, at, reach_m).any() for at in places) for area in areas)


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


def _way(channel: Channel, bank: np.ndarray, redd: np.ndarray, dark: bool) -> Way:
    """How one gets to every cell from either bank.

    By the upper end of the 90 % band of depth and speed: nobody is sent to where an error of the map could sweep them
    off.

    Parameters
    ----------
    bank : (n_wet,) int8, as in `Ways`: where one may step in
    redd : (n_wet,) bool, where nobody may tread
    dark : darkness makes wading harder
    """
    out = Way(np.full(channel.grid.n_wet, 3, np.int8), np.zeros(channel.grid.n_wet, np.int8))
    # Where depth or speed is a guess nobody is sent into the water at all.
    if channel.depth_guessed or channel.speed_relative:
        return out
    unsure = channel.beat.visitor.unsure

    def klass(depth: np.ndarray, depth_sd: np.ndarray, speed: np.ndarray, speed_sd: np.ndarray) -> np.ndarray:
        return wading_class(depth + Z90 * depth_sd, speed + Z90 * speed_sd, dark, unsure)

    here = in_pieces(klass, *(channel[name] for name in ("depth", "depth_sd", "speed", "speed_sd")))
    here[redd] = 3
    for hardest in (2, 1):
        some = np.flatnonzero(here <= hardest)
        n_pieces, piece = connected(channel.grid, some)
        touched = np.zeros(n_pieces, np.int8)
        for side in SIDES:
            touched[piece[bank[some] == side]] |= side
        banks = touched[piece]
        out.klass[some[banks > 0]] = hardest
        # Whatever can be waded with usual care can be with strong care.
        out.banks[some] |= banks
    return out
