"""What the trout's cones and rods take in, by wavelength: the template of visual pigments.

Govardovskii, Fyhrquist, Reuter, Kuzmin & Donner 2000 (Visual Neuroscience 17:509), pigments with vitamin A2
(porphyropsins), which brown trout hold in a consistently high share (Allen, McFarland, Munz & Poston 1973, Can. J.
Zool. 51:901).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from reachmap.light.colours import BANDS_NM

CONES_NM = (440.0, 535.0, 600.0)
"""Peaks of the cones of brown trout [nm]; Bowmaker & Kunz 1987 (Vision Research 27:2101): single 440, twin 535 and
600. Yearlings have an ultraviolet cone too, larger fish don't. Taken for the other species as well (assumed)."""

ROD_NM = 527.0
"""Peak of the rods [nm]; porphyropsin of the pair 503/527 (Munz & Beatty, from memory)."""


def pigment(wavelength_nm: ArrayLike, peak_nm: float) -> np.ndarray:
    """Relative sensitivity of an A2 pigment, about 1 at its peak: the alpha and the smaller beta band together."""
    centre, width = 216.7 + 0.287 * peak_nm, 317.0 - 1.149 * peak_nm + 0.00124 * peak_nm**2
    beta = 0.37 * np.exp(-(((np.asarray(wavelength_nm, float) - centre) / width) ** 2))
    return alpha_band(wavelength_nm, peak_nm) + beta


def alpha_band(wavelength_nm: ArrayLike, peak_nm: float) -> np.ndarray:
    """The main band: S = 1 / (exp(A (a - x)) + exp(B (b - x)) + exp(C (c - x)) + D), x = peak / wavelength."""
    x = peak_nm / np.asarray(wavelength_nm, float)
    A = 62.7 + 1.834 * np.exp((peak_nm - 625.0) / 54.2)
    a = 0.875 + 0.0268 * np.exp((peak_nm - 665.0) / 40.7)
    B, b, C, c, D = 20.85, 0.9101, -10.37, 1.1123, 0.5343
    return 1.0 / (np.exp(A * (a - x)) + np.exp(B * (b - x)) + np.exp(C * (c - x)) + D)


@cache
def band_sensitivity(peak_nm: float) -> np.ndarray:
    """Mean sensitivity of a pigment in each of `BANDS_NM` (6,)."""
    means = np.array([pigment(np.arange(low + 0.5, high), peak_nm).mean() for low, high in BANDS_NM])
    means.flags.writeable = False  # kept and handed out again
    return means
