"""How much light sun and moon throw on an open horizontal surface under a clear sky, by their altitude.

log10(E / lux) = l0 + l1 x + l2 x^2 + l3 x^3 with x = altitude / 90 deg, in pieces. The coefficients agree in several
public codes that cite Seidelmann (ed.) 1992, Explanatory Supplement to the Astronomical Almanac (page not re-read);
the pieces for the sun above 5 deg and below -12 deg are from memory. Pieces meet within 2 %.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

SUN = (
    (-18.0, 13.84, 262.72, 1447.42, 2797.93),
    (-12.0, 2.70, 12.17, -431.69, -1899.83),
    (-5.0, 2.88, 21.81, -258.11, -858.36),
    (-0.8, 2.88, 22.26, -207.64, 1034.30),
    (5.0, 3.05, 13.28, -45.98, 64.33),
    (20.0, 3.74, 3.97, -4.07, 1.47),
)
"""Rows: the altitude from which the piece holds [deg], l0, l1, l2, l3."""

MOON = (
    (-0.8, -2.79, 24.27, -252.95, 1321.29),
    (5.0, -2.58, 12.58, -42.58, 59.06),
    (20.0, -1.95, 4.06, -4.24, 1.56),
)
"""Full moon at its mean distance; rows as for the sun."""

MEAN_PARALLAX_DEG = 0.951
"""Horizontal parallax of the moon at its mean distance [deg]; same source."""

FULL_NIGHT_LUX = 1.0e-3
"""A clear moonless night on open ground [lux]; common lists of illuminance give 0.001 (0.002 with airglow)."""

LAST_TWILIGHT_LUX = 6.45e-4
"""What the sun's curve gives at -18 deg [lux]; held below, so that no step shows at the end of twilight (assumed)."""


def sun_lux(altitude_deg: ArrayLike) -> np.ndarray:
    """Illuminance by the sun and its scattered light under a clear sky [lux]; 0 below -18 deg.

    Parameters
    ----------
    altitude_deg : of the sun's centre, without refraction [deg]
    """
    return _pieces(altitude_deg, SUN)


def moon_lux(altitude_deg: ArrayLike, elongation_deg: ArrayLike, parallax_deg: ArrayLike) -> np.ndarray:
    """Illuminance by the moon under a clear sky [lux]; 0 below -0.8 deg.

    The phase enters as log10 of -8.68e-3 f - 2.2e-9 f^4 with f = 180 deg less the elongation, the distance as the
    square of the parallax over its mean (same source).

    Parameters
    ----------
    altitude_deg : of the moon's centre, seen from the reach, without refraction [deg]
    elongation_deg : angle between moon and sun, 180 at full moon [deg]
    parallax_deg : horizontal parallax [deg]
    """
    f = 180.0 - np.abs(np.asarray(elongation_deg, float))
    phase = 10.0 ** (-8.68e-3 * f - 2.2e-9 * f**4)
    return _pieces(altitude_deg, MOON) * phase * (np.asarray(parallax_deg, float) / MEAN_PARALLAX_DEG) ** 2


def _pieces(altitude_deg: ArrayLike, table: tuple[tuple[float, ...], ...]) -> np.ndarray:
    altitude = np.asarray(altitude_deg, float)
    row = np.searchsorted([piece[0] for piece in table], altitude, side="right") - 1
    l0, l1, l2, l3 = np.array([piece[1:] for piece in table])[np.maximum(row, 0)].T
    x = np.maximum(altitude, table[0][0]).T / 90.0
    return np.where(row < 0, 0.0, (10.0 ** (l0 + x * (l1 + x * (l2 + x * l3)))).T)
