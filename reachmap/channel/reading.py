"""Node values of a mesh read back on every wet cell, quarter of a block by quarter of a block.

The same quarter of every block is read with the same weights of the four nodes around it, so reading back is one small
matrix product for all of them. Between four full blocks it is bilinear; elsewhere each node that is there counts with
its own linear piece.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from reachmap.threads import side_by_side

if TYPE_CHECKING:
    from reachmap.channel.mesh import Mesh


@dataclass(frozen=True)
class Quarter:
    """The same quarter of every block, of q cells.

    Parameters
    ----------
    weights : (4, q) float32, of the nodes around: own, beside, above or below, across the corner
    full : (k, 4) int32, the nodes around where all four blocks are full
    cells : (k, q) int32, position of its cells in the wet vector there
    partly : (j, 4) int32, the nodes around elsewhere; any where there is none
    there : (j, 4) float32, 1 where there is one, else 0
    away : (2, j, 4) float64, from each of them to the middle of the block, east and north [m]
    off : (2, q) float32, from the middle of the block to each of its cells, east and north [m]
    edge : (e,) int32, position of the cells elsewhere in the wet vector
    place : (e,) int32, their place among the j * q cells
    """

    weights: np.ndarray
    full: np.ndarray
    cells: np.ndarray
    partly: np.ndarray
    there: np.ndarray
    away: np.ndarray
    off: np.ndarray
    edge: np.ndarray
    place: np.ndarray

    def read(self, values: np.ndarray, slopes: np.ndarray, out: np.ndarray) -> None:
        """Write node values (n,) with their slopes (n, 2) on the cells of this quarter into a wet vector `out`."""
        out[self.cells] = values.astype(np.float32)[self.full] @ self.weights
        if not len(self.edge):
            return
        along_x, along_y = slopes[self.partly, 0], slopes[self.partly, 1]
        in_middle = values[self.partly] + along_x * self.away[0] + along_y * self.away[1]
        known = np.concatenate([part * self.there for part in (in_middle, along_x, along_y)], axis=1)
        basis = np.concatenate([self.weights, self.weights * self.off[0], self.weights * self.off[1]])
        read = (known.astype(np.float32) @ basis) / (self.there @ self.weights)
        out[self.edge] = read.reshape(-1)[self.place]


@dataclass(frozen=True)
class Reading:
    """How every wet cell is read, planned once for a mesh."""

    quarters: tuple[Quarter, ...]

    @classmethod
    def plan(cls, mesh: Mesh) -> Reading:
        """Work out what every reading back needs."""
        m, grid = mesh.merge, mesh.grid
        # In a full block the cells of a row follow each other in the wet vector.
        row, col = (index[mesh.full, None].astype(np.int32) for index in mesh.blocks)
        starts = np.empty((mesh.n, m), np.int32)
        starts[mesh.full] = grid.at(row * m + np.arange(m, dtype=np.int32), col * m)
        left = np.ones(grid.n_wet, bool)
        ways = [(south, east) for south in (False, True) for east in (False, True)]

        def between_full(way: tuple[bool, bool]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
            nodes = _around(mesh, *way)
            whole = ((nodes >= 0) & mesh.full[nodes]).all(axis=1)
            rows, cols = _within(m, *way)
            cells = starts[whole][:, rows, None] + cols.astype(np.int32)
            left[cells] = False
            return nodes, nodes[whole], cells.reshape(len(cells), -1)

        found = side_by_side(between_full, ways)
        edge = np.flatnonzero(left).astype(np.int32)
        down, aside = (index[edge] % m for index in grid.cells)
        number = 2 * (2 * down + 1 >= m) + (2 * aside + 1 >= m)

        def elsewhere(k: int) -> Quarter:
            nodes, full, cells = found[k]
            south, east = ways[k]
            rows, cols = _within(m, south, east)
            mine = np.flatnonzero(number == k)
            own = mesh.of_cell[edge[mine]]
            partly, order = np.unique(own, return_inverse=True)
            inside = (down[mine] - rows[0]) * len(cols) + aside[mine] - cols[0]
            around = nodes[partly]
            middle = [(index[partly, None] + 0.5) * mesh.size_m for index in mesh.blocks]
            away = np.stack([grid.x0 + middle[1] - mesh.x[around], grid.y1 - middle[0] - mesh.y[around]])
            off_down, off_east = ((index + 0.5) / m - 0.5 for index in (rows, cols))
            share_down, share_east = np.repeat(np.abs(off_down), len(cols)), np.tile(np.abs(off_east), len(rows))
            weights = [
                (1 - share_east) * (1 - share_down),
                share_east * (1 - share_down),
                (1 - share_east) * share_down,
                share_east * share_down,
            ]
            off = mesh.size_m * np.stack([np.tile(off_east, len(rows)), -np.repeat(off_down, len(cols))])
            return Quarter(
                np.stack(weights).astype(np.float32),
                full,
                cells,
                around,
                (around >= 0).astype(np.float32),
                away,
                off.astype(np.float32),
                edge[mine],
                (order * len(share_east) + inside).astype(np.int32),
            )

        return cls(tuple(side_by_side(elsewhere, range(len(ways)))))

    def read(self, columns: np.ndarray, slopes: np.ndarray, n_wet: int) -> np.ndarray:
        """Node values (n, k) with their slopes (n, 2, k) on all wet cells, float32 (n_wet, k)."""
        out = np.empty((columns.shape[1], n_wet), np.float32)
        parts = list(product(range(len(out)), self.quarters))
        side_by_side(lambda part: part[1].read(columns[:, part[0]], slopes[:, :, part[0]], out[part[0]]), parts)
        return out.T


def _within(m: int, south: bool, east: bool) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of a block that make up one quarter; a middle one belongs to both sides, and reads the same."""
    rows, cols = (np.arange(m // 2, m) if far else np.arange((m + 1) // 2) for far in (south, east))
    return rows, cols


def _around(mesh: Mesh, south: bool, east: bool) -> np.ndarray:
    """The four nodes around a quarter of every node's block, (n, 4) int32 with -1 where no water leads to one."""
    side, down = mesh.neighbours[:, int(east)], mesh.neighbours[:, 2 + int(south)]
    far = np.where(side >= 0, mesh.neighbours[side, 2 + int(south)], -1)
    far = np.where((far < 0) & (down >= 0), mesh.neighbours[down, int(east)], far)
    return np.column_stack([np.arange(mesh.n), side, down, far]).astype(np.int32)
