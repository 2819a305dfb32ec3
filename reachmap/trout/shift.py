"""How species, length and season move the curves of the score."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from reachmap.beat.model import Fish
from reachmap.sight.eyes import LENGTH_RANGE_M

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Curve:
    """A piecewise linear curve: `weight` in the score, `points` (value, suitability 0-1), `source`."""

    weight: float
    points: Points
    source: str = ""

    def __call__(self, values: np.ndarray) -> np.ndarray:
        """Suitability at each value, flat beyond the ends; float32."""
        return self.exact(values).astype(np.float32)

    def wants_more(self, value: float) -> bool:
        """Whether a value lies below what suits best, or within that nearer to its lower end."""
        most = max(suits for _, suits in self.points)
        best = [at for at, suits in self.points if suits == most]
        return value < (best[0] + best[-1]) / 2

    def exact(self, values: ArrayLike) -> np.ndarray:
        """As a call, in double precision."""
        at, suits = zip(*self.points, strict=True)
        return np.interp(np.asarray(values, float), at, suits)


CURVE_LEAST_LUX = 0.005
"""Least light of the fish for which the night's light curve is drawn [lux]; stated in `curves.toml`."""

EyeCurves = Mapping[str, Curve]
"""Factor -> curve, for one state of the eye."""


def winter_share(temperature_c: float | None, settings: Mapping[str, float]) -> float:
    """How far winter behaviour has set in, 0-1: 1 at or below `shift.winter_c`, 0 from `shift.summer_c` up."""
    if temperature_c is None:
        return 0.0
    cold, warm = settings["shift.winter_c"], settings["shift.summer_c"]
    return float(np.clip((warm - temperature_c) / (warm - cold), 0.0, 1.0))


def shift_day(
    curves: EyeCurves,
    rest: Curve,
    settings: Mapping[str, float],
    fish: Fish,
    temperature_c: float | None,
    shade_weight: float,
) -> EyeCurves:
    """The day's curves for one fish.

    A larger fish lies deeper and in faster water; in the cold the nose curve turns into that of a resting fish and
    cover weighs more; the weight of light goes by species.

    Parameters
    ----------
    curves : as in the file
    rest : nose curve of a resting fish
    settings : thresholds by dotted name
    fish : species and length
    temperature_c : water temperature [degC] or None
    shade_weight : multiplier of the weight of light
    """
    winter = winter_share(temperature_c, settings)
    nose = replace(curves["nose"], points=blend(curves["nose"].points, rest.points, winter))
    cover = curves["cover"].weight * (1 + winter * (settings["shift.winter_cover"] - 1))
    return {
        **curves,
        "nose": _stretch(nose, _ratio(fish, settings, "shift.speed_power")),
        "depth": _stretch(curves["depth"], _ratio(fish, settings, "shift.depth_power")),
        "light": replace(curves["light"], weight=curves["light"].weight * shade_weight),
        "cover": replace(curves["cover"], weight=cover),
    }


def shift_night(curves: EyeCurves, settings: Mapping[str, float], fish: Fish, least_lux: float) -> EyeCurves:
    """The night's curves for one fish.

    Parameters
    ----------
    curves, settings, fish : as for `shift_day`
    least_lux : least light in which this fish makes anything out [lux]
    """
    by = float(np.log10(least_lux / CURVE_LEAST_LUX))
    light = replace(curves["light"], points=tuple((x + by, y) for x, y in curves["light"].points))
    return {
        **curves,
        "nose": _stretch(curves["nose"], _ratio(fish, settings, "shift.speed_power")),
        "depth": _stretch(curves["depth"], _ratio(fish, settings, "shift.depth_power")),
        "light": light,
    }


def blend(one: Points, other: Points, share: float) -> Points:
    """A curve between two: exact for piecewise linear curves, since all corners of both are kept."""
    if share == 0.0:
        return one
    at = sorted({x for x, _ in one} | {x for x, _ in other})
    a, b = (Curve(1.0, points).exact(at) for points in (one, other))
    return tuple((x, float((1 - share) * u + share * v)) for x, u, v in zip(at, a, b, strict=True))


def _ratio(fish: Fish, settings: Mapping[str, float], power: str) -> float:
    """Length of the fish over the curves' length, to a power [-]."""
    return float((np.clip(fish.length_m, *LENGTH_RANGE_M) / settings["shift.length_m"]) ** settings[power])


def _stretch(curve: Curve, by: float) -> Curve:
    """The curve with its values multiplied."""
    return curve if by == 1.0 else replace(curve, points=tuple((x * by, y) for x, y in curve.points))
