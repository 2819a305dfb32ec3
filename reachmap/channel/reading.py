"""Values of blocks of cells read back on every wet cell, quarter of a block by quarter of a block.

The same quarter of every block is read with the same weights of the four nodes around it, so reading back is one small
matrix product for all of them. Between four full blocks it is bilinear; elsewhere only nodes that are there count, each
with its own slope where that is known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from reachmap.channel.model import Grid
from reachmap.threads import side_by_side


@dataclass(frozen=True)
class Blocks:
    """Blocks of `merge` x `merge` cells of a grid, with one node or several in each.

    Parameters
    ----------
    grid, merge : the cells, and how many make up the side of a block
    of_cell : (n_wet,) int32, node of every wet cell
    rows, cols : (n,) int32, the block each node lies in, counted in blocks
    full : (n,) bool, nodes that fill their block
    around : called with south and east, the four nodes around that quarter of every node's block, (n, 4) int32: own,
        beside, above or below, across the corner; -1 where there is none
    """

    grid: Grid
    merge: int
    of_cell: np.ndarray
    rows: np.ndarray
    cols: np.ndarray
    full: np.ndarray
    around: Callable[[bool, bool], np.ndarray]

    def middle(self, nodes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where the middle of some nodes' blocks is, east and north [m]."""
        grid, size = self.grid, self.merge * self.grid.cell_m
        return grid.x0 + (self.cols[nodes] + 0.5) * size, grid.y1 - (self.rows[nodes] + 0.5) * size

    def within(self, south: bool, east: bool) -> tuple[np.ndarray, np.ndarray]:
        """Rows and columns of a block in one quarter; a middle one belongs to both sides and reads the same."""
        m = self.merge
        rows, cols = (
            np.arange(m // 2, m, dtype=np.int32) if far else np.arange((m + 1) // 2, dtype=np.int32)
            for far in (south, east)
        )
        return rows, cols


@dataclass(frozen=True)
class Quarter:
    """The same quarter of every block, of q cells.

    Parameters
    ----------
    weights : (4, q) float32, of the nodes around
    off : (2, q) float32, from the middle of the block to each of its cells, east and north [m]
    full : (k, 4) int32, the nodes around where all four blocks are full
    cells : (k, q) int32, position of its cells in the wet vector there
    partly : (j, 4) int32, the nodes around elsewhere; any where there is none
    there : (j, 4) float32, 1 where there is one, else 0
    middle : (2, j, 1) middle of the block, east and north [m]
    edge : (e,) int32, position of the cells elsewhere in the wet vector
    place : (e,) int32, their place among the j * q cells
    """

    weights: np.ndarray
    off: np.ndarray
    full: np.ndarray
    cells: np.ndarray
    partly: np.ndarray
    there: np.ndarray
    middle: np.ndarray
    edge: np.ndarray
    place: np.ndarray

    def read(self, values: np.ndarray, lean: Lean | None, out: np.ndarray) -> None:
        """Write node values (n,) on the cells of this quarter into a wet vector `out`."""
        out[self.cells] = values.astype(np.float32, copy=False)[self.full] @ self.weights
        if not len(self.edge):
            return
        known, basis = values[self.partly] * self.there, self.weights
        if lean is not None:
            slopes = [slope[self.partly] for slope in (lean.along_x, lean.along_y)]
            away = [middle - at[self.partly] for middle, at in zip(self.middle, (lean.x, lean.y), strict=True)]
            in_middle = values[self.partly] + slopes[0] * away[0] + slopes[1] * away[1]
            known = np.concatenate([part * self.there for part in (in_middle, *slopes)], axis=1)
            basis = np.concatenate([basis, basis * self.off[0], basis * self.off[1]])
        read = (known.astype(np.float32, copy=False) @ basis) / (self.there @ self.weights)
        out[self.edge] = read.reshape(-1)[self.place]


@dataclass(frozen=True)
class Lean:
    """Slopes of node values along x and y (n,) [1/m], and the places the values are for (n,) [m]."""

    along_x: np.ndarray
    along_y: np.ndarray
    x: np.ndarray
    y: np.ndarray


@dataclass(frozen=True)
class Reading:
    """How every wet cell of a grid of `n_wet` is read, planned once for its blocks."""

    n_wet: int
    quarters: tuple[Quarter, ...]

    @classmethod
    def plan(cls, blocks: Blocks) -> Reading:
        """Work out what every reading back needs."""
        m, grid = blocks.merge, blocks.grid
        # In a full block the cells of a row follow each other in the wet vector.
        row, col = (index[blocks.full, None] for index in (blocks.rows, blocks.cols))
        starts = np.empty((len(blocks.full), m), np.int32)
        starts[blocks.full] = grid.at(row * m + np.arange(m, dtype=np.int32), col * m)
        left = np.ones(grid.n_wet, bool)
        ways = [(south, east) for south in (False, True) for east in (False, True)]

        def between_full(way: tuple[bool, bool]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
            nodes = blocks.around(*way)
            whole = ((nodes >= 0) & blocks.full[nodes]).all(axis=1)
            rows, cols = blocks.within(*way)
            cells = starts[whole][:, rows, None] + cols
            left[cells] = False
            return nodes, nodes[whole], cells.reshape(len(cells), len(rows) * len(cols))

        found = side_by_side(between_full, ways)
        edge = np.flatnonzero(left).astype(np.int32)
        down, aside = (index[edge] % m for index in grid.cells)
        number = 2 * (2 * down + 1 >= m) + (2 * aside + 1 >= m)

        def elsewhere(k: int) -> Quarter:
            nodes, full, cells = found[k]
            rows, cols = blocks.within(*ways[k])
            mine = np.flatnonzero(number == k)
            partly, order = _numbered(blocks.of_cell[edge[mine]], len(blocks.full))
            inside = (down[mine] - rows[0]) * len(cols) + aside[mine] - cols[0]
            off_down, off_east = ((index + 0.5) / m - 0.5 for index in (rows, cols))
            south, east = np.repeat(off_down, len(cols)), np.tile(off_east, len(rows))
            across, along = np.abs(south), np.abs(east)
            weights = np.stack([(1 - along) * (1 - across), along * (1 - across), (1 - along) * across, along * across])
            around = nodes[partly]
            return Quarter(
                weights.astype(np.float32),
                (m * grid.cell_m * np.stack([east, -south])).astype(np.float32),
                full,
                cells,
                around,
                (around >= 0).astype(np.float32),
                np.stack(blocks.middle(partly))[:, :, None],
                edge[mine],
                order * np.int32(len(south)) + inside,
            )

        return cls(grid.n_wet, tuple(side_by_side(elsewhere, range(len(ways)))))

    def read(self, columns: np.ndarray, leans: list[Lean | None]) -> np.ndarray:
        """Node values (k, n), each with its slopes if it has them, on all wet cells, float32 (k, n_wet)."""
        out = np.empty((len(columns), self.n_wet), np.float32)
        parts = [(*column, quarter) for column in zip(columns, leans, out, strict=True) for quarter in self.quarters]
        side_by_side(lambda part: part[3].read(*part[:3]), parts)
        return out


def _numbered(which: np.ndarray, n: int) -> tuple[np.ndarray, np.ndarray]:
    """The different ones of whole numbers below n, in rising order, and the place of each among them, int32."""
    held = np.zeros(n, bool)
    held[which] = True
    return np.flatnonzero(held), (np.cumsum(held, dtype=np.int32) - 1)[which]
