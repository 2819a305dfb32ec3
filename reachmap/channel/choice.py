"""How far to trust the flow solve where speeds were measured: held-out speeds decide.

Five ways are tried: the solve at the known flow; the solve with its flow fitted to the speeds; the fitted solve plus
a kriged residual; kriging of the speeds alone, each over the mean speed of the solve in its section, as the same water
runs faster through a narrow place; and the last two averaged, each weighing by the inverse of its held-out mean
square. Whole cross-sections or track segments are left out in turn, their depths too, and the smallest error
wins; the average is kept when it ties.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from reachmap.channel.kriging import TaperedField

KNOWN, FITTED, RESIDUAL, KRIGING, AVERAGE = (
    "flow",
    "flow fitted to speeds",
    "flow and residual",
    "kriging",
    "flow and residual, averaged with kriging",
)
"""Names of the ways, as reported."""

FEWEST_KRIGED, FEWEST_RESIDUAL, FEWEST_GROUPS = 8, 5, 3
"""Fewest speeds to krige, to krige a residual, and fewest groups to hold out; assumed."""

RESIDUAL_SETTING = (0.4, 5.0, 0.5)
"""Range across in widths, stretch along and noise of the residual: the depth's own, but noisier, as it holds the
errors of the depths too. Fixed, because a residual is too faint to choose by (measured)."""

TIE = 1.12
"""The average is kept unless another way's held-out error is smaller by more than this factor. Whole sections left
out lie farther from the rest than most of the map does from the data, so they show too little of what data gain."""

MOST_KRIGED = 0.25
"""Largest weight of kriging in the average, times the share of soundings that carry a speed: kriging sees the speeds
alone, the solve all depths, and held-out errors don't show that most of the map lies near some depth (measured)."""

LEAST_ACROSS = 0.35
"""Share of the width that speeds must span to be kriged alone: those of floats down the middle tell nothing of the
banks, and held out on the same line they don't show it; assumed."""

STILL_SHARE = 0.1
"""Speed of the solve, as a share of its median, below which water counts as still and takes no correction; assumed."""


@dataclass(frozen=True)
class Measured:
    """Speeds as they count for the fit; all (n,).

    Parameters
    ----------
    along, across, taper : place in channel coordinates and taper toward the waterline
    speed : depth-mean, wakes divided out [m/s]
    here : the solve at 1 m3/s in the cell of the map [m/s]
    sounded : the solve at 1 m3/s at the depth that was sounded, surer than its place [m/s]
    unseen : the solve at 1 m3/s at the depth the map would have without the point's group [m/s]
    section : mean speed of the solve in the section, over the typical one [-]
    unseen_section : the same at the depths the map would have without the point's group [-]
    groups : number of the cross-section or track segment
    how : what the groups are, in words
    share : share of the soundings that carry a speed, 0-1
    """

    along: np.ndarray
    across: np.ndarray
    taper: np.ndarray
    speed: np.ndarray
    here: np.ndarray
    sounded: np.ndarray
    unseen: np.ndarray
    section: np.ndarray
    unseen_section: np.ndarray
    groups: np.ndarray
    how: str
    share: float

    def fitted_flow(self) -> float:
        """The flow that fits the speeds best [m3/s], least squares."""
        return float(np.sum(self.sounded * self.speed) / np.sum(self.sounded**2))

    def heldout_flow(self) -> np.ndarray:
        """The fitted flow without each speed's own group, (n,)."""
        _, group = np.unique(self.groups, return_inverse=True)
        top, bottom = np.bincount(group, self.sounded * self.speed), np.bincount(group, self.sounded**2)
        rest = np.maximum(bottom.sum() - bottom, 1e-12)
        return ((top.sum() - top) / rest)[group]


@dataclass(frozen=True)
class Choice:
    """The way that was taken: weight x kriged x section + (1 - weight) x (flow x solve + residual).

    Parameters
    ----------
    name : one of the five
    flow_m3_s : what the solve is multiplied by
    residual : field to add to the solve, None where there is none
    kriged : field of the speeds alone, over those of their sections (see `Measured`), None where there is none
    weight : weight of the kriged speeds, 0-1
    error : (n,) held-out speed less measured [m/s]; empty if nothing was held out
    predicted : (n,) held-out speed [m/s]
    by_way : RMSE of every way that was tried [m/s]
    """

    name: str
    flow_m3_s: float
    residual: TaperedField | None = None
    kriged: TaperedField | None = None
    weight: float = 0.0
    error: np.ndarray = field(default_factory=lambda: np.zeros(0))
    predicted: np.ndarray = field(default_factory=lambda: np.zeros(0))
    by_way: dict[str, float] = field(default_factory=dict)


def choose(measured: Measured, width_m: float, known_m3_s: float | None) -> Choice:
    """Try every way on held-out speeds and take the best.

    Parameters
    ----------
    measured : the speeds, at least one
    width_m : typical width [m]
    known_m3_s : flow that was given or measured, None if there is none
    """
    fitted, n = measured.fitted_flow(), len(measured.speed)
    if len(np.unique(measured.groups)) < FEWEST_GROUPS:
        return Choice(KNOWN, known_m3_s) if known_m3_s else Choice(FITTED, fitted)
    tried: list[Choice] = []
    if known_m3_s:
        tried.append(Choice(KNOWN, known_m3_s, predicted=known_m3_s * measured.unseen))
    unseen = measured.heldout_flow() * measured.unseen
    tried.append(Choice(FITTED, fitted, predicted=unseen))
    place = measured.along, measured.across, measured.taper
    if n >= FEWEST_RESIDUAL:
        rest = measured.speed - fitted * measured.here
        residual = TaperedField.fit(
            *place, rest, width_m, groups=measured.groups, trend="none", setting=RESIDUAL_SETTING
        )
        corrected = np.maximum(unseen + residual.heldout(), 0.0)
        tried.append(Choice(RESIDUAL, fitted, residual, predicted=corrected))
    if n >= FEWEST_KRIGED:
        kriged = TaperedField.fit(*place, measured.speed / measured.section, width_m, groups=measured.groups)
        alone = np.maximum(kriged.heldout() * measured.unseen_section, 0.0)
        if np.ptp(measured.across) > LEAST_ACROSS * width_m:
            tried.append(Choice(KRIGING, fitted, None, kriged, 1.0, predicted=alone))
        with_solve, by_itself = (np.mean((p - measured.speed) ** 2) for p in (corrected, alone))
        weight = float(min(with_solve / max(with_solve + by_itself, 1e-12), MOST_KRIGED * measured.share))
        mean = weight * alone + (1 - weight) * corrected
        tried.append(Choice(AVERAGE, fitted, residual, kriged, weight, predicted=mean))
    return _best(measured.speed, tried)


def _best(speed: np.ndarray, tried: list[Choice]) -> Choice:
    """The way with the smallest held-out error, unless the average, which stands last, is about as good."""
    errors = {one.name: float(np.sqrt(np.mean((one.predicted - speed) ** 2))) for one in tried}
    best = min(tried, key=lambda one: errors[one.name])
    if tried[-1].name == AVERAGE and errors[AVERAGE] <= TIE * errors[best.name]:
        best = tried[-1]
    return replace(best, error=best.predicted - speed, by_way=errors)
