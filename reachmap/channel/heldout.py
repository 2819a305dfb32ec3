"""Which soundings are left out together when the error is measured: whole cross-sections or track segments."""

from __future__ import annotations

from typing import Any

import numpy as np

SEGMENT_WIDTHS = 0.5
"""Length of a track segment in widths, for points that belong to no cross-section."""

SECTION_SPREAD = 0.5
"""A line counts as a cross-section if it stretches less than this many widths along the river."""

SECTION_POINTS = 3
"""Fewest points of a cross-section."""


def blocks(along: np.ndarray, lines: np.ndarray, width: float) -> tuple[np.ndarray, str]:
    """Group soundings that must be left out together, numbered downstream.

    A line with at least 3 points that stretches less than half a width along the river is a cross-section;
    everything else is cut into segments half a width long.

    Parameters
    ----------
    along : (n,) distance downstream [m]
    lines : (n,) name of the track or cross-section of each point, "" where unknown
    width : typical width of the river [m]

    Returns
    -------
    groups : (n,) int
    how : "whole cross-sections", "track segments" or "whole cross-sections and track segments"
    """
    along = np.asarray(along, float)
    key = np.floor(along / (SEGMENT_WIDTHS * width)).astype(int).astype(object)
    section = np.zeros(len(along), bool)
    for name in np.unique(lines[lines != ""]):
        on = lines == name
        if on.sum() >= SECTION_POINTS and np.ptp(along[on]) < SECTION_SPREAD * width:
            key[on] = f"section {name}"
            section[on] = True
    names, groups = np.unique(key.astype(str), return_inverse=True)
    middle = np.bincount(groups, along, len(names)) / np.bincount(groups, minlength=len(names))
    rank = np.empty(len(names), int)
    rank[np.lexsort((names, middle))] = np.arange(len(names))
    how = "whole cross-sections" if section.mean() > 0.5 else "track segments"
    if 0.1 < section.mean() < 0.9:
        how = "whole cross-sections and track segments"
    return rank[groups], how


def error_figures(measured: np.ndarray, left_out: np.ndarray, how: str) -> dict[str, Any]:
    """Held-out error as plain values: rmse, bias (predicted less measured), 95th percentile, n, how."""
    error = np.asarray(left_out) - np.asarray(measured)
    return {
        "rmse": round(float(np.sqrt(np.mean(error**2))), 4),
        "bias": round(float(np.mean(error)), 4),
        "p95": round(float(np.percentile(np.abs(error), 95)), 4),
        "n": len(error),
        "how": how,
    }
