"""What the water's surface lets in, and how steeply the light goes on below it.

Snell's and Fresnel's laws for unpolarised light on fresh water, n = 1.333.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from reachmap.constants import WATER_INDEX

T_UNIFORM, T_OVERCAST = 0.9336, 0.9488
"""Share of scattered light let in under a uniform and a CIE overcast sky; integrals of Fresnel's law."""

MU_UNIFORM, MU_OVERCAST = 0.838, 0.856
"""Mean cosine of that light below the surface; integrals of Snell's and Fresnel's laws."""

RIFFLED_MOST = 0.35
"""A riffled surface throws back no more than this [-]; assumed, after facets sloped as Cox & Munk 1954 found."""


def beam_mu(altitude_deg: ArrayLike) -> np.ndarray:
    """Cosine of the beam's angle from the vertical below the surface, for a body at an altitude [deg]."""
    return np.sqrt(1.0 - (np.cos(np.radians(altitude_deg)) / WATER_INDEX) ** 2)


def bed_offset(depth_m: ArrayLike, altitude_deg: float) -> np.ndarray:
    """How far toward sun or moon the beam that lights the bed enters the surface [m]."""
    mu = beam_mu(altitude_deg)
    return np.asarray(depth_m) * np.sqrt(1.0 - mu**2) / mu


def surface_transmission(altitude_deg: ArrayLike, riffled: bool = False) -> np.ndarray:
    """Share of the beam let through the surface; 0 for a body at or below the horizon.

    Parameters
    ----------
    altitude_deg : of sun or moon [deg]
    riffled : a moving river instead of a mirror; matters below about 15 deg
    """
    altitude = np.asarray(altitude_deg, float)
    up, down = np.sin(np.radians(np.clip(altitude, 0.0, 90.0))), beam_mu(np.clip(altitude, 0.0, 90.0))
    across = ((up - WATER_INDEX * down) / (up + WATER_INDEX * down)) ** 2
    along = ((WATER_INDEX * up - down) / (WATER_INDEX * up + down)) ** 2
    back = (across + along) / 2.0
    return np.where(altitude > 0.0, 1.0 - (np.minimum(back, RIFFLED_MOST) if riffled else back), 0.0)


def refracted(altitude_deg: ArrayLike) -> np.ndarray:
    """Altitude as seen through the air, for shadows of a low sun [deg]; unchanged below -5/6 deg.

    h + (1/60) / tan(h + 8.6 / (h + 4.42)), as in the program of US Naval Observatory Circular 171 (two public
    transcriptions agree).
    """
    h = np.asarray(altitude_deg, float)
    high = np.maximum(h, -5.0 / 6.0)
    return np.where(h < -5.0 / 6.0, h, h + 1.0 / 60.0 / np.tan(np.radians(high + 8.6 / (high + 4.42))))
