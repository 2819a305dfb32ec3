"""The light at the bed, as plain arithmetic: the map's own script works it out the same way."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from reachmap.light.cloud import beam_and_diffuse
from reachmap.light.model import Body
from reachmap.light.surface import (
    MU_OVERCAST,
    MU_UNIFORM,
    T_OVERCAST,
    T_UNIFORM,
    beam_mu,
    surface_transmission,
)
from reachmap.light.water import MU_REFERENCE


@dataclass(frozen=True)
class BedTerms:
    """What one moment and sky put into `bed_light`, free of the cell.

    Parameters
    ----------
    sun_lux, moon_lux : beam just below the surface [lux]
    clear_lux, overcast_lux : scattered light just below the surface by the uniform and the overcast part [lux]
    sun_slant, moon_slant, clear_slant, overcast_slant : reference cosine over that of the light; Kd is multiplied by it
    """

    sun_lux: float
    moon_lux: float
    clear_lux: float
    overcast_lux: float
    sun_slant: float
    moon_slant: float
    clear_slant: float
    overcast_slant: float


def bed_terms(sun: Body, moon: Body, cloud: float, town_glow_lux: float = 0.0) -> BedTerms:
    """The terms of one moment: beams through a riffled surface, scattered light shared out by cloud.

    With N oktas, N/8 of the scattered light comes from a sky like the overcast one, the rest from a uniform one
    (assumed).
    """
    sun_beam, moon_beam, diffuse = beam_and_diffuse(sun, moon, cloud, town_glow_lux)
    n = cloud / 8.0
    (sun_through, sun_slant), (moon_through, moon_slant) = (_beam_below(body.altitude_deg) for body in (sun, moon))
    return BedTerms(
        sun_beam * sun_through,
        moon_beam * moon_through,
        diffuse * (1.0 - n) * T_UNIFORM,
        diffuse * n * T_OVERCAST,
        sun_slant,
        moon_slant,
        MU_REFERENCE / MU_UNIFORM,
        MU_REFERENCE / MU_OVERCAST,
    )


@lru_cache(maxsize=1024)
def _beam_below(altitude_deg: float) -> tuple[float, float]:
    """Share of a beam that passes the riffled surface, and its slant below; a page asks once for every cloud."""
    slant = MU_REFERENCE / float(beam_mu(max(altitude_deg, 0.0)))
    return float(surface_transmission(altitude_deg, riffled=True)), slant


def bed_light(
    terms: BedTerms,
    sun_share: np.ndarray | float,
    moon_share: np.ndarray | float,
    sky_clear: np.ndarray | float,
    sky_overcast: np.ndarray | float,
    kd_per_m: float,
    depth_m: np.ndarray | float,
) -> np.ndarray:
    """Illuminance on a horizontal surface at the bed [lux].

    E = sum over sun, moon, uniform and overcast sky of lux * share * exp(-Kd * slant * depth): Beer's law along the
    refracted path of each (Kd scaled as reference cosine over cosine, assumed).

    Parameters
    ----------
    terms : of the moment
    sun_share, moon_share, sky_clear, sky_overcast : share of each that reaches the cell, 0-1
    kd_per_m : diffuse attenuation for a high sun [1/m]
    depth_m : [m]
    """
    return BedLight(sky_clear, sky_overcast, kd_per_m, depth_m).at(terms, sun_share, moon_share)


class BedLight:
    """`bed_light` of many moments over the same water: the way of scattered light is worked out once.

    Parameters
    ----------
    sky_clear, sky_overcast, kd_per_m, depth_m : as for `bed_light`
    """

    def __init__(
        self,
        sky_clear: np.ndarray | float,
        sky_overcast: np.ndarray | float,
        kd_per_m: float,
        depth_m: np.ndarray | float,
    ) -> None:
        self.k = -kd_per_m * np.asarray(depth_m)
        self.clear = sky_clear * np.exp(self.k * (MU_REFERENCE / MU_UNIFORM))
        self.overcast = sky_overcast * np.exp(self.k * (MU_REFERENCE / MU_OVERCAST))

    def at(self, terms: BedTerms, sun_share: np.ndarray | float, moon_share: np.ndarray | float) -> np.ndarray:
        """Illuminance at the bed [lux] at one moment."""
        bed = terms.clear_lux * self.clear + terms.overcast_lux * self.overcast
        if terms.sun_lux > 0.0:
            bed = bed + terms.sun_lux * sun_share * np.exp(self.k * terms.sun_slant)
        if terms.moon_lux > 0.0:
            bed = bed + terms.moon_lux * moon_share * np.exp(self.k * terms.moon_slant)
        return bed
