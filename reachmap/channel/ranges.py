"""Which ranges to krige with: a good default, left only where held-out points say clearly that others are better."""

from __future__ import annotations

from itertools import product

import numpy as np

from reachmap.channel.kernel import Apart, Kernel, Setting, Trend
from reachmap.channel.leftout import batches_of, judge, projected_inverse
from reachmap.channel.windows import window_list

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


def choose_settings(
    places: np.ndarray,
    taper: np.ndarray,
    values: np.ndarray,
    groups: np.ndarray,
    width: float,
    trend: Trend,
    setting: Setting | tuple[Setting, ...] | None,
) -> tuple[tuple[Setting, ...], str]:
    """A setting for every window, chosen by its own points so that one stretch does not smooth another."""
    windows = window_list(places[:, 0], width)
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
    batches, apart = batches_of(groups[keep]), Apart(places[keep], taper[keep])

    def errors(shape: tuple[float, float], noises: tuple[float, ...]) -> list[np.ndarray]:
        """For each noise the mean absolute residual in both halves of the reach and in the whole.

        Not squared: a few gross errors or one sudden step must not decide for the whole river.
        """
        base = apart.covariance(Kernel.make((*shape, 0.0), width, trend))
        sizes = []
        for noise in noises:
            inverse = projected_inverse(base, taper[keep], noise, trend)
            sizes.append(np.abs(judge(inverse, values[keep], batches)[0]))
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
