"""The edge of the shade: dim water a short step from sunlit water, where a fish sits hidden and sees what drifts by."""

from __future__ import annotations

import numpy as np

from reachmap.channel.model import Grid
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
    whole = terms.sun_lux + terms.moon_lux + terms.clear_lux + terms.overcast_lux
    own, step = sun_share[cells], edge_step(grid.cell_m)
    if terms.sun_lux <= 0.0:
        return np.zeros(len(own), np.float32)
    rows, cols = (index[cells] for index in grid.cells)
    best = own.astype(np.float32)
    for down, aside in ((0, step), (0, -step), (step, 0), (-step, 0)):
        beside = grid.at(rows + down, cols + aside)
        np.maximum(best, np.where(beside >= 0, sun_share[beside], 0.0), out=best)
    return (best - own) * np.float32(terms.sun_lux / whole)
