"""The view up through a flat water surface: the bright round window and where a person appears in it.

Snell's law only; a riffled surface breaks the picture up, so a band this narrow is a best case for the fish.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reachmap.constants import WATER_INDEX

HALVINGS = 60
"""Bisection steps; 60 halvings of a right angle are far below the rounding of a double."""


@dataclass(frozen=True)
class Seen:
    """Where the top of a thing in the air appears to a fish.

    Parameters
    ----------
    elevation_deg : angle of the ray above the horizon, in the air [deg]
    inside_edge_deg : angle between the edge of the window and the top of the thing, in the water [deg]: the height
        of the band in which everything from the waterline up to the top is squeezed
    arcmin : the same band in minutes of arc, to set beside the eye's minimum angle of resolution
    """

    elevation_deg: np.ndarray
    inside_edge_deg: np.ndarray
    arcmin: np.ndarray


def critical_angle(index: float = WATER_INDEX) -> float:
    """Half-angle of the window [deg]: asin(1 / n)."""
    return float(np.degrees(np.arcsin(1.0 / index)))


def window(depth_m: ArrayLike, index: float = WATER_INDEX) -> np.ndarray:
    """Radius of the window on a flat surface [m] above a fish at a depth [m]: d / sqrt(n^2 - 1)."""
    return np.asarray(depth_m, float) / np.sqrt(index**2 - 1.0)


def inside_edge(elevation_deg: ArrayLike, index: float = WATER_INDEX) -> np.ndarray:
    """How far inside the window's edge [deg] a ray from a given elevation in the air [deg] arrives."""
    bent = np.degrees(np.arcsin(np.cos(np.radians(np.asarray(elevation_deg, float))) / index))
    return critical_angle(index) - bent


def seen_from_below(height_m: ArrayLike, distance_m: ArrayLike, depth_m: ArrayLike, index: float = WATER_INDEX) -> Seen:
    """Where the top of a person or thing above the surface appears to a fish.

    Solves H tan(a) + d tan(w) = X with sin(a) = n sin(w) for the ray's angles to the vertical, a in the air and
    w in the water, by bisection.

    Parameters
    ----------
    height_m : height of the top above the water surface [m], above 0
    distance_m : horizontal distance from the fish [m]
    depth_m : depth of the fish's eye [m]
    index : refractive index of the water [-]
    """
    height, distance, depth = np.broadcast_arrays(*(np.asarray(v, float) for v in (height_m, distance_m, depth_m)))
    if np.any(height <= 0):
        raise ValueError(f"height above the surface must be above 0 m, got {height.min():g}")
    low, high = np.zeros(height.shape), np.full(height.shape, np.pi / 2)
    for _ in range(HALVINGS):
        air = (low + high) / 2
        in_water = np.arcsin(np.sin(air) / index)
        short = height * np.tan(air) + depth * np.tan(in_water) < distance
        low, high = np.where(short, air, low), np.where(short, high, air)
    elevation = 90.0 - np.degrees((low + high) / 2)
    inside = inside_edge(elevation, index)
    return Seen(elevation, inside, 60.0 * inside)
