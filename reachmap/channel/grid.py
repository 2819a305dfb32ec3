"""The fine grid: how small its cells are and which of them are wet."""

from __future__ import annotations

import os

import numpy as np
import rasterio.features
import shapely
from affine import Affine
from shapely.geometry.base import BaseGeometry

from reachmap.channel.model import Grid
from reachmap.channel.sheet import Sheet
from reachmap.errors import SettingError

CELLS_PER_WIDTH = 40
"""Cells across the river when the user names no cell size."""

CELL_RANGE_M = (0.25, 1.0)
"""Limits of the cell size chosen; below 0.5 m the bed has detail no survey resolves (measured on a gravel patch)."""

BYTES_AT_ALL, BYTES_PER_CELL, BYTES_PER_M2 = 3e8, 280, 3500
"""Peak memory of the whole chain with three scenes, files and map: at all, for every wet cell, and for what is worked
out on cells of a quarter of a metre where they are larger. Fitted to what runs took by the benchmarks `stages` and
`memory`, which prints it beside this estimate."""

COARSE_M = 0.5
"""Above this cell size what is worked out on finer cells takes the less the larger they are (measured)."""

FEWEST_ACROSS = 4
"""Cells across the river below which its shape is lost, assumed."""

MEMORY_SHARE = 0.5
"""Share of the machine's memory one run may take."""

BAND = 1 << 22
"""Cells drawn at once; assumed."""

MARGIN = 2
"""Dry cells kept on every side."""


def choose_cell(width_m: float) -> float:
    """Cell size [m] for a river this wide: width / 40 to the nearest 5 cm, 0.25-1 m, finer only for a brook."""
    cell = float(np.clip(round(width_m / CELLS_PER_WIDTH / 0.05) * 0.05, *CELL_RANGE_M))
    return round(min(cell, width_m / (2 * FEWEST_ACROSS)), 4)


def memory_needed(outline: BaseGeometry, cell_m: float) -> float:
    """Estimated peak memory of the chain [bytes]."""
    finer = BYTES_PER_M2 * min(1.0, COARSE_M / cell_m)
    return BYTES_AT_ALL + outline.area * (BYTES_PER_CELL / cell_m**2 + finer)


def check_cell(outline: BaseGeometry, cell_m: float, width_m: float, memory_bytes: float | None = None) -> None:
    """Raise SettingError for a cell size that is no length, too coarse for the river or too small for the memory.

    Parameters
    ----------
    outline : the water, in metres
    cell_m : cell size wanted [m]
    width_m : typical width of the water [m]
    memory_bytes : memory of the machine; None asks the system
    """
    if not np.isfinite(cell_m) or cell_m <= 0:
        raise SettingError(f"--cell {cell_m:g}: a cell size is a length above 0 m, for example 0.5")
    if cell_m > width_m / FEWEST_ACROSS:
        raise SettingError(
            f"--cell {cell_m:g}: fewer than {FEWEST_ACROSS} cells across a river {width_m:.1f} m wide. "
            f"{choose_cell(width_m):g} m suits it"
        )
    total = memory_bytes if memory_bytes is not None else machine_memory()
    allowed, need = MEMORY_SHARE * total, memory_needed(outline, cell_m)
    if need > allowed:
        most = width_m / FEWEST_ACROSS
        larger = [cell for cell in map(_round_up, np.geomspace(cell_m, most, 100)) if cell <= most]
        fits = next((cell for cell in larger if memory_needed(outline, cell) <= allowed), None)
        remedy = "Cut the beat into shorter ones" if fits is None else f"A cell of {fits:g} m fits"
        raise SettingError(
            f"--cell {cell_m:g}: would need about {need / 1e9:.1f} GB, more than {MEMORY_SHARE:.0%} of this machine's "
            f"{total / 1e9:.1f} GB. {remedy}"
        )


def machine_memory() -> float:
    """Memory of this machine [bytes]; 8 GB where the system does not say."""
    try:
        return float(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES"))
    except (AttributeError, ValueError, OSError):
        return 8e9


def _round_up(value: float) -> float:
    """Up to two significant digits, so that the size named really fits."""
    unit = 10.0 ** (np.floor(np.log10(value)) - 1)
    return float(f"{np.ceil(value / unit) * unit:.6g}")


def make_grid(water: BaseGeometry, cell_m: float) -> Grid:
    """A grid over the water: a cell is wet where its centre is.

    The corner follows the outline, not round numbers, so that moving everything moves the grid with it.
    """
    west, south, east, north = water.bounds
    cols = int(np.ceil((east - west) / cell_m)) + 2 * MARGIN
    rows = int(np.ceil((north - south) / cell_m)) + 2 * MARGIN
    x0, y1 = west - MARGIN * cell_m, north + MARGIN * cell_m
    return Grid(x0, y1, cell_m, Sheet.of_cells_in_order((rows, cols), *wet_cells(water, x0, y1, cell_m, (rows, cols))))


def wet_cells(
    water: BaseGeometry, x0: float, y1: float, cell_m: float, shape: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """Row and column of the cells whose centre is in the water, row by row, int32.

    Worked out near zero, where far coordinates lose no digits, and in bands that are only as wide as the water there.
    """
    local = shapely.transform(water, lambda xy: xy - (x0, y1))
    high = max(1, BAND // shape[1])

    def draw(top: int) -> tuple[np.ndarray, np.ndarray]:
        bottom = min(top + high, shape[0])
        part = local
        if high < shape[0]:
            part = shapely.clip_by_rect(
                local, -cell_m, -(bottom + 1) * cell_m, (shape[1] + 1) * cell_m, (1 - top) * cell_m
            )
        if part.is_empty:
            return np.zeros(0, np.int32), np.zeros(0, np.int32)
        west, _, east, _ = part.bounds
        left, right = max(int(west / cell_m) - 1, 0), min(int(east / cell_m) + 2, shape[1])
        mask = rasterio.features.rasterize(
            [(part, 1)],
            out_shape=(bottom - top, right - left),
            transform=Affine(cell_m, 0, left * cell_m, 0, -cell_m, -top * cell_m),
            dtype="uint8",
        )
        # Both from the place in the whole band: asking numpy for both costs more.
        place = np.flatnonzero(mask.reshape(-1).view(bool)).astype(np.int32)
        row = np.repeat(np.arange(bottom - top, dtype=np.int32), np.count_nonzero(mask, axis=1))
        return row + np.int32(top), place - row * np.int32(right - left) + np.int32(left)

    # One after another: the drawing library puts warnings aside in a way that threads undo for each other.
    rows, cols = zip(*map(draw, range(0, shape[0], high)), strict=True)
    return np.concatenate(rows), np.concatenate(cols)
