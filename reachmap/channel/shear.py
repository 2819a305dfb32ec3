"""Slope of the speed at a fixed physical scale, over water only."""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy import ndimage as ndi

from reachmap.channel.model import Grid

CUT = 3.0
"""The weights end at this many scales."""

FIRM = 1e-3
"""Added to the spread of the weights, as a share of its open-water value, where water is too narrow for a plane."""


def plane_fit(grid: Grid, values: np.ndarray, scale: float) -> tuple[np.ndarray, ...]:
    """Value and slope of the plane that fits a wet vector best around each cell.

    The weights are Gaussian and count wet cells only. In open water the slope is exactly the derivative of the
    Gaussian-smoothed map (a step dU peaks at dU / (scale sqrt(2 pi))); beside land it stays free of bias for a
    plane, where smoothing alone would flatten it and so put false ridges along every bank.

    Parameters
    ----------
    grid : the cells
    values : (n_wet,)
    scale : standard deviation of the weights [cells]

    Returns
    -------
    value, per_column, per_row : (n_wet,) float32; slopes per cell along columns and rows
    """
    return grid.in_windows(partial(_fit_tile, scale=scale), values, halo=int(np.ceil(CUT * scale)))


def _fit_tile(wet: np.ndarray, held: np.ndarray, scale: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    mask = wet.astype(np.float32)
    reach = np.arange(-int(np.ceil(CUT * scale)), int(np.ceil(CUT * scale)) + 1)
    weights = np.exp(-0.5 * (reach / scale) ** 2)
    weights /= weights.sum()
    kernels = [(weights * reach**power).astype(np.float32) for power in range(3)]

    def moment(column_power: int, row_power: int, source: dict[int, np.ndarray]) -> np.ndarray:
        return ndi.correlate1d(source[column_power], kernels[row_power], axis=0, mode="constant")

    of_mask = {p: ndi.correlate1d(mask, kernels[p], axis=1, mode="constant") for p in range(3)}
    of_value = {p: ndi.correlate1d(held, kernels[p], axis=1, mode="constant") for p in range(2)}
    n = np.maximum(moment(0, 0, of_mask), 1e-6)
    mx, my = moment(1, 0, of_mask) / n, moment(0, 1, of_mask) / n
    mean = moment(0, 0, of_value) / n
    firm = FIRM * scale**2
    xx = moment(2, 0, of_mask) / n - mx**2 + firm
    yy = moment(0, 2, of_mask) / n - my**2 + firm
    xy = moment(1, 1, of_mask) / n - mx * my
    xv = moment(1, 0, of_value) / n - mx * mean
    yv = moment(0, 1, of_value) / n - my * mean
    determinant = np.maximum(xx * yy - xy**2, firm**2)
    per_column, per_row = (yy * xv - xy * yv) / determinant, (xx * yv - xy * xv) / determinant
    return mean - mx * per_column - my * per_row, per_column, per_row
