"""How cloud changes the light, and how much of it comes straight from sun or moon.

Kasten & Czeplak 1980 (Solar Energy 24:177): with N oktas, all light is 1 - 0.75 (N/8)^3.4 of that of the clear sky,
whatever the altitude; the direct beam falls by a further 1 - (N/8)^2 (this second law from memory).
"""

from __future__ import annotations

import math

from reachmap.light.lux import FULL_NIGHT_LUX, LAST_TWILIGHT_LUX
from reachmap.light.model import Body

EFFICACY_CLEAR, EFFICACY_OVERCAST = 107.0, 115.0
"""Lumens per watt of clear and overcast skies; Littlefair 1988 (Lighting Res. Technol. 20:177), abstract."""


def cloud_factors(oktas: float) -> tuple[float, float]:
    """What is left under cloud: (of all light, of the direct beam), each a share of the clear sky's, 0-1.

    The first is in lux, hence with the better efficacy of an overcast sky: 0.269 at 8 oktas.
    """
    n = oktas / 8.0
    energy = global_energy(oktas)
    return energy * (1.0 + n * (EFFICACY_OVERCAST / EFFICACY_CLEAR - 1.0)), (1.0 - n * n) * energy


def global_energy(oktas: float) -> float:
    """Share of the clear sky's radiant energy left under cloud, 1 - 0.75 (N/8)^3.4."""
    return 1.0 - 0.75 * (oktas / 8.0) ** 3.4


def clear_diffuse_share(altitude_deg: float) -> float:
    """Share of the clear sky's lux that comes scattered, for sun or moon at an altitude [deg].

    0.166 + 0.834 exp(-h / 11.07): own fit, within 0.03, to the Ineichen clear sky (Linke turbidity 3) with the
    efficacies of Littlefair 1988; 1 at and below the horizon. Taken for the moon as well (assumed).
    """
    return 0.166 + 0.834 * math.exp(-max(altitude_deg, 0.0) / 11.07)


def beam_and_diffuse(sun: Body, moon: Body, cloud: float, town_glow_lux: float = 0.0) -> tuple[float, float, float]:
    """Light on an open horizontal surface under cloud: (beam of the sun, beam of the moon, all scattered light) [lux].

    The scattered light holds that of sun and moon, the night sky's own (a clear moonless night totals 0.001 lux) and
    the glow of a town.

    Parameters
    ----------
    sun, moon : where they stand and what they give under a clear sky
    cloud : oktas, 0-8
    town_glow_lux : added as it is, whatever the cloud [lux]
    """
    whole, direct = cloud_factors(cloud)
    beams = [body.clear_lux * (1.0 - clear_diffuse_share(body.altitude_deg)) * direct for body in (sun, moon)]
    clear = max(sun.clear_lux, LAST_TWILIGHT_LUX) + moon.clear_lux + FULL_NIGHT_LUX - LAST_TWILIGHT_LUX
    return beams[0], beams[1], clear * whole - sum(beams) + town_glow_lux
