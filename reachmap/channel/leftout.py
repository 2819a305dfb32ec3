"""Residuals with whole groups of points left out, in closed form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky
from scipy.linalg.lapack import dtrtri, strtri

from reachmap.channel.kernel import Kernel, Setting, Trend, covariance
from reachmap.channel.windows import Points, window_list

SMALL = 48
"""Triangles up to this many rows are inverted by LAPACK; assumed."""


def leave_out(
    points: Points, groupings: tuple[np.ndarray, ...], fitted: tuple[Setting, ...], trend: Trend, width: float
) -> tuple[tuple[np.ndarray, np.ndarray], ...]:
    """For each grouping, prediction and relative variance (without noise) at every point with its group left out.

    Every point is judged once, in the window whose middle is nearest.
    """
    places, taper, values = points.places, points.taper, points.values
    out = tuple((values.copy(), np.ones(len(values))) for _ in groupings)
    windows = window_list(places[:, 0], width)
    home = np.argmin(np.abs(places[:, :1] - np.array([centre for centre, _, _ in windows])), axis=1)
    for k, ((_, _, members), setting) in enumerate(zip(windows, fitted, strict=True)):
        kernel = Kernel.make(setting, width, trend)
        mine = home[members] == k
        base = covariance(places[members], taper[members], kernel)
        inverse = Precision.of(base, taper[members], setting[2], trend)
        for (predicted, variance), groups in zip(out, groupings, strict=True):
            residual, spread = judge(inverse, values[members], batches_of(groups[members]))
            predicted[members[mine]] = (values[members] - residual)[mine]
            variance[members[mine]] = np.maximum(spread - setting[2] ** 2, 1e-12)[mine]
    return out


def batches_of(groups: np.ndarray) -> list[np.ndarray]:
    """Members of every group, (groups, most members) with -1 behind the last; groups of like size together.

    A group that holds every point leaves nothing to judge it by and is left away.
    """
    order = np.argsort(groups, kind="stable")
    starts = np.flatnonzero(np.diff(groups[order], prepend=groups[order[0]] - 1))
    sizes = np.diff(np.append(starts, len(groups)))
    starts, sizes = (a[sizes < len(groups)] for a in (starts, sizes))
    out = []
    rough = np.ceil(np.log2(sizes)).astype(int)
    for power in np.unique(rough):
        pick = rough == power
        column = np.arange(sizes[pick].max())
        place = starts[pick][:, None] + column
        inside = column < sizes[pick][:, None]
        out.append(np.where(inside, order[np.where(inside, place, 0)], -1))
    return out


def judge(inverse: Precision, values: np.ndarray, batches: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Residual and relative variance at every point with its group left out, exact.

    With P the inverse covariance projected past the mean, the residual of a group B is inv(P_BB) (P z)_B.
    """
    flat = inverse.times(values)
    residual, variance = np.zeros(len(values)), np.ones(len(values))
    for members in batches:
        inside = members >= 0
        both = inside[:, :, None] & inside[:, None]
        block = np.where(both, inverse.blocks(members), np.eye(members.shape[1]))
        spread = np.linalg.inv(block)
        own = members[inside]
        residual[own] = (spread @ np.where(inside, flat[members], 0.0)[:, :, None])[:, :, 0][inside]
        variance[own] = np.maximum(np.einsum("ijj->ij", spread)[inside], 1e-12)
    return residual, variance


@dataclass(frozen=True)
class Precision:
    """Inverse of a covariance with noise added, projected past the mean where there is one.

    Parameters
    ----------
    half : (n, n) whose product with its own transpose is the inverse
    past : (n,) its outer product with itself is what the projection takes away; None where there is no mean
    """

    half: np.ndarray
    past: np.ndarray | None

    @classmethod
    def of(cls, base: np.ndarray, taper: np.ndarray, noise: float, trend: Trend) -> Precision:
        """From a covariance without noise (n, n) and the taper the mean is seen through (n,)."""
        noisy = base.copy()
        noisy[np.diag_indices_from(noisy)] += noise**2
        # Turned over it is the same matrix in LAPACK's own order, so that nothing is copied.
        lower = cholesky(noisy.T, lower=True, check_finite=False, overwrite_a=True)
        half = np.zeros_like(base)
        _invert(lower.T, half)
        if trend != "mean":
            return cls(half, None)
        column = half @ (taper @ half)
        return cls(half, column / np.sqrt(float(taper @ column)))

    def times(self, values: np.ndarray) -> np.ndarray:
        """The product with a vector (n,)."""
        out = self.half @ (values @ self.half)
        return out if self.past is None else out - self.past * float(self.past @ values)

    def blocks(self, members: np.ndarray) -> np.ndarray:
        """The square blocks of some points, (groups, most members) in and (groups, most, most) out."""
        rows = self.half[members]
        out = rows @ rows.transpose(0, 2, 1)
        return out if self.past is None else out - self.past[members[:, :, None]] * self.past[members[:, None]]


def _invert(upper: np.ndarray, out: np.ndarray) -> None:
    """Write the inverse of an upper triangle (n, n) into the upper triangle of `out`.

    By halves, as most of the work is then in products of matrices, which are quicker than LAPACK's own way.
    """
    n = len(upper)
    if n <= SMALL:
        out[:] = (strtri if upper.dtype == np.float32 else dtrtri)(upper)[0]
        return
    head, tail = slice(0, n // 2), slice(n // 2, n)
    for part in (head, tail):
        _invert(upper[part, part], out[part, part])
    out[head, tail] = -(out[head, head] @ (upper[head, tail] @ out[tail, tail]))
