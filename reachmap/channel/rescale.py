"""Layers at a fixed physical cell size, whatever the cells of the grid, and back."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache, partial

import numpy as np

from reachmap.channel.model import Grid
from reachmap.channel.reading import Blocks, Reading
from reachmap.channel.shear import plane_fit
from reachmap.channel.sheet import Sheet
from reachmap.threads import pieces, side_by_side

PLAN_FROM = 4
"""Cells merged along a side from which reading between them block by block is worth planning; assumed."""

SLOPE_CELLS = 0.8
"""Scale at which the slope beside land is found [cells]."""


@dataclass(frozen=True)
class Rescale:
    """A grid and the same water on cells of another size.

    Parameters
    ----------
    grid : the cells layers are given on
    work : the cells at the fixed size; a whole number of them fit in a cell of `grid`, or the other way round
    split : cells of `work` along the side of a cell of `grid`, 1 where they are merged or equal
    merge : cells of `grid` along the side of a cell of `work`, 1 where they are split or equal
    """

    grid: Grid
    work: Grid
    split: int
    merge: int

    @cached_property
    def place(self) -> np.ndarray:
        """Where cells are merged, for every wet cell of `grid` its position in the wet vector of `work`, int32."""
        rows, cols = self.grid.cells
        out = np.empty(len(rows), np.int32)

        def find(cells: slice) -> None:
            out[cells] = self.work.at(rows[cells] // self.merge, cols[cells] // self.merge)

        side_by_side(find, pieces(len(rows)))
        return out

    @cached_property
    def _count(self) -> np.ndarray:
        """Wet cells in each merged cell."""
        return self._total(None).astype(np.int64)

    def _total(self, values: np.ndarray | None) -> np.ndarray:
        """Sum of a wet vector of `grid` over the cells in each merged cell; None counts them."""
        total = np.zeros(self.work.n_wet)
        # In pieces, each of a narrow range of merged cells, as bincount makes everything eight bytes wide.
        for cells in pieces(self.grid.n_wet):
            place = self.place[cells]
            low = int(place.min())
            part = np.bincount(place - low, None if values is None else values[cells])
            total[low : low + len(part)] += part
        return total

    def middles(self) -> np.ndarray:
        """Middle of the water in each cell of `work`, east and north (n, 2) [m]; they must not be split."""
        out = self.work.points(slice(None))
        if self.merge == 1:
            return out
        partly = self._count < self.merge**2
        cells = np.flatnonzero(partly[self.place])
        place, (rows, cols) = self.place[cells], (index[cells] for index in self.grid.cells)
        for k, (index, start, step) in enumerate(((cols, self.grid.x0, 1), (rows, self.grid.y1, -1))):
            mean = np.bincount(place, index, self.work.n_wet)[partly] / self._count[partly]
            out[partly, k] = start + step * (mean + 0.5) * self.grid.cell_m
        return out

    @cached_property
    def _sorted(self) -> tuple[np.ndarray, np.ndarray]:
        """Wet cells of `grid` sorted by their merged cell, and where each merged cell's begin, and the end."""
        return np.argsort(self.place, kind="stable"), np.concatenate([[0], np.cumsum(self._count)])

    def cells_of(self, work_cells: np.ndarray) -> np.ndarray:
        """Wet cells of `grid` that make up some cells of `work`, in the order of those; they must not be split."""
        if self.merge == 1:
            return work_cells
        order, starts = self._sorted
        count = self._count[work_cells]
        before = np.cumsum(count) - count
        return order[np.arange(count.sum()) + np.repeat(starts[work_cells] - before, count)]

    def to_work(self, values: np.ndarray, *, sloping: bool = True) -> np.ndarray:
        """A wet vector of `grid` on the cells of `work`: mean of the wet cells merged, or bilinear between them.

        Where cells are split, a `sloping` one goes on falling or rising toward land; a direction doesn't.
        """
        if self.merge > 1:
            return (self._total(values) / self._count).astype(np.float32)
        if self.split == 1:
            return values.astype(np.float32)
        return self._split_up(values, sloping)

    def largest(self, values: np.ndarray) -> np.ndarray:
        """The greatest of a wet vector of `grid` in each merged cell, float32; they must not be split."""
        out = np.full(self.work.n_wet, -np.inf, np.float32)
        np.maximum.at(out, self.place, values.astype(np.float32, copy=False))
        return out

    def _split_up(self, values: np.ndarray, sloping: bool) -> np.ndarray:
        """Bilinear between wet cells; within half a cell of land the slope goes on, which bilinear would break off."""
        out = np.empty(self.work.n_wet, np.float32)
        slopes = plane_fit(self.grid, values, SLOPE_CELLS)[1:] if sloping else ()

        def read(cells: slice) -> None:
            row, col = (index[cells] for index in self.work.cells)
            total, water = self.grid.blend(values, *((at + 0.5) / self.split - 0.5 for at in (row, col)))
            out[cells] = total / np.maximum(water, 1e-6)
            if slopes:
                edge = np.flatnonzero(water < 0.999)
                out[cells.start + edge] = self._going_on(values, slopes, row[edge], col[edge])

        side_by_side(read, pieces(self.work.n_wet))
        return out

    def _going_on(
        self, values: np.ndarray, slopes: tuple[np.ndarray, ...], row: np.ndarray, col: np.ndarray
    ) -> np.ndarray:
        """Cells of `work` by the value of the cell they are in and its slopes per column and per row."""
        per_column, per_row = slopes
        own = self.grid.at(row // self.split, col // self.split)
        off_row, off_col = ((at % self.split + 0.5) / self.split - 0.5 for at in (row, col))
        flat = values[own]
        beyond = flat + per_column[own] * off_col + per_row[own] * off_row
        # Never beyond zero, nor past what the cell itself holds by more than as much again.
        return np.clip(beyond, np.minimum(0.0, flat), np.maximum(2 * flat, 0.0))

    def from_work(self, values: np.ndarray) -> np.ndarray:
        """A wet vector of `work` on the cells of `grid`: mean of the cells split, or bilinear between them."""
        if self.split > 1:
            rows, cols = (index // self.split for index in self.work.cells)
            place = self.grid.at(rows, cols)
            return (np.bincount(place, values, self.grid.n_wet) / self.split**2).astype(np.float32)
        if self.merge == 1:
            return values.astype(np.float32)
        return self._place_by_place(values) if self.merge < PLAN_FROM else self._reading.read(values[None], [None])[0]

    def _place_by_place(self, values: np.ndarray) -> np.ndarray:
        """Bilinear between merged cells, those without water left out: every place within a merged cell by itself."""
        m = self.merge
        each = np.stack(self.work.in_windows(partial(_within, merge=m), values, halo=1))
        out = np.empty(self.grid.n_wet, np.float32)

        def read(cells: slice) -> None:
            rows, cols = (index[cells] % m for index in self.grid.cells)
            out[cells] = each.reshape(-1).take((rows * m + cols) * np.int32(each.shape[1]) + self.place[cells])

        side_by_side(read, pieces(self.grid.n_wet))
        return out

    @cached_property
    def _reading(self) -> Reading:
        full = self._count == self.merge**2
        return Reading.plan(Blocks(self.grid, self.merge, self.place, *self.work.cells, full, self._around))

    def _around(self, south: bool, east: bool) -> np.ndarray:
        """The four merged cells around a quarter of each, see `Blocks`."""
        rows, cols = self.work.cells
        down, aside = rows + (1 if south else -1), cols + (1 if east else -1)
        others = [self.work.at(*place) for place in ((rows, aside), (down, cols), (down, aside))]
        return np.column_stack([np.arange(self.work.n_wet, dtype=np.int32), *others])


def _within(water: np.ndarray, values: np.ndarray, merge: int) -> tuple[np.ndarray, ...]:
    """A map read at each place within its cells, row by row of them; only water counts."""

    def toward(field_map: np.ndarray, place: int, axis: int) -> np.ndarray:
        off = (place + 0.5) / merge - 0.5
        return field_map + np.float32(abs(off)) * (np.roll(field_map, -1 if off > 0 else 1, axis) - field_map)

    held, wet = values, water.astype(np.float32)
    out = []
    for row in range(merge):
        of_row = toward(held, row, 0), toward(wet, row, 0)
        for col in range(merge):
            total, weight = (toward(part, col, 1) for part in of_row)
            out.append(total / np.maximum(weight, np.float32(1e-6)))
    return tuple(out)


def merged(cell_m: float, size_m: float) -> int:
    """Cells to merge along a side for cells of about `size_m`: the nearest whole number, so at most a third larger."""
    return max(1, int(size_m / cell_m + 0.5))


def make_rescale(grid: Grid, size_m: float) -> Rescale:
    """The water of `grid` on cells of about `size_m`, split or merged by a whole number: at most a third larger."""
    split = max(1, int(np.ceil(0.75 * grid.cell_m / size_m - 1e-9)))
    merge = merged(grid.cell_m, size_m)
    if split > 1:
        inside = np.divmod(np.arange(split * split, dtype=np.int32), split)
        finer = (split * index[:, None] + own for index, own in zip(grid.cells, inside, strict=True))
        sheet = Sheet.of_cells((grid.shape[0] * split, grid.shape[1] * split), *(at.ravel() for at in finer))
        return Rescale(grid, Grid(grid.x0, grid.y1, grid.cell_m / split, sheet), split, 1)
    if merge == 1:
        return Rescale(grid, grid, 1, 1)
    larger = Sheet.of_cells((-(-grid.shape[0] // merge), -(-grid.shape[1] // merge)), *grid.cells, merge=merge)
    return Rescale(grid, Grid(grid.x0, grid.y1, grid.cell_m * merge, larger), 1, merge)


shared_rescale = lru_cache(maxsize=1)(make_rescale)
"""`make_rescale` for wakes, seams and drifting food, which ask for the same one after another; the last is kept until
`shared_rescale.cache_clear`."""


def sample(grid: Grid, values: np.ndarray, x: np.ndarray, y: np.ndarray, dry: float = 0.0) -> np.ndarray:
    """A wet vector read at points, bilinear; land counts as `dry`."""
    total, water = grid.blend(values, (grid.y1 - y) / grid.cell_m - 0.5, (x - grid.x0) / grid.cell_m - 0.5)
    return total + dry * (1.0 - water)
