"""How finely an eye resolves, in the three ways people say it, and what that means at a distance.

A minimum angle of resolution (MAR) of one minute of arc is 30 cycles per degree is 20/20 on a letter chart;
the conversions are exact definitions.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

CHART_FEET = 20.0
"""Distance of the letter chart in the usual notation, 20 feet."""


def cycles_per_degree(mar_arcmin: ArrayLike) -> np.ndarray:
    """Finest grating resolved [cycles/degree] from the minimum angle of resolution [arcmin]: 30 / MAR."""
    return 30.0 / np.asarray(mar_arcmin, float)


def arcmin(cycles: ArrayLike) -> np.ndarray:
    """Minimum angle of resolution [arcmin] from the finest grating resolved [cycles/degree]: 30 / cycles."""
    return 30.0 / np.asarray(cycles, float)


def chart_denominator(mar_arcmin: ArrayLike) -> np.ndarray:
    """The x of 20/x on a letter chart from the minimum angle of resolution [arcmin]: 20 MAR."""
    return CHART_FEET * np.asarray(mar_arcmin, float)


def smallest_feature(distance_m: ArrayLike, mar_arcmin: ArrayLike) -> np.ndarray:
    """Smallest feature resolved [m] at a distance [m]: L tan(MAR).

    Something of high contrast, or moving, can be noticed when it is smaller than this; its shape can't be made out.
    """
    return np.asarray(distance_m, float) * np.tan(np.radians(np.asarray(mar_arcmin, float) / 60.0))


def resolving_range(size_m: ArrayLike, mar_arcmin: ArrayLike) -> np.ndarray:
    """Distance [m] at which a thing of a size [m] shrinks to the minimum angle of resolution [arcmin]."""
    return np.asarray(size_m, float) / np.tan(np.radians(np.asarray(mar_arcmin, float) / 60.0))
