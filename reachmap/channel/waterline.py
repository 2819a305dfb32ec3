"""Distance to the waterline: banks and islands, but not the end caps, where the river goes on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from reachmap.channel.caps import Edge
from reachmap.channel.coordinates import segment_distance
from reachmap.channel.model import Grid
from reachmap.channel.sheet import Sheet
from reachmap.threads import pieces, side_by_side

EXACT_WITHIN = 1.0
"""Nearer to the waterline than this many blocks every cell is worked out by itself."""

SOME = 1 << 14
"""Points whose distance is found at once: finding the nearest bank takes long for each; assumed."""


@dataclass(frozen=True)
class Waterline:
    """The pieces of the waterline."""

    line: Edge

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self.line.middle)

    def distance(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Distance of points to the waterline [m]; infinite where there is none."""
        if len(self.line.kind) < 2:
            return np.full(len(x), np.inf)

        def away(piece: slice) -> np.ndarray:
            points = np.column_stack([x[piece], y[piece]])
            near = self._tree.query(points, k=2)[1].T
            ends = ((self.line.start.take(at, axis=0), self.line.end.take(at, axis=0)) for at in near)
            return np.minimum(*(segment_distance(points, *pair) for pair in ends))

        return np.concatenate([np.zeros(0), *side_by_side(away, pieces(len(x), SOME))])

    def distance_of_cells(self, grid: Grid, block: int) -> np.ndarray:
        """Distance of every wet cell to the waterline [m], float32.

        Away from the banks it is read between the corners of blocks of `block` x `block` cells; along the middle of
        the river, where the nearest bank changes, that is short by up to half a block.
        """
        out = np.empty(grid.n_wet, np.float32)
        left = np.ones(grid.n_wet, bool)
        if block > 1:
            rows, cols, corners = self._blocks(grid, block)
            share = (np.arange(block) + 0.5) / block
            down, aside = np.repeat(share, block), np.tile(share, block)
            weights = np.stack([(1 - down) * (1 - aside), (1 - down) * aside, down * (1 - aside), down * aside])
            within = np.arange(block, dtype=np.int32)

            def lay(part: slice) -> None:
                # In a full block the cells of a row follow each other in the wet vector.
                starts = grid.at(rows[part, None] + within, cols[part, None])
                cells = (starts[:, :, None] + within).reshape(len(starts), block**2)
                out[cells] = corners[part].astype(np.float32) @ weights.astype(np.float32)
                left[cells] = False

            side_by_side(lay, pieces(len(rows), SOME))
        left = np.flatnonzero(left)
        out[left] = self.distance(*grid.points(left).T)
        return out

    def _blocks(self, grid: Grid, block: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """First row and column of every block of water away from the banks, and the distance at its corners (k, 4)."""
        row, col = grid.full_blocks(block)
        around = [(row + down, col + aside) for down, aside in ((0, 0), (0, 1), (1, 0), (1, 1))]
        shape = (grid.shape[0] // block + 2, grid.shape[1] // block + 2)
        corner = Sheet.of_cells(shape, *(np.concatenate(parts) for parts in zip(*around, strict=True)))
        at_row, at_col = corner.cells
        step = block * grid.cell_m
        found = self.distance(grid.x0 + at_col * step, grid.y1 - at_row * step)
        corners = np.column_stack([found[corner.at(*place)] for place in around])
        kept = corners.min(axis=1) > EXACT_WITHIN * step
        return row[kept] * block, col[kept] * block, corners[kept]
