"""The coarse mesh that slow fields are solved on: pieces of water in blocks of cells, linked where water touches.

A node is one connected piece of water inside a block about a twelfth of the width, so two arms that share a block
across a thin neck of land stay apart, every wet cell belongs to exactly one node, and nothing read back from the
mesh has crossed land.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from reachmap.channel.connected import connected
from reachmap.channel.model import Grid
from reachmap.channel.reading import Blocks, Lean, Reading
from reachmap.channel.sheet import Sheet
from reachmap.threads import pieces, side_by_side


@dataclass(frozen=True)
class Mesh:
    """Nodes and links over the wet cells of a grid.

    Parameters
    ----------
    grid : the cells
    merge : cells along the side of a block
    of_cell : (n_wet,) int32, node of every wet cell
    x, y : (n,) middle of the water of each node [m]
    cells_in : (n,) number of wet cells of each node
    first, second : (m,) int32, nodes at both ends of every link; the `n_east` links west to east come first
    touch_m : (m,) width of the water both nodes share [m]
    """

    grid: Grid
    merge: int
    of_cell: np.ndarray
    x: np.ndarray
    y: np.ndarray
    cells_in: np.ndarray
    first: np.ndarray
    second: np.ndarray
    touch_m: np.ndarray
    n_east: int

    @property
    def n(self) -> int:
        """Number of nodes."""
        return len(self.x)

    @property
    def size_m(self) -> float:
        """Side of a block [m]."""
        return self.merge * self.grid.cell_m

    @cached_property
    def area_m2(self) -> np.ndarray:
        """Water of each node (n,) [m2]."""
        return self.cells_in * self.grid.cell_m**2

    @cached_property
    def conductance(self) -> np.ndarray:
        """Shared width over distance of every link (m,) [-]; 1 between two full blocks."""
        apart = np.hypot(self.x[self.first] - self.x[self.second], self.y[self.first] - self.y[self.second])
        return self.touch_m / np.maximum(apart, 0.5 * self.size_m)

    @cached_property
    def components(self) -> tuple[int, np.ndarray]:
        """How many separate waters there are, and the number of each node's (n,)."""
        return connected_components(self.matrix(np.ones(len(self.first))), directed=False)

    def nodes_of(self, cells: np.ndarray) -> np.ndarray:
        """Nodes that hold any of some cells, given as bool (n_wet,); bool (n,)."""
        out = np.zeros(self.n, bool)
        out[self.of_cell[cells]] = True
        return out

    def matrix(self, weight: np.ndarray) -> sp.csr_matrix:
        """Symmetric (n, n) matrix with a weight per link."""
        pairs = (np.concatenate([self.first, self.second]), np.concatenate([self.second, self.first]))
        out = sp.coo_matrix((np.concatenate([weight, weight]), pairs), (self.n, self.n)).tocsr()
        out.eliminate_zeros()
        return out

    @cached_property
    def neighbours(self) -> np.ndarray:
        """(n, 4) node west, east, north, south of each (the one sharing most water), -1 where there is none."""
        out = np.full((self.n, 4), -1, np.int32)
        order = np.argsort(self.touch_m, kind="stable")
        for east, keep in ((True, order[order < self.n_east]), (False, order[order >= self.n_east])):
            first, second = self.first[keep], self.second[keep]
            out[first, 1 if east else 3] = second
            out[second, 0 if east else 2] = first
        return out

    def gradient(self, values: np.ndarray) -> np.ndarray:
        """Slope of node values (n,) along x and y, (n, 2): least squares over linked nodes.

        Where the links of a node lie in one line, the slope across it is that of its neighbours.
        """
        i = np.concatenate([self.first, self.second])
        j = np.concatenate([self.second, self.first])
        dx, dy, dv = (np.asarray(a[j] - a[i], float) for a in (self.x, self.y, values))
        xx, xy, yy, xv, yv = (np.bincount(i, a, self.n) for a in (dx * dx, dx * dy, dy * dy, dx * dv, dy * dv))
        least = (xx + yy) / 2 - np.hypot((xx - yy) / 2, xy)
        sure = least > 0.05 * self.size_m**2
        slope = np.zeros((self.n, 2))
        slope[sure] = _solve2(xx[sure], xy[sure], yy[sure], xv[sure], yv[sure])
        near = self.matrix(np.ones(len(self.first)))
        for _ in range(2):
            if sure.all():
                break
            count = near @ sure.astype(float)
            prior = (near @ (slope * sure[:, None])) / np.maximum(count, 1.0)[:, None]
            fill = ~sure & (count > 0)
            # A ridge toward the neighbours' slope decides only what the node's own links leave open.
            ridge = 1e-3 * self.size_m**2
            slope[fill] = _solve2(
                xx[fill] + ridge,
                xy[fill],
                yy[fill] + ridge,
                xv[fill] + ridge * prior[fill, 0],
                yv[fill] + ridge * prior[fill, 1],
            )
            sure = sure | fill
        return slope

    def read(self, values: np.ndarray, cell: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Node values at points, blended from the linear pieces of the nodes around each.

        Parameters
        ----------
        values : (n, k) or (n,) node values
        cell : (p,) position in the wet vector of the cell each point lies in
        x, y : (p,) where [m]

        Returns
        -------
        (p, k) or (p,) float64
        """
        columns = values[:, None] if values.ndim == 1 else values
        nodes, weights = self.corners(cell, x, y)
        out = np.einsum("pc,pck->pk", weights, columns[nodes])
        # Between four full blocks plain bilinear blending is exact for a plane; elsewhere the slopes are needed.
        edge = np.flatnonzero(~((nodes >= 0) & self.full[nodes]).all(axis=1))
        nodes, weights = nodes[edge], weights[edge]
        slopes = self._slopes(columns)[nodes]
        dx, dy = x[edge][:, None] - self.x[nodes], y[edge][:, None] - self.y[nodes]
        out[edge] += np.einsum("pc,pck->pk", weights * dx, slopes[:, :, 0])
        out[edge] += np.einsum("pc,pck->pk", weights * dy, slopes[:, :, 1])
        return out[:, 0] if values.ndim == 1 else out

    def sum_cells(self, values: np.ndarray) -> np.ndarray:
        """Sum over the wet cells of every node, of a wet vector (n_wet,), float64 (n,)."""
        out = np.zeros(self.n)
        # In pieces, as bincount makes everything eight bytes wide.
        for cells in pieces(len(values)):
            out += np.bincount(self.of_cell[cells], values[cells], self.n)
        return out

    def read_cells(self, values: np.ndarray) -> np.ndarray:
        """Node values (n,) or (n, k) on every wet cell, float32 (n_wet,) or (n_wet, k)."""
        columns = values[:, None] if values.ndim == 1 else values
        slopes = self._slopes(columns)
        leans: list[Lean | None] = [
            Lean(slopes[:, 0, k], slopes[:, 1, k], self.x, self.y) for k in range(columns.shape[1])
        ]
        out = self._reading.read(columns.T, leans)
        return out[0] if values.ndim == 1 else out.T

    def _slopes(self, columns: np.ndarray) -> np.ndarray:
        """Slopes along x and y of node values (n, k), (n, 2, k)."""
        return np.stack([self.gradient(column) for column in columns.T], axis=2)

    @cached_property
    def _reading(self) -> Reading:
        # The middle of some of a block's cells is at least half a cell from its edge.
        down, aside = (self.grid.y1 - self.y) / self.size_m, (self.x - self.grid.x0) / self.size_m
        rows, cols = down.astype(np.int32), aside.astype(np.int32)
        return Reading.plan(Blocks(self.grid, self.merge, self.of_cell, rows, cols, self.full, self._around))

    def _around(self, south: bool, east: bool) -> np.ndarray:
        """The four nodes around a quarter of every node's block, see `Blocks`."""
        return self._corner(np.arange(self.n, dtype=np.int32), int(east), 2 + int(south))

    def _corner(self, own: np.ndarray, aside: np.ndarray | int, along: np.ndarray | int) -> np.ndarray:
        """Nodes `own` (n,), their neighbours in two columns of `neighbours`, and the one that is both's (n, 4)."""
        side, down = self.neighbours[own, aside], self.neighbours[own, along]
        far = np.where(side >= 0, self.neighbours[side, along], np.int32(-1))
        far = np.where((far < 0) & (down >= 0), self.neighbours[down, aside], far)
        return np.column_stack([own, side, down, far])

    @cached_property
    def full(self) -> np.ndarray:
        """(n,) bool: nodes that fill their block."""
        return self.cells_in == self.merge**2

    def corners(self, cell: np.ndarray, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The four nodes around each point, (p, 4) with -1 where no water leads to one, and their weights, 0 there."""
        own = self.of_cell[cell]
        rows, cols = (index[cell] // self.merge for index in self.grid.cells)
        off_x = (x - self.grid.x0) / self.size_m - cols - 0.5
        off_y = (self.grid.y1 - y) / self.size_m - rows - 0.5
        nodes = self._corner(own, np.where(off_x < 0, 0, 1), np.where(off_y < 0, 2, 3))
        wx, wy = np.clip(np.abs(off_x), 0, 0.5), np.clip(np.abs(off_y), 0, 0.5)
        weights = np.column_stack([(1 - wx) * (1 - wy), wx * (1 - wy), (1 - wx) * wy, wx * wy])
        # A point in line with its node's middle has no say from the sides.
        nodes = np.where(weights < 1e-9, own[:, None], nodes)
        weights[nodes < 0] = 0.0
        weights /= weights.sum(axis=1, keepdims=True)
        return nodes, weights


def _solve2(xx: np.ndarray, xy: np.ndarray, yy: np.ndarray, xv: np.ndarray, yv: np.ndarray) -> np.ndarray:
    """Solutions (n, 2) of n symmetric 2 x 2 systems."""
    return np.stack([yy * xv - xy * yv, xx * yv - xy * xv], axis=1) / (xx * yy - xy * xy)[:, None]


def make_mesh(grid: Grid, merge: int) -> Mesh:
    """The mesh of blocks of `merge` x `merge` cells."""
    whole = Sheet.of_cells((-(-grid.shape[0] // merge), -(-grid.shape[1] // merge)), *grid.full_blocks(merge))
    row, col = whole.cells
    of_cell = np.empty(grid.n_wet, np.int32)

    def find(cells: slice) -> None:
        at_row, at_col = (index[cells] for index in grid.cells)
        of_cell[cells] = whole.at(at_row // merge, at_col // merge)

    side_by_side(find, pieces(grid.n_wet))
    partial = np.flatnonzero(of_cell < 0)
    n_pieces, piece = connected(grid, partial, merge)
    of_cell[partial] = len(row) + piece
    cells_in = np.concatenate([np.full(len(row), merge**2), np.bincount(piece, minlength=n_pieces)])
    inside = np.array([merge * (col + 0.5), merge * (row + 0.5)])
    rows, cols = (index[partial] for index in grid.cells)
    rest = [np.bincount(piece, at + 0.5, n_pieces) / cells_in[len(row) :] for at in (cols, rows)]
    right, down = grid.cell_m * np.concatenate([inside, rest], axis=1)
    east, south = side_by_side(lambda aside: _links(of_cell, grid, merge, len(cells_in), aside=aside), (True, False))
    first, second, touch = (np.concatenate(pair) for pair in zip(east, south, strict=True))
    x, y = grid.x0 + right, grid.y1 - down
    return Mesh(grid, merge, of_cell, x, y, cells_in, first, second, touch * grid.cell_m, len(east[0]))


def _links(
    of_cell: np.ndarray, grid: Grid, merge: int, n: int, *, aside: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Both nodes of every link across the edges of blocks one way, and the cells that touch there."""
    rows, cols = grid.cells
    edge = np.flatnonzero(((cols if aside else rows) + 1) % merge == 0)
    other = grid.at(rows[edge] + (not aside), cols[edge] + aside)
    edge, other = edge[other >= 0], other[other >= 0]
    key, touch = np.unique(of_cell[edge].astype(np.int64) * n + of_cell[other], return_counts=True)
    return (key // n).astype(np.int32), (key % n).astype(np.int32), touch
