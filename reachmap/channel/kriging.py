"""Interpolation in channel coordinates: a random field that the waterline tapers to zero.

value = T (mu + h + g): T the taper (see `Places.taper`), mu a mean, h a slow drift along the river, g a Gaussian field
with Matern 3/2 correlation, stretched along the river, plus white noise of the measurements. The drift keeps what is
measured in one stretch from moving the mean of another. No zero-depth points along the bank are needed;
such points would bias every method shallow. The variance at a place is a^2 T^2 u + b^2: u the share of the field's
variance the points leave open, a and b fitted to the residuals of single points and of whole groups left out, so
that b holds what no neighbour can tell: detail of the bed, errors of position and of the instrument.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np

from reachmap.channel.kernel import Kernel, Setting, System, Trend
from reachmap.channel.leftout import leave_out
from reachmap.channel.ranges import choose_settings
from reachmap.channel.windows import Points, thin, window_list
from reachmap.threads import side_by_side

Found = TypeVar("Found")

INSTRUMENT_SHARE = 0.3
"""Share of the detail's variance that is the instrument's own and no error of the map; assumed."""

FEWEST_FOR_ERROR = 5
"""Points below which the error is not measured but taken as half the size of the values, assumed."""


@dataclass(frozen=True)
class TaperedField:
    """A fitted field; make one with `TaperedField.fit`.

    Parameters
    ----------
    points : fitted, n in order downstream; neighbours averaged if there are many
    of_input : for every point given, the point fitted that stands for it
    width : typical width W [m]
    fitted : for every window range across in widths, stretch along, noise over the field's standard deviation
    trend : "mean" (mean and drift), "drift" (drift around zero) or "none" (zero)
    scale, detail : standard deviation a of the field and b of what neighbours can't tell, in the unit of the values
    left_out : (n,) value predicted at each point with its whole group left out
    chosen : "default", "grid" (in some window) or "given"
    """

    points: Points
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
        like: tuple[Setting, ...] = (),
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
        like : settings of a like field at the same places, which one of many windows chooses among; empty tries many
        """
        alone = groups is None
        groups = np.zeros(len(values), int) if groups is None else np.asarray(groups)
        # One order for the same points, so that the order of the rows in a file changes nothing.
        order = np.lexsort((values, across, along))
        rank = np.empty(len(order), int)
        rank[order] = np.arange(len(order))
        places = np.column_stack([along, across]).astype(float)
        columns = (np.asarray(taper, float), np.asarray(values, float), np.unique(groups, return_inverse=True)[1])
        given = Points(places, *columns).part(order)
        place_of, points = thin(given, width)
        if alone:
            points = replace(points, groups=np.arange(len(points)))
        # What averaging smoothed away is detail too; half of it, as some is the slope of the bed within a cell.
        within = float(np.sqrt(np.mean((given.values - points.values[place_of]) ** 2)))
        fitted, chosen = choose_settings(points, width, trend, setting, like)
        left_out = leave_out(points, (np.arange(len(points)), points.groups), fitted, trend, width)
        scale, detail = _spreads(points.values, left_out)
        detail = float(np.hypot(detail, within / 2))
        return cls(points, place_of[rank], width, fitted, trend, scale, detail, left_out[1][0], chosen)

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
            "points": len(self.points),
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

    def value(self, along: np.ndarray, across: np.ndarray) -> np.ndarray:
        """Untapered value alone, without the inverted triangle its variance needs."""
        targets = np.column_stack([along, across]).astype(float)
        value, total = np.zeros(len(targets)), np.zeros(len(targets))
        for weight, which, part in self._of_windows(targets[:, 0], lambda system, at: system.value(targets[at])):
            value[which] += weight * part
            total[which] += weight
        return value / total

    def relative(self, along: np.ndarray, across: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Untapered value, and variance as a share of the field's own: near 0 at a point, 1 where nothing is known."""
        targets = np.column_stack([along, across]).astype(float)
        value, variance = np.zeros(len(targets)), np.zeros(len(targets))
        total = np.zeros(len(targets))
        for weight, which, part in self._of_windows(targets[:, 0], lambda system, at: system.predict(targets[at])):
            value[which] += weight * part[0]
            variance[which] += weight * part[1]
            total[which] += weight
        return value / total, variance / total

    def _of_windows(
        self, along: np.ndarray, asked: Callable[[System, np.ndarray], Found]
    ) -> list[tuple[np.ndarray, np.ndarray, Found]]:
        """What each window's system says: the weight of the places it serves, which they are, and what was asked."""
        # The outermost windows serve everything beyond the outermost points.
        downstream = self.points.places[:, 0]
        along = np.clip(along, downstream[0], downstream[-1])
        windows = zip(window_list(downstream, self.width), self.fitted, strict=True)
        low, high = along.min(initial=np.inf), along.max(initial=-np.inf)
        asked_for = [(window, setting) for window, setting in windows if low - window[1] < window[0] < high + window[1]]

        def of(window: tuple[tuple[float, float, np.ndarray], Setting]) -> tuple[np.ndarray, np.ndarray, Found]:
            (centre, half, members), setting = window
            weight = np.clip(1 - np.abs(along - centre) / half, 0.0, None) if np.isfinite(half) else np.ones(len(along))
            which = np.flatnonzero(weight > 0)
            kernel = Kernel.make(setting, self.width, self.trend)
            system = System.solve(self.points.part(members), kernel, setting[2], self.trend)
            return weight[which], which, asked(system, which)

        return side_by_side(of, asked_for)


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
    from scipy.optimize import nnls

    weight = 1.0 / np.maximum(squares, 1e-12)
    (a2, b2), _ = nnls(np.column_stack([shares, np.ones(2)]) * weight[:, None], squares * weight)
    predicted, variance = left_out[1]
    blocked = float(np.mean((values - predicted) ** 2 / np.maximum(variance, 0.01)))
    detail = float(np.sqrt((1 - INSTRUMENT_SHARE) * b2))
    return max(float(np.sqrt(max(a2, blocked / 3))), 1e-6), max(detail, 0.01 * size)
