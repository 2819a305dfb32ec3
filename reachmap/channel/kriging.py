"""Interpolation in channel coordinates: a random field that the waterline tapers to zero.

value = T (mu + h + g): T the taper (see `Places.taper`), mu a mean, h a slow drift along the river, g a Gaussian field
with Matern 3/2 correlation, stretched along the river, plus white noise of the measurements. The drift keeps what is
measured in one stretch from moving the mean of another. No zero-depth points along the bank are needed;
such points would bias every method shallow. The variance at a place is a^2 T^2 u + b^2: u the share of the field's
variance the points leave open, a and b fitted to the residuals of single points and of whole groups left out, so
that b holds what no neighbour can tell: detail of the bed, errors of position and of the instrument.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any, Literal

import numpy as np
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.linalg.lapack import dpotri
from scipy.optimize import nnls

Trend = Literal["mean", "drift", "none"]

Setting = tuple[float, float, float]

DEFAULT: Setting = (0.4, 5.0, 0.25)
"""Range across in widths, stretch along, noise over field standard deviation; best default measured."""

SHAPES, NOISES = tuple(product((0.15, 0.3, 0.6), (1.0, 2.0, 4.0, 8.0))), (0.1, 0.03, 0.3)
"""Ranges with stretches, and noises, tried against the default: 36 settings."""

BEST_SHAPES = 3
"""Shapes tried at every noise."""

DRIFT_RANGE, DRIFT_SILL = 6.0, 1.0
"""Range of the slow drift along the river in widths, and its variance over the field's; assumed, the error hardly
depends on either."""

MUST_GAIN = 0.12
"""A setting replaces the default only if its blocked error is this much lower, and half as much in both halves of the
reach."""

TRIAL_POINTS = 400
"""Points at most in the choice of the setting."""

MAX_GAP_WIDTHS = 2.5
"""With groups farther apart along the river than this the data can't tell one setting from another."""

MIN_GROUPS = 6
"""Groups below which the data can't choose a setting."""

INSTRUMENT_SHARE = 0.3
"""Share of the detail's variance that is the instrument's own and no error of the map; assumed."""

FEWEST_FOR_ERROR = 5
"""Points below which the error is not measured but taken as half the size of the values, assumed."""

WINDOW_FEWEST, WINDOW_MOST = 40, 900
"""Fewest and most points of a window."""

CELLS_ACROSS = 12
"""Cells across the river in which neighbours are averaged first where a window would hold too many points."""

WINDOW_STEP, WINDOW_REACH = 6.0, 9.0
"""Spacing of windows and how far points are taken to each side, in widths."""

CHUNK = 4096
"""Places predicted at once."""


def matern(a: np.ndarray, b: np.ndarray, ranges: np.ndarray) -> np.ndarray:
    """Matern 3/2 correlation (1 + r) exp(-r), r = sqrt(3) times the scaled distance, of points (n, 2) and (m, 2)."""
    a, b = a / ranges, b / ranges
    squared = (a * a).sum(axis=1)[:, None] + (b * b).sum(axis=1)[None] - 2 * a @ b.T
    r = np.sqrt(np.maximum(squared, 0.0, out=squared), out=squared)
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
class _System:
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
    def solve(
        cls, places: np.ndarray, taper: np.ndarray, values: np.ndarray, kernel: Kernel, noise: float, trend: Trend
    ) -> _System:
        covariance = _covariance(places, taper, kernel)
        covariance[np.diag_indices_from(covariance)] += noise**2
        factor = cho_factor(covariance, lower=True, check_finite=False, overwrite_a=True)
        bare = cho_solve(factor, values, check_finite=False)
        if trend != "mean":
            return cls(kernel, places, taper, factor, bare, 0.0, None, 0.0)
        of_mean = cho_solve(factor, taper, check_finite=False)
        variance = 1.0 / float(taper @ of_mean)
        mean = float(taper @ bare) * variance
        return cls(kernel, places, taper, factor, bare - mean * of_mean, mean, of_mean, variance)

    def predict(self, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Untapered value and relative variance."""
        value, variance = np.empty(len(places)), np.empty(len(places))
        for start in range(0, len(places), CHUNK):
            part = slice(start, start + CHUNK)
            link = self.kernel(places[part], self.places) * self.taper
            value[part] = self.mean + link @ self.weights
            explained = solve_triangular(self.factor[0], link.T, lower=True, check_finite=False)
            variance[part] = self.kernel.sill - np.einsum("ij,ij->j", explained, explained)
            if self.mean_weights is not None:
                variance[part] += (1.0 - link @ self.mean_weights) ** 2 * self.mean_variance
        return value, np.maximum(variance, 0.0)


def _covariance(places: np.ndarray, taper: np.ndarray, kernel: Kernel) -> np.ndarray:
    return kernel(places, places) * taper[:, None] * taper[None]


@dataclass(frozen=True)
class TaperedField:
    """A fitted field; make one with `TaperedField.fit`.

    Parameters
    ----------
    places, taper, values, groups : (n,) the points fitted, in order downstream; neighbours averaged if there are many
    of_input : for every point given, the point fitted that stands for it
    width : typical width W [m]
    fitted : for every window range across in widths, stretch along, noise over the field's standard deviation
    trend : "mean" (mean and drift), "drift" (drift around zero) or "none" (zero)
    scale, detail : standard deviation a of the field and b of what neighbours can't tell, in the unit of the values
    left_out : (n,) value predicted at each point with its whole group left out
    chosen : "default", "grid" (in some window) or "given"
    """

    places: np.ndarray
    taper: np.ndarray
    values: np.ndarray
    groups: np.ndarray
    of_input: np.ndarray
    width: float
    fitted: tuple[Setting, ...]
    trend: Trend
    scale: float
    detail: float
    left_out: np.ndarray
    chosen: str

    @classmethod
    def fit(
        cls,
        along: np.ndarray,
        across: np.ndarray,
        taper: np.ndarray,
        values: np.ndarray,
        width: float,
        groups: np.ndarray | None = None,
        trend: Trend = "mean",
        setting: Setting | tuple[Setting, ...] | None = None,
    ) -> TaperedField:
        """Choose the setting, solve, and measure the error held out.

        Parameters
        ----------
        along, across : (n,) channel coordinates [m]
        taper : (n,) taper at the points
        values : (n,) what was measured
        width : typical width of the river [m]
        groups : (n,) int; points of one group are left out together. None: every point alone
        trend : "mean" fits a mean with a slow drift; "drift" a drift around 0; "none" holds it at 0, for residuals
        setting : range across in widths, stretch, noise ratio, one or one per window; None chooses
        """
        groups = np.arange(len(values)) if groups is None else np.asarray(groups)
        # One order for the same points, so that the order of the rows in a file changes nothing.
        order = np.lexsort((values, across, along))
        rank = np.empty(len(order), int)
        rank[order] = np.arange(len(order))
        places = np.column_stack([along, across])[order].astype(float)
        taper, values = (np.asarray(a, float)[order] for a in (taper, values))
        groups = np.unique(groups, return_inverse=True)[1][order]
        given = values
        place_of, (places, taper, values, groups) = _thin(places, taper, values, groups, width)
        # What averaging smoothed away is detail too; half of it, as some is the slope of the bed within a cell.
        within = float(np.sqrt(np.mean((given - values[place_of]) ** 2)))
        data = (places, taper, values)
        fitted, chosen = _settings(*data, groups, width, trend, setting)
        left_out = _leave_out(*data, (np.arange(len(values)), groups), fitted, trend, width)
        scale, detail = _spreads(values, left_out)
        detail = float(np.hypot(detail, within / 2))
        predicted = left_out[1][0]
        return cls(*data, groups, place_of[rank], width, fitted, trend, scale, detail, predicted, chosen)

    @property
    def setting(self) -> dict[str, Any]:
        """The choice made, as plain values."""
        mean = np.mean(self.fitted, axis=0)
        return {
            "range_m": round(float(mean[0]) * self.width, 3),
            "stretch": round(float(mean[1]), 3),
            "noise": round(float(mean[2]), 3),
            "chosen": self.chosen,
            "windows": len(self.fitted),
            "points": len(self.values),
        }

    def heldout(self) -> np.ndarray:
        """Value predicted at every point with its whole group left out (n,), in the order they were given."""
        return self.left_out[self.of_input]

    def predict(self, along: np.ndarray, across: np.ndarray, taper: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Value and standard error at places (m,), both in the unit of the values."""
        value, open_share = self.relative(along, across)
        return value * taper, self.error(open_share, taper)

    def error(self, open_share: np.ndarray, taper: np.ndarray) -> np.ndarray:
        """Standard error where the points leave this share of the field's variance open."""
        return np.sqrt(self.scale**2 * np.maximum(open_share, 0.0) * taper**2 + self.detail**2)

    def relative(self, along: np.ndarray, across: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Untapered value, and variance as a share of the field's own: near 0 at a point, 1 where nothing is known."""
        targets = np.column_stack([along, across]).astype(float)
        value, variance = np.zeros(len(targets)), np.zeros(len(targets))
        total = np.zeros(len(targets))
        for system, weight, which in self._windows(targets[:, 0]):
            part = system.predict(targets[which])
            value[which] += weight * part[0]
            variance[which] += weight * part[1]
            total[which] += weight
        return value / total, variance / total

    def _windows(self, along: np.ndarray) -> Iterator[tuple[_System, np.ndarray, np.ndarray]]:
        """Each window's system, the weight of the places it serves, and which they are."""
        # The outermost windows serve everything beyond the outermost points.
        along = np.clip(along, self.places[0, 0], self.places[-1, 0])
        windows = _window_list(self.places[:, 0], self.width)
        for (centre, half, members), setting in zip(windows, self.fitted, strict=True):
            weight = np.clip(1 - np.abs(along - centre) / half, 0.0, None) if np.isfinite(half) else np.ones(len(along))
            which = np.flatnonzero(weight > 0)
            if len(which):
                points = self.places[members], self.taper[members], self.values[members]
                kernel = Kernel.make(setting, self.width, self.trend)
                yield _System.solve(*points, kernel, setting[2], self.trend), weight[which], which


def _window_list(along: np.ndarray, width: float) -> list[tuple[float, float, np.ndarray]]:
    """Centre, half base of the blending weight, and the points of every window."""
    if len(along) < 2 * WINDOW_FEWEST or np.ptp(along) < 2 * WINDOW_STEP * width:
        return [(0.0, np.inf, np.arange(len(along)))]
    low, high = float(along.min()), float(along.max())
    count = max(1, round((high - low) / (WINDOW_STEP * width)))
    step = (high - low) / count
    out = []
    for k in range(count + 1):
        centre = low + k * step
        reach = WINDOW_REACH / WINDOW_STEP * step
        members = np.flatnonzero(np.abs(along - centre) <= reach)
        while len(members) < min(WINDOW_FEWEST, len(along)):
            reach *= 1.5
            members = np.flatnonzero(np.abs(along - centre) <= reach)
        out.append((centre, step, members))
    return out


def _thin(
    places: np.ndarray, taper: np.ndarray, values: np.ndarray, groups: np.ndarray, width: float
) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """Average neighbours of one group until no window holds too many points; which average each point went into."""
    data = (places, taper, values, groups)
    own, cell = np.arange(len(values)), width / CELLS_ACROSS
    while max(len(members) for _, _, members in _window_list(data[0][:, 0], width)) > WINDOW_MOST:
        key = np.column_stack([groups, np.floor(places / cell)])
        _, own, counts = np.unique(key, axis=0, return_inverse=True, return_counts=True)
        own = own.ravel()
        mean = [np.bincount(own, a) / counts for a in (*places.T, taper, values, groups.astype(float))]
        order = np.lexsort((mean[3], mean[1], mean[0]))
        rank = np.empty(len(order), int)
        rank[order] = np.arange(len(order))
        own = rank[own]
        data = (np.column_stack(mean[:2])[order], mean[2][order], mean[3][order], mean[4][order].round().astype(int))
        cell *= 1.5
    return own, data


def _leave_out(
    places: np.ndarray,
    taper: np.ndarray,
    values: np.ndarray,
    groupings: tuple[np.ndarray, ...],
    fitted: tuple[Setting, ...],
    trend: Trend,
    width: float,
) -> tuple[tuple[np.ndarray, np.ndarray], ...]:
    """For each grouping, prediction and relative variance (without noise) at every point with its group left out.

    Every point is judged once, in the window whose middle is nearest.
    """
    out = tuple((values.copy(), np.ones(len(values))) for _ in groupings)
    windows = _window_list(places[:, 0], width)
    home = np.argmin(np.abs(places[:, :1] - np.array([centre for centre, _, _ in windows])), axis=1)
    for k, ((_, _, members), setting) in enumerate(zip(windows, fitted, strict=True)):
        kernel = Kernel.make(setting, width, trend)
        mine = home[members] == k
        base = _covariance(places[members], taper[members], kernel)
        inverse = _projected_inverse(base, taper[members], setting[2], trend)
        for (predicted, variance), groups in zip(out, groupings, strict=True):
            residual, spread = _judge(inverse, values[members], _batches(groups[members]))
            predicted[members[mine]] = (values[members] - residual)[mine]
            variance[members[mine]] = np.maximum(spread - setting[2] ** 2, 1e-12)[mine]
    return out


def _batches(groups: np.ndarray) -> list[np.ndarray]:
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


def _judge(inverse: np.ndarray, values: np.ndarray, batches: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Residual and relative variance at every point with its group left out, exact.

    With P the inverse covariance projected past the mean, the residual of a group B is inv(P_BB) (P z)_B.
    """
    flat = inverse @ values
    residual, variance = np.zeros(len(values)), np.ones(len(values))
    for members in batches:
        inside = members >= 0
        both = inside[:, :, None] & inside[:, None]
        block = np.where(both, inverse[members[:, :, None], members[:, None]], np.eye(members.shape[1]))
        spread = np.linalg.inv(block)
        own = members[inside]
        residual[own] = (spread @ np.where(inside, flat[members], 0.0)[:, :, None])[:, :, 0][inside]
        variance[own] = np.maximum(np.einsum("ijj->ij", spread)[inside], 1e-12)
    return residual, variance


def _projected_inverse(base: np.ndarray, taper: np.ndarray, noise: float, trend: Trend) -> np.ndarray:
    covariance = base.copy()
    covariance[np.diag_indices_from(covariance)] += noise**2
    factor, _ = cho_factor(covariance, lower=True, check_finite=False, overwrite_a=True)
    half, _ = dpotri(factor, lower=True)
    inverse = np.tril(half)
    inverse += np.tril(half, -1).T
    if trend != "mean":
        return inverse
    column = inverse @ taper
    return inverse - np.outer(column, column) / float(taper @ column)


def _settings(
    places: np.ndarray,
    taper: np.ndarray,
    values: np.ndarray,
    groups: np.ndarray,
    width: float,
    trend: Trend,
    setting: Setting | tuple[Setting, ...] | None,
) -> tuple[tuple[Setting, ...], str]:
    """A setting for every window, chosen by its own points so that one stretch does not smooth another."""
    windows = _window_list(places[:, 0], width)
    if setting is not None:
        each = (setting,) * len(windows) if isinstance(setting[0], float) else setting
        return each, "given"
    both = [_choose(places[m], taper[m], values[m], groups[m], width, trend) for _, _, m in windows]
    return tuple(found for found, _ in both), "grid" if any(how == "grid" for _, how in both) else "default"


def _choose(
    places: np.ndarray, taper: np.ndarray, values: np.ndarray, groups: np.ndarray, width: float, trend: Trend
) -> tuple[Setting, str]:
    """The default, or a setting of the grid that beats it clearly in blocked cross-validation."""
    groups = np.unique(groups, return_inverse=True)[1]
    middles = np.sort(np.bincount(groups, places[:, 0]) / np.bincount(groups))
    if len(middles) < MIN_GROUPS or np.median(np.diff(middles)) > MAX_GAP_WIDTHS * width:
        return DEFAULT, "default"
    keep = _trial(groups)

    lower = groups[keep] >= np.median(groups[keep])
    batches = _batches(groups[keep])

    def errors(shape: tuple[float, float], noises: tuple[float, ...]) -> list[np.ndarray]:
        """For each noise the mean absolute residual in both halves of the reach and in the whole.

        Not squared: a few gross errors or one sudden step must not decide for the whole river.
        """
        base = _covariance(places[keep], taper[keep], Kernel.make((*shape, 0.0), width, trend))
        sizes = []
        for noise in noises:
            inverse = _projected_inverse(base, taper[keep], noise, trend)
            sizes.append(np.abs(_judge(inverse, values[keep], batches)[0]))
        return [np.array([size[~lower].mean(), size[lower].mean(), size.mean()]) for size in sizes]

    standard = errors(DEFAULT[:2], DEFAULT[2:])[0]
    # Every shape at the middle noise, then the best few at the others: nearly always the best of all at half the cost.
    pilot, *others = NOISES
    tried = {(*shape, pilot): errors(shape, (pilot,))[0] for shape in SHAPES}
    for shape in sorted(SHAPES, key=lambda shape: tried[(*shape, pilot)][2])[:BEST_SHAPES]:
        tried.update({(*shape, noise): e for noise, e in zip(others, errors(shape, tuple(others)), strict=True)})
    best = min(tried, key=lambda setting: tried[setting][2])
    gain = 1 - tried[best] / np.maximum(standard, 1e-300)
    if gain[2] >= MUST_GAIN and gain[:2].min() >= MUST_GAIN / 2:
        return best, "grid"
    return DEFAULT, "default"


def _trial(groups: np.ndarray) -> np.ndarray:
    """Points for the choice of a setting: whole groups, spread evenly, not more than `TRIAL_POINTS`."""
    if len(groups) <= TRIAL_POINTS:
        return np.arange(len(groups))
    share = -(-len(groups) // TRIAL_POINTS)
    # Neighbouring groups stay together, else the trial would see a sparser survey than there is.
    run = groups // 4
    return np.flatnonzero(run % share == 0)


def _spreads(values: np.ndarray, left_out: tuple[tuple[np.ndarray, np.ndarray], ...]) -> tuple[float, float]:
    """The field's standard deviation a and that of the detail b, by least squares on both kinds of residual.

    The mean squared residual of each kind is a^2 times the mean relative variance plus b^2. a is not let below
    0.6 of what the residuals of whole groups alone say.
    """
    size = max(float(np.sqrt(np.mean(values**2))), 1e-6)
    if len(values) < FEWEST_FOR_ERROR:
        return size / 2, size / 10
    squares = np.array([np.mean((values - predicted) ** 2) for predicted, _ in left_out])
    shares = np.array([np.mean(variance) for _, variance in left_out])
    weight = 1.0 / np.maximum(squares, 1e-12)
    (a2, b2), _ = nnls(np.column_stack([shares, np.ones(2)]) * weight[:, None], squares * weight)
    predicted, variance = left_out[1]
    blocked = float(np.mean((values - predicted) ** 2 / np.maximum(variance, 0.01)))
    detail = float(np.sqrt((1 - INSTRUMENT_SHARE) * b2))
    return max(float(np.sqrt(max(a2, blocked / 3))), 1e-6), max(detail, 0.01 * size)
