"""Which cells of a large map are water, kept in square tiles; tiles without water take no room.

The box around a long river can hold hundreds of times as many cells as the river itself. Only a table of the tiles, one
number for every `TILE` x `TILE` cells of the box, grows with the box.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from reachmap.threads import pieces, side_by_side

TILE = 64
"""Cells along the side of a tile, a power of two: a river fills most of its tiles; assumed."""

SHIFT, INSIDE = TILE.bit_length() - 1, TILE - 1
"""A row or column shifted right by the first is its tile's, and its bits in the second are its place there."""


@dataclass(frozen=True)
class Sheet:
    """The water of a map.

    Parameters
    ----------
    shape : (rows, columns) of the map
    number : (tile rows + 1, tile columns + 1) int32, number of each tile, -1 without water, as the last row and column
    wet : (n_tiles, TILE, TILE) bool, tile after tile, row by row of tiles
    known : what `cells` is to give, where it is known beforehand
    """

    shape: tuple[int, int]
    number: np.ndarray
    wet: np.ndarray
    known: tuple[np.ndarray, np.ndarray] | None = field(default=None, repr=False, compare=False)

    @classmethod
    def of_cells(cls, shape: tuple[int, int], rows: np.ndarray, cols: np.ndarray, *, merge: int = 1) -> Sheet:
        """From the rows and columns of its wet cells, in any order and more than once if need be.

        Or of cells of a map with `merge` times as many each way.
        """

        def part_of(part: slice) -> tuple[np.ndarray, np.ndarray]:
            row, col = rows[part], cols[part]
            return (row, col) if merge == 1 else (row // merge, col // merge)

        held = np.zeros((-(-shape[0] // TILE) + 1, -(-shape[1] // TILE) + 1), bool)

        def hold(part: slice) -> None:
            row, col = part_of(part)
            held[row >> SHIFT, col >> SHIFT] = True

        side_by_side(hold, pieces(len(rows)))
        number = np.where(held, np.cumsum(held, dtype=np.int32).reshape(held.shape) - 1, -1)
        out = cls(shape, number, np.zeros((int(held.sum()), TILE, TILE), bool))
        flat = out.wet.reshape(-1)

        def wet(part: slice) -> None:
            flat[out._flat(*part_of(part))] = True

        side_by_side(wet, pieces(len(rows)))
        return out

    @classmethod
    def of_cells_in_order(cls, shape: tuple[int, int], rows: np.ndarray, cols: np.ndarray) -> Sheet:
        """From the rows and columns of its wet cells, int32, row by row and each once."""
        return replace(cls.of_cells(shape, rows, cols), known=(rows, cols))

    @classmethod
    def of_map(cls, wet: np.ndarray) -> Sheet:
        """From a map of all cells (rows, columns) bool."""
        return cls.of_cells((wet.shape[0], wet.shape[1]), *np.nonzero(wet))

    def of_some(self, kept: np.ndarray) -> Sheet:
        """The same map with only some of its wet cells (n_wet,) bool."""
        rows, cols = self.cells
        return Sheet.of_cells_in_order(self.shape, rows[kept], cols[kept])

    @cached_property
    def cells(self) -> tuple[np.ndarray, np.ndarray]:
        """Row and column of every wet cell, int32, row by row of the map."""
        if self.known is not None:
            return self.known

        def of_tile_row(number: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            across = np.flatnonzero(number >= 0).astype(np.int32)
            beside = self.wet[number[across]].transpose(1, 0, 2).reshape(-1)
            row, place = np.divmod(np.flatnonzero(beside).astype(np.int32), max(1, TILE * len(across)))
            return row, (across[place >> SHIFT] << SHIFT) + (place & INSIDE)

        found = side_by_side(of_tile_row, self.number[:-1])
        rows = [row + (k << SHIFT) for k, (row, _) in enumerate(found)]
        none = [np.zeros(0, np.int32)]
        return np.concatenate(none + rows), np.concatenate(none + [col for _, col in found])

    @cached_property
    def _index(self) -> np.ndarray:
        """(n_tiles + 1, TILE, TILE) int32: position of each cell among the wet ones, -1 where dry, as in the last."""
        rows, cols = self.cells
        out = np.full((len(self.wet) + 1, TILE, TILE), -1, np.int32)
        flat = out.reshape(-1)

        def number(part: slice) -> None:
            flat[self._flat(rows[part], cols[part])] = np.arange(part.start, part.stop, dtype=np.int32)

        side_by_side(number, pieces(len(rows)))
        return out

    @cached_property
    def _starts(self) -> np.ndarray:
        """First cell of each tile among the cells of all tiles, row by row of the table; before the end where dry."""
        return self.number.astype(np.int64).reshape(-1) << 2 * SHIFT

    def _flat(self, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
        """Place among the cells of all tiles; in the last tile, counted from the end, where there is none."""
        # Off the map means the last row or column of the table, whichever side it is on.
        # Not by clip, which takes several times as long for a few cells.
        high, wide = self.number.shape
        row, col = (np.minimum(np.maximum(at >> SHIFT, -1), n - 1) for at, n in ((rows, high), (cols, wide)))
        out = self._starts.take(row * np.int32(self.number.shape[1]) + col)
        out += ((rows & INSIDE) << SHIFT) + (cols & INSIDE)
        return out

    def at(self, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
        """Position among the wet cells, row by row, of any cells; -1 where dry or off the map; int32."""
        return self._index.reshape(-1).take(self._flat(np.asarray(rows), np.asarray(cols)))

    def window(self, top: int, bottom: int, left: int, right: int) -> np.ndarray:
        """`at` of all cells from row `top` before row `bottom` and so on; -1 beyond the map, however far."""
        out = np.full((max(bottom - top, 0), max(right - left, 0)), -1, np.int32)
        last_row, last_col = (n - 1 for n in self.number.shape)
        for tile_row in range(max(top >> SHIFT, 0), min((bottom - 1 >> SHIFT) + 1, last_row)):
            for tile_col in range(max(left >> SHIFT, 0), min((right - 1 >> SHIFT) + 1, last_col)):
                number = self.number[tile_row, tile_col]
                if number >= 0:
                    r, c = (tile_row << SHIFT) - top, (tile_col << SHIFT) - left
                    here = self._index[number, max(-r, 0) :, max(-c, 0) :]
                    place = out[max(r, 0) : max(r + TILE, 0), max(c, 0) : max(c + TILE, 0)]
                    place[:] = here[: place.shape[0], : place.shape[1]]
        return out

    def windows(self, side: int) -> Iterator[tuple[int, int, int, int]]:
        """The squares of `side` cells the map falls into, row by row, those without a tile left out, as `window` asks.

        Those at the end of the map are cut off there; `side` is a tile's at least.
        """
        row, col = (place << SHIFT for place in np.nonzero(self.number >= 0))
        corners = [
            np.column_stack([(row + down) // side, (col + aside) // side])
            for down in (0, INSIDE)
            for aside in (0, INSIDE)
        ]
        for r, c in np.unique(np.concatenate(corners), axis=0).tolist():
            yield r * side, min((r + 1) * side, self.shape[0]), c * side, min((c + 1) * side, self.shape[1])
