"""The state of the eye: day, night, or between, from the light the fish has had.

The eye aims at the day's state above one light and at the night's below a tenth of it, between by the logarithm; it
moves toward that aim by no more than its full range in an hour. So the dull hour after dusk has its mirror at dawn.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

DAY_EYE_LUX = {"brown": 1.0, "brook": 1.0, "rainbow": 2.0, "cutthroat": 2.0}
"""Light at the fish above which the eye aims at the day's state [lux]; the night's is a tenth of it. Proposed between
the cones' limits of Ali 1961 (Can. J. Zool.: 0.001-0.1 lux, salmon yearlings) and usual twilight; rainbow and
cutthroat at twice the light, as their least light is (Rader et al. 2007, West. N. Am. Nat. 67:524). Assumed."""

SWITCH_MIN = 60.0
"""Minutes from one state to the other; Ali 1962: cones 25 min, pigment 45 min after dim light, not done after 70 min
from bright light. About an hour after dark is common practice."""

HISTORY_MIN = 80
"""How far back the light is followed [min]; longer than a whole switch."""


def eye_aim(lux: np.ndarray, species: str) -> np.ndarray:
    """State the eye aims at in this light [lux]: 1 day, 0 night."""
    lux, full = np.asarray(lux), DAY_EYE_LUX[species]
    # By far the most hours are plain day or plain night.
    if lux.size and lux.min() >= full:
        return np.ones_like(lux)
    if lux.size and lux.max() <= full / 10:
        return np.zeros_like(lux)
    return np.clip(1.0 + np.log10(np.maximum(lux, 1e-9) / full), 0.0, 1.0)


def next_eye(state: np.ndarray, lux: np.ndarray, minutes: float, species: str) -> np.ndarray:
    """State of the eye some minutes later, in this light [lux]."""
    most, aim = minutes / SWITCH_MIN, eye_aim(lux, species)
    return aim if np.array_equal(aim, state) else state + np.clip(aim - state, -most, most)


def eye_after(history: Iterable[np.ndarray], minutes: float, species: str) -> np.ndarray:
    """State of the eye after a history of light [lux], oldest first, in equal steps of some minutes."""
    steps = iter(history)
    state = eye_aim(next(steps), species)
    for lux in steps:
        state = next_eye(state, lux, minutes, species)
    return state
