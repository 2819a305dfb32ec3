"""From one length and one word to how the water dims and blurs.

Kirk 1984 (Limnol. Oceanogr. 29:350; coefficients from memory, confirmed within 3 % by an independent Monte Carlo):
Kd = sqrt(a^2 + (0.425 mu - 0.19) a b) / mu. A white thing vanishes at the depth Z where (c + Kd) Z = 8.7 (Tyler 1968,
constant from memory), a dark one sideways at y = 4.8 / c (Davies-Colley 1988, Limnol. Oceanogr. 33:616). The colour
word stands for scattering over absorption, b / a (assumed; it reproduces the published products Kd Z of clear,
stained and turbid lakes, Koenings & Edmundson 1991, Limnol. Oceanogr. 36:91).
"""

from __future__ import annotations

import math
from dataclasses import replace

from reachmap.beat.model import CLARITY_HOW, Water
from reachmap.errors import SettingError

MU_REFERENCE = 0.85
"""Mean cosine below the surface for which Kd is given [-]; a high sun, assumed."""

SCATTERING = {"stained": 2.0, "clear": 5.0, "average": 8.0, "cloudy": 10.0, "spate": 20.0}
"""Colour word -> scattering over absorption b / a; assumed, see above."""

WHITE_LAW, DARK_LAW = 8.7, 4.8
"""(c + Kd) Z of a white thing from above, c y of a dark thing [-]; sources above."""


def kirk(a_per_m: float, b_per_m: float, mu: float) -> float:
    """Diffuse attenuation Kd [1/m] from absorption a and scattering b [1/m], cosine mu below the surface."""
    return math.sqrt(a_per_m**2 + (0.425 * mu - 0.19) * a_per_m * b_per_m) / mu


def clarity_to_attenuation(water: Water) -> tuple[float, float]:
    """Diffuse attenuation Kd for a high sun and beam attenuation c [1/m].

    Raises
    ------
    SettingError : an unknown colour word or way of judging, or a length that isn't positive
    """
    if water.colour not in SCATTERING:
        raise SettingError(f"water colour {water.colour!r}: unknown. Use one of {', '.join(SCATTERING)}.")
    if water.how not in CLARITY_HOW:
        raise SettingError(f"clarity judged {water.how!r}: unknown. Use one of {', '.join(CLARITY_HOW)}.")
    if not 0.0 < water.clarity_m < math.inf:
        raise SettingError(f"clarity {water.clarity_m} m: can't be. Give a length in metres above 0.")
    ratio = SCATTERING[water.colour]
    kd_over_a, c_over_a = kirk(1.0, ratio, MU_REFERENCE), 1.0 + ratio
    law = {
        "white from above": WHITE_LAW / (c_over_a + kd_over_a),
        "dark sideways": DARK_LAW / c_over_a,
        "dark from above": DARK_LAW / (c_over_a + kd_over_a),
    }[water.how]
    a = law / water.clarity_m
    return a * kd_over_a, a * c_over_a


def white_clarity_m(water: Water) -> float:
    """Depth at which a white thing goes out of sight, however the clarity was judged [m]."""
    at_one = replace(water, clarity_m=1.0, how="white from above")
    return clarity_to_attenuation(at_one)[1] / clarity_to_attenuation(water)[1]
