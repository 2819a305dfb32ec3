"""Square blocks of a map's cells, each made one value."""

from __future__ import annotations

import numpy as np


def over_blocks(field_map: np.ndarray, side: int, how: np.ufunc, beyond: float) -> np.ndarray:
    """Each block of `side` x `side` cells as one value.

    Parameters
    ----------
    field_map : (rows, columns)
    side : cells along the side of a block
    how : what makes one value of two, as `numpy.maximum`
    beyond : value of the cells that the last blocks have beyond the map

    Returns
    -------
    (ceil(rows / side), ceil(columns / side)) of the map's own type; the map itself where a block is a cell
    """
    if side == 1:
        return field_map
    rows, cols = (-(-n // side) for n in field_map.shape)
    padded = field_map
    if field_map.shape != (rows * side, cols * side):
        padded = np.full((rows * side, cols * side), beyond, field_map.dtype)
        padded[: field_map.shape[0], : field_map.shape[1]] = field_map
    # Rows first, then columns a block apart: long stretches of memory, which numpy's own reduction of blocks has not.
    band = how.reduce(padded.reshape(rows, side, cols * side), axis=1)
    out = band[:, ::side].copy()
    for k in range(1, side):
        how(out, band[:, k::side], out=out)
    return out
