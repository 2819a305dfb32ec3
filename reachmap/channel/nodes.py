"""The water as a network: blocks of cells as nodes, linked where water touches water.

Slow fields (the slope of the water surface) are solved on blocks about a twelfth of the width and read back on
the fine cells. Two blocks are linked only if wet cells touch across their common edge, and reading back uses linked
blocks only, so nothing passes through land thicker than a block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reachmap.channel.model import Grid

CHUNK = 1 << 20
"""Wet cells worked on at once when reading back, to bound memory."""


@dataclass(frozen=True)
class Nodes:
    """Blocks of `merge` x `merge` cells that hold water.

    Parameters
    ----------
    grid : the fine cells
    merge : cells along the side of a block
    node_map : (block rows, block columns) int32, number of the node, -1 where the block is dry
    of_cell : (n_wet,) int32, node of every wet cell
    east, south : (block rows, block columns) bool, True where a block is linked to its neighbour on that side
    """

    grid: Grid
    merge: int
    node_map: np.ndarray
    of_cell: np.ndarray
    east: np.ndarray
    south: np.ndarray

    @property
    def size_m(self) -> float:
        """Side of a block [m]."""
        return self.grid.cell_m * self.merge

    @property
    def n(self) -> int:
        """Number of nodes."""
        return int(self.node_map.max()) + 1

    def links(self) -> tuple[np.ndarray, np.ndarray, int]:
        """Both ends of every link, west to east first, then north to south; and how many run west to east."""
        r, c = np.nonzero(self.east)
        s, t = np.nonzero(self.south)
        first = np.concatenate([self.node_map[r, c], self.node_map[s, t]])
        second = np.concatenate([self.node_map[r, c + 1], self.node_map[s + 1, t]])
        return first, second, len(r)

    def share(self, values: np.ndarray) -> np.ndarray:
        """Sum of a wet vector over each block, divided by the cells a full block holds: dry cells count as 0."""
        return np.bincount(self.of_cell, values, self.n) / self.merge**2

    def any(self, mask: np.ndarray) -> np.ndarray:
        """True for nodes that hold at least one True cell of a wet mask."""
        out = np.zeros(self.n, bool)
        out[self.of_cell[mask]] = True
        return out

    def read_back(self, values: np.ndarray) -> np.ndarray:
        """Node values (n,) or (n, k) on the wet cells, bilinear between linked nodes; float32."""
        values = np.asarray(values, np.float32)
        if self.merge == 1:
            return values[self.of_cell]
        out = np.empty((self.grid.n_wet, *values.shape[1:]), np.float32)
        for start in range(0, self.grid.n_wet, CHUNK):
            part = slice(start, start + CHUNK)
            nodes, weights = self._corners(part)
            weights = weights.reshape(weights.shape + (1,) * (values.ndim - 1))
            out[part] = (values[nodes] * weights).sum(axis=0)
        return out

    def _corners(self, part: slice) -> tuple[np.ndarray, np.ndarray]:
        """The four nodes around each cell and their weights, (4, n) each; weight 0 for those not linked to its own."""
        rows, cols = (index[part] for index in self.grid.cells)
        place_r, place_c = ((index + 0.5) / self.merge for index in (rows, cols))
        r, c = rows // self.merge, cols // self.merge
        off_r, off_c = place_r - r - 0.5, place_c - c - 0.5
        step_r, step_c = np.where(off_r < 0, -1, 1), np.where(off_c < 0, -1, 1)
        side = self._linked_aside(r, c, step_c)
        up = self._linked_up(r, c, step_r)
        # The corner block counts if water leads there round either way.
        far_r, far_c = (
            np.clip(r + step_r, 0, self.node_map.shape[0] - 1),
            np.clip(c + step_c, 0, self.node_map.shape[1] - 1),
        )
        corner = (side & self._linked_up(r, far_c, step_r)) | (up & self._linked_aside(far_r, c, step_c))
        wr, wc = np.abs(off_r), np.abs(off_c)
        weights = np.stack([(1 - wr) * (1 - wc), side * (1 - wr) * wc, up * wr * (1 - wc), corner * wr * wc])
        nodes = np.stack(
            [self.node_map[r, c], self.node_map[r, far_c], self.node_map[far_r, c], self.node_map[far_r, far_c]]
        )
        return nodes, (weights / weights.sum(axis=0)).astype(np.float32)

    def _linked_aside(self, r: np.ndarray, c: np.ndarray, step: np.ndarray) -> np.ndarray:
        west = np.where(step < 0, c - 1, c)
        return (west >= 0) & self.east[r, np.maximum(west, 0)]

    def _linked_up(self, r: np.ndarray, c: np.ndarray, step: np.ndarray) -> np.ndarray:
        north = np.where(step < 0, r - 1, r)
        return (north >= 0) & self.south[np.maximum(north, 0), c]


def make_nodes(grid: Grid, merge: int = 1) -> Nodes:
    """Blocks of `merge` x `merge` cells and the links between them."""
    shape = tuple(-(-n // merge) for n in grid.shape)
    wet = np.zeros((shape[0] * merge, shape[1] * merge), bool)
    wet[: grid.shape[0], : grid.shape[1]] = grid.wet
    full = wet.reshape(shape[0], merge, shape[1], merge).any(axis=(1, 3))
    node_map = np.full(shape, -1, np.int32)
    node_map[full] = np.arange(full.sum(), dtype=np.int32)
    rows, cols = grid.cells
    touch_e = wet[:, merge - 1 : -1 : merge] & wet[:, merge::merge]
    touch_s = wet[merge - 1 : -1 : merge] & wet[merge::merge]
    east, south = np.zeros(shape, bool), np.zeros(shape, bool)
    east[:, :-1] = touch_e.reshape(shape[0], merge, -1).any(axis=1)
    south[:-1] = touch_s.reshape(touch_s.shape[0], shape[1], merge).any(axis=2)
    return Nodes(grid, merge, node_map, node_map[rows // merge, cols // merge], east, south)
