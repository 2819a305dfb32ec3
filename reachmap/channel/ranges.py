"""Which ranges to krige with: a good default, left only where held-out points say clearly that others are better."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from reachmap.channel.kernel import Apart, Kernel, Setting, Trend
from reachmap.channel.leftout import Precision, batches_of, judge
from reachmap.channel.windows import Points, window_list

DEFAULT: Setting = (0.4, 5.0, 0.25)
"""Range across in widths, stretch along, noise over field standard deviation; best default measured."""

SHAPES, NOISES = tuple(product((0.15, 0.3, 0.6), (1.0, 2.0, 4.0, 8.0))), (0.1, 0.03, 0.3)
"""Ranges with stretches, and noises, tried against the default: 36 settings."""

BEST_SHAPES = 3
"""Shapes tried at every noise."""

MUST_GAIN = 0.12
"""A setting replaces the default only if its blocked error is this much lower, and half as much in both halves of the
reach."""

TRIAL_POINTS = 400
"""Points at most in the choice of the setting."""

MAX_GAP_WIDTHS = 2.5
"""With groups farther apart along the river than this the data can't tell one setting from another."""

MIN_GROUPS = 6
"""Groups below which the data can't choose a setting."""

ALL_WINDOWS = 8
"""With more windows than this every other one tries only what its neighbours chose; they share most of its points.
Assumed."""

OWN_WINDOWS = 4
"""With more windows than this a field that is like another one tries only what that one chose; assumed."""


def choose_settings(
    points: Points,
    width: float,
    trend: Trend,
    setting: Setting | tuple[Setting, ...] | None,
    like: tuple[Setting, ...] = (),
) -> tuple[tuple[Setting, ...], str]:
    """A setting for every window, chosen by its own points so that one stretch does not smooth another.

    On a long river every other window tries the whole grid, and those between what their neighbours chose. With the
    settings of a like field, every window of many tries only what it and its neighbours have in that.
    """
    windows = window_list(points.places[:, 0], width)
    if setting is not None:
        each = (setting,) * len(windows) if isinstance(setting[0], float) else setting
        return each, "given"

    def chosen(k: int, among: set[Setting] | None = None) -> Setting:
        window = _Window.of(points.part(windows[k][2]), width, trend)
        return DEFAULT if window is None else window.choose(among)

    known = dict(enumerate(like)) if len(windows) > OWN_WINDOWS else {}
    step = 1 if len(windows) <= ALL_WINDOWS else 2
    found = {} if known else {k: chosen(k) for k in range(0, len(windows), step)}
    known |= found
    left = [k for k in range(len(windows)) if k not in found]
    found |= {k: chosen(k, {known[n] for n in (k - 1, k, k + 1) if n in known} - {DEFAULT}) for k in left}
    each = tuple(found[k] for k in range(len(windows)))
    return each, "default" if set(each) == {DEFAULT} else "grid"


Shape = tuple[float, float]
"""Range across in widths, and stretch along."""


@dataclass(frozen=True)
class _Window:
    """The points of one window that settings are judged by."""

    apart: Apart
    taper: np.ndarray
    values: np.ndarray
    batches: list[np.ndarray]
    lower: np.ndarray
    width: float
    trend: Trend

    @classmethod
    def of(cls, points: Points, width: float, trend: Trend) -> _Window | None:
        """The points, or None where they can't choose."""
        groups = np.unique(points.groups, return_inverse=True)[1]
        middles = np.sort(np.bincount(groups, points.places[:, 0]) / np.bincount(groups))
        if len(middles) < MIN_GROUPS or np.median(np.diff(middles)) > MAX_GAP_WIDTHS * width:
            return None
        keep = _trial(groups)
        points, groups = points.part(keep), groups[keep]
        lower = groups >= np.median(groups)
        # Settings differ by far more than what single precision leaves out, and it is quicker.
        taper, values = points.taper.astype(np.float32), points.values.astype(np.float32)
        return cls(Apart(points.places, taper, np.float32), taper, values, batches_of(groups), lower, width, trend)

    def choose(self, among: set[Setting] | None = None) -> Setting:
        """The default, or a setting of some (None: of the grid) that beats it clearly in blocked cross-validation."""
        if among is None:
            tried = self._grid()
        else:
            tried = {setting: self.errors(setting[:2], setting[2:])[0] for setting in sorted(among)}
        best = min(tried, key=lambda setting: tried[setting][2], default=DEFAULT)
        if best == DEFAULT:
            return DEFAULT
        gain = 1 - tried[best] / np.maximum(self.errors(DEFAULT[:2], DEFAULT[2:])[0], 1e-300)
        return best if gain[2] >= MUST_GAIN and gain[:2].min() >= MUST_GAIN / 2 else DEFAULT

    def _grid(self) -> dict[Setting, np.ndarray]:
        """Every shape at the middle noise, then the best few at the others: nearly always the best of all at half the
        cost."""
        pilot, *others = NOISES
        tried = {(*shape, pilot): self.errors(shape, (pilot,))[0] for shape in SHAPES}
        for shape in sorted(SHAPES, key=lambda shape: tried[(*shape, pilot)][2])[:BEST_SHAPES]:
            found = self.errors(shape, tuple(others))
            tried.update({(*shape, noise): e for noise, e in zip(others, found, strict=True)})
        return tried

    def errors(self, shape: Shape, noises: tuple[float, ...]) -> list[np.ndarray]:
        """For each noise the mean absolute residual in both halves of the window and in the whole.

        Not squared: a few gross errors or one sudden step must not decide for the whole river.
        """
        base = self.apart.covariance(Kernel.make((*shape, 0.0), self.width, self.trend))
        sizes = []
        for noise in noises:
            inverse = Precision.of(base, self.taper, noise, self.trend)
            sizes.append(np.abs(judge(inverse, self.values, self.batches)[0]))
        return [np.array([size[~self.lower].mean(), size[self.lower].mean(), size.mean()]) for size in sizes]


def _trial(groups: np.ndarray) -> np.ndarray:
    """Points for the choice of a setting: whole groups, spread evenly, not more than `TRIAL_POINTS`."""
    if len(groups) <= TRIAL_POINTS:
        return np.arange(len(groups))
    share = -(-len(groups) // TRIAL_POINTS)
    # Neighbouring groups stay together, else the trial would see a sparser survey than there is.
    run = groups // 4
    return np.flatnonzero(run % share == 0)
