"""Which cells of the water hang together by their sides."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from reachmap.channel.model import Grid


def connected(grid: Grid, some: np.ndarray, block: int | None = None) -> tuple[int, np.ndarray]:
    """Connected pieces of some wet cells: how many, and the piece of each.

    Parameters
    ----------
    some : positions of the cells in a wet vector (n,), in rising order
    block : side of the blocks of cells [cells] that no piece leaves; None for pieces of any size
    """
    block = block or max(grid.shape) + 1
    rows, cols = (index[some] for index in grid.cells)
    # Cells that follow each other in a row of a block hang together anyhow, so only such runs are linked.
    begins = np.ones(len(some), bool)
    begins[1:] = (np.diff(cols) != 1) | (np.diff(rows) != 0) | (cols[1:] % block == 0)
    run = np.cumsum(begins, dtype=np.int32) - 1
    # One more, for what is no wet cell.
    of_cell = np.full(grid.n_wet + 1, -1, np.int32)
    of_cell[some] = run
    first = np.flatnonzero(begins)
    ends = []
    # Where two runs touch, one of them begins.
    for step, last in ((1, block - 1), (-1, 0)):
        own = first[rows[first] % block != last]
        other = of_cell[grid.at(rows[own] + step, cols[own])]
        ends.append((run[own[other >= 0]], other[other >= 0]))
    i, j = (np.concatenate(pair) for pair in zip(*ends, strict=True))
    links = sp.coo_matrix((np.ones(len(i), bool), (i, j)), (len(first), len(first)))
    n_pieces, piece = connected_components(links, directed=False)
    return n_pieces, piece[run]


def reached(grid: Grid, may: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Cells one gets to from any of `start` by the sides of those that one may take, all (n_wet,) bool."""
    some = np.flatnonzero(may)
    n_pieces, piece = connected(grid, some)
    held = np.zeros(n_pieces, bool)
    held[piece[start[some]]] = True
    out = np.zeros(grid.n_wet, bool)
    out[some] = held[piece]
    return out
