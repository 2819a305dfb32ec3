"""How depths or speeds at two places hang together, and the kriging system built on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.linalg import cho_factor, cho_solve, solve_triangular

from reachmap.channel.windows import Points

Trend = Literal["mean", "drift", "none"]

Setting = tuple[float, float, float]

DRIFT_RANGE, DRIFT_SILL = 6.0, 1.0
"""Range of the slow drift along the river in widths, and its variance over the field's; assumed, the error hardly
depends on either."""

CHUNK = 4096
"""Places predicted at once."""


def matern(a: np.ndarray, b: np.ndarray, ranges: np.ndarray) -> np.ndarray:
    """Matern 3/2 correlation (1 + r) exp(-r), r = sqrt(3) times the scaled distance, of points (n, 2) and (m, 2)."""
    a, b = a / ranges, b / ranges
    squared = (a * a).sum(axis=1)[:, None] + (b * b).sum(axis=1)[None] - 2 * a @ b.T
    return of_squared(np.maximum(squared, 0.0, out=squared))


def of_squared(squared: np.ndarray) -> np.ndarray:
    """The same from squared scaled distances; worked out in place."""
    r = np.sqrt(squared, out=squared)
    r *= np.sqrt(3.0)
    decay = np.exp(-r)
    r += 1.0
    r *= decay
    return r


@dataclass(frozen=True)
class Kernel:
    """How values at two places hang together, before the taper and without the noise.

    Parameters
    ----------
    ranges : correlation range of the field along and across [m]
    drift_range : range of the drift along [m]
    drift_sill : variance of the drift over the field's, 0 for none
    """

    ranges: np.ndarray
    drift_range: float
    drift_sill: float

    @classmethod
    def make(cls, setting: Setting, width: float, trend: Trend) -> Kernel:
        """The kernel of a setting (in widths) on a river this wide."""
        ranges = np.array([setting[0] * setting[1], setting[0]]) * width
        return cls(ranges, DRIFT_RANGE * width, 0.0 if trend == "none" else DRIFT_SILL)

    @property
    def sill(self) -> float:
        """Variance where nothing is known, over the field's."""
        return 1.0 + self.drift_sill

    def __call__(self, a: np.ndarray, b: np.ndarray) -> np.ndarray:
        """Covariance of places (n, 2) and (m, 2), over the field's variance (n, m)."""
        out = matern(a, b, self.ranges)
        if self.drift_sill:
            out += self.drift_sill * matern(a[:, :1], b[:, :1], np.array([self.drift_range]))
        return out


@dataclass(frozen=True)
class System:
    """One factored kriging system."""

    kernel: Kernel
    places: np.ndarray
    taper: np.ndarray
    factor: tuple[np.ndarray, bool]
    weights: np.ndarray
    mean: float
    mean_weights: np.ndarray | None
    mean_variance: float

    @classmethod
    def solve(cls, points: Points, kernel: Kernel, noise: float, trend: Trend) -> System:
        places, taper = points.places, points.taper
        noisy = covariance(places, taper, kernel)
        noisy[np.diag_indices_from(noisy)] += noise**2
        factor = cho_factor(noisy, lower=True, check_finite=False, overwrite_a=True)
        bare = cho_solve(factor, points.values, check_finite=False)
        if trend != "mean":
            return cls(kernel, places, taper, factor, bare, 0.0, None, 0.0)
        of_mean = cho_solve(factor, taper, check_finite=False)
        variance = 1.0 / float(taper @ of_mean)
        mean = float(taper @ bare) * variance
        return cls(kernel, places, taper, factor, bare - mean * of_mean, mean, of_mean, variance)

    def value(self, places: np.ndarray) -> np.ndarray:
        """Untapered value."""
        value = np.empty(len(places))
        for start in range(0, len(places), CHUNK):
            part = slice(start, start + CHUNK)
            value[part] = self.mean + self.kernel(places[part], self.places) @ (self.taper * self.weights)
        return value

    def predict(self, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Untapered value and relative variance."""
        value, variance = np.empty(len(places)), np.empty(len(places))
        # Products with the inverted triangle cost less than solving with it for every place.
        half = solve_triangular(self.factor[0], np.eye(len(self.taper)), lower=True, check_finite=False).T
        for start in range(0, len(places), CHUNK):
            part = slice(start, start + CHUNK)
            link = self.kernel(places[part], self.places) * self.taper
            value[part] = self.mean + link @ self.weights
            explained = link @ half
            variance[part] = self.kernel.sill - np.einsum("ij,ij->i", explained, explained)
            if self.mean_weights is not None:
                variance[part] += (1.0 - link @ self.mean_weights) ** 2 * self.mean_variance
        return value, np.maximum(variance, 0.0)


class Apart:
    """Covariances of the same tapered values under one kernel after another: what does not change is kept.

    They come in the type that is given.
    """

    def __init__(self, places: np.ndarray, taper: np.ndarray, dtype: type = np.float64) -> None:
        self.squared = [(np.subtract.outer(at, at) ** 2).astype(dtype, copy=False) for at in places.T]
        self.tapers: np.ndarray = np.outer(taper, taper).astype(dtype, copy=False)
        self.drifts: dict[tuple[float, float], np.ndarray] = {}

    def covariance(self, kernel: Kernel) -> np.ndarray:
        """Covariance of the values without their noise, over the field's variance (n, n)."""
        along, across = (gap / float(size**2) for gap, size in zip(self.squared, kernel.ranges, strict=True))
        out = of_squared(np.add(along, across, out=along))
        if kernel.drift_sill:
            out += self._drift(kernel.drift_range, kernel.drift_sill)
        out *= self.tapers
        return out

    def _drift(self, reach: float, sill: float) -> np.ndarray:
        if (reach, sill) not in self.drifts:
            self.drifts[reach, sill] = sill * of_squared(self.squared[0] / reach**2)
        return self.drifts[reach, sill]


def covariance(places: np.ndarray, taper: np.ndarray, kernel: Kernel) -> np.ndarray:
    """Covariance of tapered values at places (n, 2) without their noise, over the field's variance (n, n)."""
    return Apart(places, taper).covariance(kernel)
