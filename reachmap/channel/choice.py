"""How far to trust the flow solve where speeds were measured: held-out speeds decide.

Four ways are tried: kriging the speeds alone; the solve at the known flow; the solve with its flow fitted to the
speeds; the fitted solve plus a kriged residual, of which a share (also none) is kept. Whole cross-sections or track
segments are left out in turn, their depths too, and the smallest error wins; the residual is kept when it ties.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from reachmap.channel.kriging import TaperedField, Trend

KRIGING, KNOWN, FITTED, RESIDUAL = "kriging", "flow", "flow fitted to speeds", "flow and residual"
"""Names of the ways, as reported."""

FEWEST_KRIGED, FEWEST_RESIDUAL, FEWEST_GROUPS = 8, 5, 3
"""Fewest speeds to krige, to krige a residual, and fewest groups to hold out; assumed."""

SHARES = (1.0, 0.75, 0.5, 0.25)
"""Shares of the residual that are tried."""

TIE = 1.03
"""The whole residual is kept unless another way's held-out error is smaller by more than this factor. Whole sections
left out lie farther from the rest than most of the map does from the data, so they show too little of what it gains."""

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
    groups : number of the cross-section or track segment
    how : what the groups are, in words
    """

    along: np.ndarray
    across: np.ndarray
    taper: np.ndarray
    speed: np.ndarray
    here: np.ndarray
    sounded: np.ndarray
    unseen: np.ndarray
    groups: np.ndarray
    how: str

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
    """The way that was taken.

    Parameters
    ----------
    name : one of the four
    flow_m3_s : what the solve is multiplied by
    kriged : field to krige, None where there is none
    share : share of the residual kept
    residual : (n,) held-out speed less measured [m/s]; empty if nothing was held out
    predicted : (n,) held-out speed [m/s]
    errors : RMSE of every way that was tried [m/s]
    """

    name: str
    flow_m3_s: float
    kriged: TaperedField | None = None
    share: float = 0.0
    residual: np.ndarray = field(default_factory=lambda: np.zeros(0))
    predicted: np.ndarray = field(default_factory=lambda: np.zeros(0))
    errors: dict[str, float] = field(default_factory=dict)


def choose(measured: Measured, width_m: float, known_m3_s: float | None) -> Choice:
    """Try every way on held-out speeds and take the best.

    Parameters
    ----------
    measured : the speeds, at least one
    width_m : typical width [m]
    known_m3_s : flow that was given or measured, None if there is none
    """
    fitted = measured.fitted_flow()
    if len(np.unique(measured.groups)) < FEWEST_GROUPS:
        return Choice(KNOWN, known_m3_s) if known_m3_s else Choice(FITTED, fitted)
    tried: list[tuple[Choice, np.ndarray]] = []
    if known_m3_s:
        tried.append((Choice(KNOWN, known_m3_s), known_m3_s * measured.unseen))
    without = measured.heldout_flow()
    tried.append((Choice(FITTED, fitted), without * measured.unseen))
    if len(measured.speed) >= FEWEST_RESIDUAL:
        tried += _with_residual(measured, width_m, fitted, without)
    if len(measured.speed) >= FEWEST_KRIGED:
        kriged = _fit(measured, width_m, measured.speed, "taper")
        tried.append((Choice(KRIGING, known_m3_s or fitted, kriged), kriged.heldout()))
    return _best(measured.speed, tried)


def _with_residual(
    measured: Measured, width_m: float, fitted: float, without: np.ndarray
) -> list[tuple[Choice, np.ndarray]]:
    kriged = _fit(measured, width_m, measured.speed - fitted * measured.here, "none")
    extra = kriged.heldout()
    return [
        (Choice(RESIDUAL, fitted, kriged, share), np.maximum(without * measured.unseen + share * extra, 0.0))
        for share in SHARES
    ]


def _fit(measured: Measured, width_m: float, values: np.ndarray, trend: Trend) -> TaperedField:
    place = measured.along, measured.across, measured.taper
    return TaperedField.fit(*place, values, width_m, groups=measured.groups, trend=trend)


def _best(speed: np.ndarray, tried: list[tuple[Choice, np.ndarray]]) -> Choice:
    """The way with the smallest held-out error, unless the whole residual is about as good."""
    errors = [float(np.sqrt(np.mean((predicted - speed) ** 2))) for _, predicted in tried]
    best = int(np.argmin(errors))
    for k, (choice, _) in enumerate(tried):
        if choice.name == RESIDUAL and choice.share == 1.0 and errors[k] <= TIE * errors[best]:
            best = k
    by_way: dict[str, float] = {}
    for (choice, _), error in zip(tried, errors, strict=True):
        by_way[choice.name] = min(error, by_way.get(choice.name, np.inf))
    choice, predicted = tried[best]
    return replace(choice, residual=predicted - speed, predicted=predicted, errors=by_way)
