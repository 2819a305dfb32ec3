"""Other ways to interpolate, written out or taken from libraries, to compare with."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import griddata
from scipy.spatial.distance import cdist


def eidw(places: np.ndarray, values: np.ndarray, targets: np.ndarray, stretch: float, power: float = 2.0) -> np.ndarray:
    """Elliptical inverse distance weighting: along counts 1/stretch as far as across."""
    scale = np.array([1.0 / stretch, 1.0])
    weight = np.maximum(cdist(targets * scale, places * scale), 1e-9) ** -power
    return (weight @ values) / weight.sum(axis=1)


def linear(places: np.ndarray, values: np.ndarray, targets: np.ndarray) -> np.ndarray:
    """scipy griddata, linear, nearest outside the hull."""
    out = griddata(places, values, targets, "linear")
    bad = ~np.isfinite(out)
    out[bad] = griddata(places, values, targets[bad], "nearest")
    return out


def rmse(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.sqrt(np.mean((np.asarray(a) - np.asarray(b)) ** 2)))
