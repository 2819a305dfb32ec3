"""How much of the open sky's light reaches each cell, under a uniform and under an overcast sky.

The sky is cut into azimuth sectors and the elevation bands of Tregenza 1987. In every band the part that an obstacle
covers is weighed exactly in elevation, so that closed forms (ring, canyon, wall) come out right with few patches.
Overcast: luminance (1 + 2 sin e) / 3 of the zenith's (Moon & Spencer 1942; CIE S 011).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from reachmap.light.horizon import Horizon
from reachmap.light.shadow import SOLID, Cells, Things, chords
from reachmap.threads import side_by_side

SECTORS = 36
"""Azimuth sectors, 10 deg each."""

LOWEST_DEG = 5.0
"""Things that stand lower than this are left out of the sky: less than 0.8 % of the light comes from below [deg]."""

BANDS_DEG = (0.0, 12.0, 24.0, 36.0, 48.0, 60.0, 72.0, 84.0, 90.0)
"""Edges of the elevation bands [deg]; rows of Tregenza 1987 (Lighting Res. Technol. 19:13; from memory)."""


def uniform_above(elevation_sin: ArrayLike) -> np.ndarray:
    """Share of a uniform sky's light on the level that comes from above an elevation; 1 - s^2, s its sine."""
    return 1.0 - np.asarray(elevation_sin, float) ** 2


def overcast_above(elevation_sin: ArrayLike) -> np.ndarray:
    """The same under an overcast sky: (3/7)(1 - s^2) + (4/7)(1 - s^3)."""
    s = np.asarray(elevation_sin, float)
    return 3.0 / 7.0 * (1.0 - s**2) + 4.0 / 7.0 * (1.0 - s**3)


def band_weights() -> tuple[np.ndarray, np.ndarray]:
    """Share of each elevation band in the light on the level: (uniform, overcast), each sums to 1."""
    s = np.sin(np.radians(BANDS_DEG))
    return -np.diff(uniform_above(s)), -np.diff(overcast_above(s))


def sky_shares(cells: Cells, things: Things, horizon: Horizon | None, leaf_on: bool) -> tuple[np.ndarray, np.ndarray]:
    """Share of scattered light that reaches each cell: (uniform sky, overcast sky), in block order (n_wet,)."""
    n = len(cells.x)
    weights = np.array(band_weights(), np.float32) / SECTORS
    bands = len(BANDS_DEG) - 1
    solid = (things.base_m <= 0.0) & np.isinf(things.density_on)

    def lost_toward(azimuth: float) -> tuple[np.ndarray, np.ndarray]:
        """Cells with anything in one sector, and what they lose there of both skies' light (2, n)."""
        through = np.ones((n, bands), np.float32)
        # What stands solid on the ground makes one skyline with the land: behind each other, only the highest counts.
        skyline = np.zeros(n)
        if horizon is not None:
            skyline = np.sin(np.radians(horizon.of_points(azimuth)))[horizon.nearest]
        touched = skyline > 0.0
        for over in chords(cells, things, azimuth, LOWEST_DEG):
            touched[over.cells] = True
            grounded = solid[over.thing]
            top = things.top_m[over.thing[grounded]]
            np.maximum.at(skyline, over.cells[grounded], top / np.hypot(over.near_m[0, grounded], top))
            rest = np.flatnonzero(~grounded)
            near, far = over.near_m[0, rest], over.far_m[0, rest]
            place = over.cells[rest, None] * bands + np.arange(bands)
            np.multiply.at(
                through.ravel(), place.ravel(), _passed(things, over.thing[rest], near, far, leaf_on).ravel()
            )
        changed = np.flatnonzero(touched)
        passed = through[changed] * (1.0 - _covered(*_by_band(np.zeros(len(changed)), skyline[changed])))
        return changed, weights @ (1.0 - passed).T

    lost = np.zeros((2, n), np.float32)
    for changed, less in side_by_side(lost_toward, (np.arange(SECTORS) + 0.5) * 360.0 / SECTORS):
        lost[:, changed] += less
    return 1.0 - lost[0], 1.0 - lost[1]


def _by_band(low_sin: np.ndarray, high_sin: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sines of the two elevations between which something stands, cut to each band (n, n_bands)."""
    edge = np.sin(np.radians(BANDS_DEG)).astype(np.float32)
    low = np.clip(low_sin.astype(np.float32)[:, None], edge[:-1], edge[1:])
    return low, np.clip(high_sin.astype(np.float32)[:, None], low, edge[1:])


def _covered(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Share of every band between its two elevations, weighed as a uniform sky's light (n, n_bands)."""
    edge = np.sin(np.radians(BANDS_DEG)).astype(np.float32)
    return (high**2 - low**2) / (edge[1:] ** 2 - edge[:-1] ** 2)


def _passed(things: Things, thing: np.ndarray, near_m: np.ndarray, far_m: np.ndarray, leaf_on: bool) -> np.ndarray:
    """Share of each band's light that passes the prism over which each ray runs (n, n_bands) float32."""
    near, far = near_m.astype(np.float32), far_m.astype(np.float32)
    base, top, density = (
        values.astype(np.float32)[thing] for values in (things.base_m, things.top_m, things.density(leaf_on))
    )
    low, high = _by_band(base / np.hypot(far, base + np.float32(1e-6)), top / np.hypot(near, top))
    covered = _covered(low, high)
    # One path a band, at the middle of what is covered there.
    middle = (low + high) / np.float32(2.0)
    level = np.sqrt(np.maximum(1.0 - middle**2, np.float32(1e-6)))
    slope = np.maximum(middle / level, np.float32(1e-4))
    top, base, density = top[:, None], base[:, None], density[:, None]
    stretch = np.minimum(far[:, None], top / slope) - np.maximum(near[:, None], base / slope)
    solid = np.isinf(density)
    depth = np.minimum(np.where(solid, 0.0, density) * np.maximum(stretch, 0.0) / level, np.float32(SOLID))
    return 1.0 - covered * np.where(solid, 1.0, 1.0 - np.exp(-depth))
