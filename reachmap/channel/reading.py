"""Node values of a mesh read back on every wet cell, block by block.

Inside a quarter of a full block whose three neighbouring blocks are full too, reading back is bilinear with the same
weights in every block: one small matrix product for all of them. Only cells near the banks need weights of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from reachmap.threads import pieces, side_by_side

if TYPE_CHECKING:
    from reachmap.channel.mesh import Mesh


@dataclass(frozen=True)
class Quarter:
    """The same quarter of many full blocks.

    Parameters
    ----------
    nodes : (k, 4) int32, the four nodes around it: own, beside, above or below, across the corner
    cells : (k, q) int32, position of its cells in the wet vector
    weights : (4, q) float32
    """

    nodes: np.ndarray
    cells: np.ndarray
    weights: np.ndarray


@dataclass(frozen=True)
class Reading:
    """How every wet cell is read: quarters of full blocks, and the rest by a sparse matrix.

    Parameters
    ----------
    quarters : cells between four full blocks
    rest : positions of the other cells in the wet vector (e,), in pieces, each with its rows (e, 3 n) of a sparse
        float32 matrix, whose columns are node values, slopes along x and slopes along y
    """

    quarters: tuple[Quarter, ...]
    rest: list[tuple[np.ndarray, sp.csr_matrix]]

    @classmethod
    def plan(cls, mesh: Mesh) -> Reading:
        """Work out once for a mesh what every reading back needs."""
        quarters = tuple(_quarter(mesh, east, south) for east, south in product((False, True), repeat=2))
        left = np.ones(mesh.grid.n_wet, bool)
        for quarter in quarters:
            left[quarter.cells.ravel()] = False
        cells = np.flatnonzero(left).astype(np.int32)
        return cls(quarters, side_by_side(lambda part: _rows(mesh, cells[part]), pieces(len(cells))))

    def read(self, columns: np.ndarray, slopes: np.ndarray, n_wet: int) -> np.ndarray:
        """Node values (n, k) with their slopes (n, 2, k) on all wet cells, float32 (n_wet, k)."""
        out = np.empty((columns.shape[1], n_wet), np.float32)
        known = np.concatenate([columns, slopes[:, 0], slopes[:, 1]]).astype(np.float32)

        def fill(part: tuple[np.ndarray, sp.csr_matrix]) -> None:
            cells, rows = part
            out[:, cells] = (rows @ known).T

        def lay(part: tuple[np.ndarray, np.ndarray, Quarter]) -> None:
            column, values, quarter = part
            column[quarter.cells] = values[quarter.nodes] @ quarter.weights

        side_by_side(fill, self.rest)
        each = zip(out, columns.T.astype(np.float32), strict=True)
        side_by_side(lay, [(*pair, quarter) for pair in each for quarter in self.quarters])
        return out.T


def _quarter(mesh: Mesh, east: bool, south: bool) -> Quarter:
    """The quarter of every full block that lies between full blocks, on one side each way."""
    m, full = mesh.merge, mesh.full
    own = np.flatnonzero(full)
    side, down = mesh.neighbours[own, int(east)], mesh.neighbours[own, 2 + int(south)]
    across = np.where(side >= 0, mesh.neighbours[side, 2 + int(south)], -1)
    nodes = np.column_stack([own, side, down, across]).astype(np.int32)
    kept = ((nodes >= 0) & full[nodes]).all(axis=1)
    nodes = nodes[kept]
    # A middle row or column belongs to both sides and reads the same from either.
    cols, rows = (np.arange(m // 2, m) if far else np.arange((m + 1) // 2) for far in (east, south))
    off_x, off_y = (np.abs((index + 0.5) / m - 0.5) for index in (cols, rows))
    wx, wy = np.tile(off_x, len(rows)), np.repeat(off_y, len(cols))
    weights = np.stack([(1 - wx) * (1 - wy), wx * (1 - wy), (1 - wx) * wy, wx * wy])
    within = (rows[:, None] * m + cols).ravel()
    starts = mesh.cell_starts[nodes[:, 0]]
    return Quarter(nodes, mesh.cells_by_node[starts[:, None] + within], weights.astype(np.float32))


def _rows(mesh: Mesh, cells: np.ndarray) -> tuple[np.ndarray, sp.csr_matrix]:
    """Cells whose four blocks are not all full, and their rows of the matrix: each node's own linear piece."""
    x, y = mesh.grid.points(cells).T
    nodes, weights = mesh.corners(cells, x, y)
    nodes = np.maximum(nodes, 0)
    dx, dy = x[:, None] - mesh.x[nodes], y[:, None] - mesh.y[nodes]
    data = np.concatenate([weights, weights * dx, weights * dy], axis=1).astype(np.float32)
    columns = np.concatenate([nodes, nodes + mesh.n, nodes + 2 * mesh.n], axis=1).astype(np.int32)
    starts = np.arange(0, data.size + 1, 12, dtype=np.int32)
    return cells, sp.csr_matrix((data.ravel(), columns.ravel(), starts), (len(cells), 3 * mesh.n))
