"""Wet vectors as text a page can carry: whole numbers, byte planes, zlib, base64.

Pictures are no safe carrier: canvas read-back loses bytes at partial opacity and is deliberately falsified by some
browsers. A page unpacks this with its built-in inflater and gets the same numbers everywhere.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_array, diags_array

from reachmap.channel.model import Grid
from reachmap.channel.sheet import Sheet
from reachmap.threads import pieces

LEVEL = 4
"""Of zlib: hardly more bytes than by its default of 6, in less time."""

CELLS = 1 << 20
"""Cells taken into an average at once, to bound memory."""

SHARE = 1 / 10000
"""Step of a packed share."""

Average = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Called with rows (m, n_places) and the numbers of those wanted (k,): their averages (k, n_wet coarse)."""

ROWS = 8
"""Rows averaged at once, to bound memory."""


def pack_bytes(raw: bytes) -> str:
    """Bytes as base64 of their zlib stream."""
    return base64.b64encode(zlib.compress(raw, LEVEL)).decode("ascii")


def pack_words(values: np.ndarray, step: float) -> dict[str, object]:
    """Values >= 0 in multiples of `step` as 16-bit numbers: all low bytes, then all high bytes (they pack better)."""
    whole = np.clip(np.rint(np.nan_to_num(np.asarray(values, float)) / step), 0, 65535).astype(np.uint16)
    planes = np.concatenate([(whole & 255).astype(np.uint8), (whole >> 8).astype(np.uint8)])
    return {"step": step, "bytes": 2, "data": pack_bytes(planes.tobytes())}


def pack_small(values: np.ndarray, step: float = 1.0) -> dict[str, object]:
    """Values >= 0 in multiples of `step` as 8-bit numbers."""
    whole = np.clip(np.rint(np.nan_to_num(np.asarray(values, float)) / step), 0, 255).astype(np.uint8)
    return {"step": step, "bytes": 1, "data": pack_bytes(whole.tobytes())}


def pack_rows(rows: np.ndarray) -> str:
    """Rows of bytes (k, n), each as its difference (modulo 256) to the row before: shade changes little in a step."""
    change = rows.copy()
    change[1:] = rows[1:] - rows[:-1]
    return pack_bytes(change.tobytes())


@dataclass(frozen=True)
class Coarse:
    """A grid of larger cells and how to average a wet vector into it.

    Parameters
    ----------
    grid : the coarser grid
    of : for every fine wet cell its position in the coarser wet vector, -1 where that cell is dry
    """

    grid: Grid
    of: np.ndarray

    @cached_property
    def count(self) -> np.ndarray:
        """Fine cells in each coarse cell (n_wet coarse,)."""
        return self._sum(np.ones(len(self.of), np.float32))

    def mean(self, values: np.ndarray) -> np.ndarray:
        """Mean over the fine cells of each coarse cell of finite values (n_wet coarse,)."""
        return self._sum(values) / np.maximum(self.count, 1)

    def _sum(self, values: np.ndarray) -> np.ndarray:
        total = np.zeros(self.grid.n_wet)
        # In pieces, as bincount makes everything eight bytes wide.
        for cells in pieces(len(self.of)):
            of = self.of[cells]
            wet = of >= 0
            total += np.bincount(of[wet], values[cells][wet], len(total))
        return total

    def averager(self, n_places: int, place: np.ndarray | None = None) -> Average:
        """What makes some of many rows of bytes (m, n_places) means over the fine cells of each coarse cell.

        Parameters
        ----------
        n_places : columns of the rows, one for every fine wet cell or fewer shared ones
        place : column that serves each fine wet cell; None where every cell has its own
        """
        if np.array_equal(self.of, np.arange(self.grid.n_wet)):
            return lambda rows, which: rows[which] if place is None else rows[which][:, place]
        total = csr_array((self.grid.n_wet, n_places), dtype=np.float32)
        for start in range(0, len(self.of), CELLS):
            of = self.of[start : start + CELLS]
            good = np.flatnonzero(of >= 0)
            column = start + good if place is None else place[start + good]
            total = total + csr_array((np.ones(len(good), np.float32), (of[good], column)), total.shape)
        mean = diags_array(1 / np.maximum(total.sum(axis=1), 1)) @ total

        def average(rows: np.ndarray, which: np.ndarray) -> np.ndarray:
            out = np.empty((len(which), self.grid.n_wet), np.uint8)
            for start in range(0, len(which), ROWS):
                part = slice(start, start + ROWS)
                out[part] = np.rint(mean @ rows[which[part]].T.astype(np.float32)).T
            return out

        return average

    def most(self, values: np.ndarray) -> np.ndarray:
        """Greatest of the fine cells: for classes that must not be averaged away."""
        out = np.zeros(self.grid.n_wet, values.dtype)
        good = self.of >= 0
        np.maximum.at(out, self.of[good], values[good])
        return out

    def mostly(self, label: np.ndarray) -> np.ndarray:
        """The number that at least half of the fine cells have, 0 where there is none: patches so keep their size.

        A patch that fills half of no cell keeps the one it fills most of.

        Parameters
        ----------
        label : number of each fine cell, 0 of those in no patch
        """
        inside = np.flatnonzero((label > 0) & (self.of >= 0))
        # Cell and number as one, which sorts much faster than pairs.
        base = int(label.max(initial=0)) + 1
        pairs, count = np.unique(
            self.of[inside].astype(np.int64) * base + label[inside].astype(int), return_counts=True
        )
        cell, number = np.divmod(pairs, base)
        share = count / self.count[cell]
        out = np.zeros(self.grid.n_wet, label.dtype)
        out[cell[share >= 0.5]] = number[share >= 0.5]
        for small in np.setdiff1d(number, out):
            own = np.flatnonzero(number == small)
            out[cell[own[share[own].argmax()]]] = small
        return out


def coarsen(grid: Grid, factor: int) -> Coarse:
    """A grid of cells `factor` times larger; one is wet where at least half of it is (factor 1: the same grid)."""
    if factor == 1:
        return Coarse(grid, np.arange(grid.n_wet, dtype=np.int32))
    shape = (-(-grid.shape[0] // factor), -(-grid.shape[1] // factor))
    row, col = (index // factor for index in grid.cells)
    touched = Sheet.of_cells(shape, row, col)
    count = np.bincount(touched.at(row, col))
    kept = (index[count * 2 >= factor**2] for index in touched.cells)
    larger = Grid(grid.x0, grid.y1, grid.cell_m * factor, Sheet.of_cells(shape, *kept))
    return Coarse(larger, larger.at(row, col))


def figures(value: float) -> float:
    """A number with six figures."""
    return float(f"{value:.6g}")
