"""The edge of the shade: dim water a short step from sunlit water, where a fish sits hidden and sees what drifts by."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from reachmap.channel.model import Grid
from reachmap.layers import WetCells
from reachmap.light.bed import BedTerms

EDGE_REACH_M = 1.0
"""How far beside a place the sun may shine for it to count as the edge [m]; assumed: a short dash."""


def edge_step(cell_m: float) -> int:
    """Cells to the place beside that is looked at."""
    return max(1, round(EDGE_REACH_M / cell_m))


def shade_edge(grid: Grid, sun_share: np.ndarray, terms: BedTerms, cells: slice = slice(None)) -> np.ndarray:
    """The `shade_edge` layer of some cells: how much more sun reaches the water beside each than it, 0-1, float32.

    The sunniest of the cells one reach to the east, west, north and south counts, less the cell itself, times the
    sun's share of all light: nothing under a grey sky or by night, 1 one step inside a sharp shadow under a bright one.

    Parameters
    ----------
    grid : the cells
    sun_share : (n_wet,) share of the sun's beam that reaches each cell, 0-1
    terms : of the moment, which say how much of the light the sun brings
    cells : which of the wet cells to work out
    """
    own = sun_share[cells]
    if terms.sun_lux <= 0.0:
        return np.zeros(len(own), np.float32)
    best = own.astype(np.float32)
    for beside in cells_beside(grid, cells):
        np.maximum(best, np.where(beside >= 0, sun_share[beside], 0.0), out=best)
    return (best - own) * np.float32(sun_part(terms))


def cells_beside(grid: Grid, cells: WetCells = slice(None)) -> Iterator[np.ndarray]:
    """The cells looked at beside each of some: one reach to the east, west, north and south, -1 where there is none."""
    step = edge_step(grid.cell_m)
    rows, cols = (index[cells] for index in grid.cells)
    for down, aside in ((0, step), (0, -step), (step, 0), (-step, 0)):
        yield grid.at(rows + down, cols + aside)


def sun_part(terms: BedTerms) -> float:
    """The sun's share of all light of a moment, 0 by night."""
    whole = terms.sun_lux + terms.moon_lux + terms.clear_lux + terms.overcast_lux
    return terms.sun_lux / whole if terms.sun_lux > 0.0 else 0.0
