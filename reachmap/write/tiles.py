"""The grid in square pieces with corners of their own, and its wet cells as runs.

A whole long reach in one box would stand up to metres beside its place: the beat's transverse Mercator is true north
only in its middle. In pieces of 512 cells what is left is far below half a cell, and no canvas outgrows a phone.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from pyproj import Transformer

from reachmap.channel.model import Grid

TILE = 512
"""Cells along the side of a piece."""


def wet_runs(grid: Grid) -> dict[str, np.ndarray]:
    """Runs of wet cells, row by row: row and column of the first cell, number of cells."""
    row, col = grid.cells
    fresh = np.ones(grid.n_wet, bool)
    fresh[1:] = (np.diff(row) != 0) | (np.diff(col) != 1)
    first = np.flatnonzero(fresh)
    return {"row": row[first], "col": col[first], "length": np.diff(np.append(first, grid.n_wet))}


def tiles(grid: Grid, to_wgs: Transformer) -> list[dict[str, Any]]:
    """The pieces that hold water: first row and column, width and height in cells, south-west and north-east corner.

    Parameters
    ----------
    grid : the cells
    to_wgs : from the beat's coordinates to longitude and latitude
    """
    row, col = grid.cells
    rows, cols = grid.shape
    out = []
    for at in np.unique(row // TILE * 65536 + col // TILE):
        top, left = int(at) // 65536 * TILE, int(at) % 65536 * TILE
        high, wide = min(TILE, rows - top), min(TILE, cols - left)
        x0, y1 = grid.x0 + left * grid.cell_m, grid.y1 - top * grid.cell_m
        corners = _corners(to_wgs, x0, y1, wide * grid.cell_m, high * grid.cell_m)
        out.append({"row": top, "col": left, "w": wide, "h": high, "corners": corners})
    return out


def _corners(to_wgs: Transformer, x0: float, y1: float, width: float, height: float) -> list[list[float]]:
    """[latitude, longitude] of the south-west and north-east of a box, from the middles of its edges."""
    lon, lat = to_wgs.transform(
        [x0, x0 + width / 2, x0 + width, x0 + width / 2], [y1 - height / 2, y1, y1 - height / 2, y1 - height]
    )
    return [[round(lat[3], 9), round(lon[0], 9)], [round(lat[1], 9), round(lon[2], 9)]]
