"""Slope of the speed at a fixed physical scale, over water only."""

from __future__ import annotations

from itertools import product

import numpy as np
from scipy import ndimage as ndi

from reachmap.threads import side_by_side

TILE = 512
"""Side of the tiles the map is worked in [cells]; dry ones are skipped."""

CUT = 3.0
"""The weights end at this many scales."""

FIRM = 1e-3
"""Added to the spread of the weights, as a share of its open-water value, where water is too narrow for a plane."""


def plane_fit(values: np.ndarray, wet: np.ndarray, scale: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Value and slope of the plane that fits a map best around each cell.

    The weights are Gaussian and count wet cells only. In open water the slope is exactly the derivative of the
    Gaussian-smoothed map (a step dU peaks at dU / (scale sqrt(2 pi))); beside land it stays free of bias for a
    plane, where smoothing alone would flatten it and so put false ridges along every bank.

    Parameters
    ----------
    values : (rows, columns) map; what dry cells hold doesn't matter
    wet : (rows, columns) bool
    scale : standard deviation of the weights [cells]

    Returns
    -------
    value, per_column, per_row : (rows, columns) float32, 0 where dry; slopes per cell along columns and rows
    """
    halo = int(np.ceil(CUT * scale))
    value, per_column, per_row = (np.zeros(wet.shape, np.float32) for _ in range(3))

    def fit(corner: tuple[int, int]) -> None:
        top, left = corner
        core = np.s_[top : top + TILE, left : left + TILE]
        if not wet[core].any():
            return
        r0, c0 = max(top - halo, 0), max(left - halo, 0)
        wide = np.s_[r0 : top + TILE + halo, c0 : left + TILE + halo]
        inner = np.s_[top - r0 : top - r0 + TILE, left - c0 : left - c0 + TILE]
        for whole, part in zip((value, per_column, per_row), _fit_tile(values[wide], wet[wide], scale), strict=True):
            whole[core] = np.where(wet[core], part[inner], 0.0)

    side_by_side(fit, product(range(0, wet.shape[0], TILE), range(0, wet.shape[1], TILE)))
    return value, per_column, per_row


def _fit_tile(values: np.ndarray, wet: np.ndarray, scale: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    mask = wet.astype(np.float32)
    held = np.where(wet, values, 0.0).astype(np.float32)
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
