"""Six colours of light, violet to red, and what is left of each on the way down.

Absorption by band is that of pure water (Pope & Fry 1997, Appl. Opt. 36:8710), of dissolved colour,
exp(-0.016 (nm - 440)), and of sediment, 0.036 m2/g exp(-0.0123 (nm - 443)); scattering 0.5 m2/g (550 / nm)^0.7. The
last three from memory; how much of each a colour word stands for is assumed.
"""

from __future__ import annotations

import numpy as np

from reachmap.light.water import MU_REFERENCE, kirk

BANDS_NM = ((400, 450), (450, 500), (500, 550), (550, 600), (600, 650), (650, 700))
"""The six bands [nm]."""

WATER_ABSORPTION = np.array([0.0057, 0.0126, 0.0405, 0.0991, 0.2847, 0.4624])
"""Mean absorption of pure water by band [1/m]; Pope & Fry 1997."""

DAYLIGHT = np.array([0.1659, 0.1987, 0.1850, 0.1664, 0.1495, 0.1345])
"""Share of each band in the energy of daylight, CIE D65 [-]."""

LUX_WEIGHT = np.array([0.0056, 0.0710, 0.3708, 0.4003, 0.1394, 0.0128])
"""Share of each band in the lux of daylight, D65 with the day eye's curve of CIE 1924 [-]."""

CONTENT = {
    "stained": (6.0, 3.0),
    "clear": (0.3, 1.0),
    "average": (1.0, 4.0),
    "cloudy": (2.5, 20.0),
    "spate": (3.5, 100.0),
}
"""Colour word -> absorption by dissolved colour at 440 nm [1/m], sediment [g/m3]; assumed, only their ratio counts
as the sum is scaled to the water's clarity."""

STEP_NM = 5


def band_means(at_nm: np.ndarray) -> np.ndarray:
    """Mean by band of values given every `STEP_NM` from 402.5 to 697.5 nm (6,)."""
    return at_nm.reshape(len(BANDS_NM), -1).mean(axis=1)


def content_attenuation(g440_per_m: float, sediment_g_m3: float) -> tuple[np.ndarray, np.ndarray]:
    """Diffuse and beam attenuation by band [1/m], each (6,), from what is in the water."""
    nm = np.arange(BANDS_NM[0][0] + STEP_NM / 2, BANDS_NM[-1][1], STEP_NM)
    dissolved = g440_per_m * band_means(np.exp(-0.016 * (nm - 440.0)))
    solid = 0.036 * sediment_g_m3 * band_means(np.exp(-0.0123 * (nm - 443.0)))
    absorbed = WATER_ABSORPTION + dissolved + solid
    scattered = 0.5 * sediment_g_m3 * band_means((550.0 / nm) ** 0.7)
    kd = np.array([kirk(a, b, MU_REFERENCE) for a, b in zip(absorbed, scattered, strict=True)])
    return kd, absorbed + scattered


def band_attenuation(colour: str, kd_per_m: float, c_per_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Diffuse and beam attenuation of a water by band [1/m], each (6,).

    Their shape goes by the colour word; both are scaled so that, weighted as lux weighs the bands, they give the
    water's own Kd and c.

    Parameters
    ----------
    colour : colour word of the water
    kd_per_m, c_per_m : its diffuse and beam attenuation [1/m], see `clarity_to_attenuation`
    """
    kd, c = content_attenuation(*CONTENT[colour])
    return kd * kd_per_m / float(kd @ LUX_WEIGHT), c * c_per_m / float(c @ LUX_WEIGHT)
