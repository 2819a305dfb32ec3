"""Which colours survive: what a thing of a given colour looks like against the water at a depth and a distance.

The light that reaches the depth has lost some bands more than others; on the way to the eye each band fades into
the water behind. For each cone the light from the thing is set against that from the water; where the cones differ
from what a grey thing would give them there is colour, else only light or dark is left. A sketch of what to expect,
not a colorimeter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reachmap.light.colours import DAYLIGHT, band_attenuation
from reachmap.light.model import Light
from reachmap.sight.pigments import CONES_NM, ROD_NM, band_sensitivity

COLOURS: dict[str, tuple[float, ...]] = {
    "white": (0.80, 0.80, 0.80, 0.80, 0.80, 0.80),
    "yellow": (0.06, 0.10, 0.50, 0.75, 0.75, 0.75),
    "orange": (0.05, 0.05, 0.12, 0.50, 0.70, 0.70),
    "red": (0.05, 0.05, 0.05, 0.08, 0.45, 0.60),
    "green": (0.06, 0.12, 0.40, 0.25, 0.08, 0.08),
    "blue": (0.35, 0.40, 0.15, 0.06, 0.05, 0.05),
    "brown": (0.05, 0.06, 0.09, 0.14, 0.18, 0.20),
    "black": (0.03, 0.03, 0.03, 0.03, 0.03, 0.03),
}
"""Share of the light a dull thing of each colour sends back, violet to red (see `BANDS_NM`); assumed."""

WATER_SHARE = 0.08
"""Share of the light that the water behind sends back, alike in all bands [-]; assumed."""

LEAST = 0.10
"""Least contrast between cones that counts as colour [-]; assumed, trout thresholds not found."""

DIM = 0.01
"""A cone that gets less than this share of what the best lit cone gets has no say [-]; assumed."""

TWINS = 2
"""Brightness is carried by the last two cones, those of the twins, as in most fish (assumed), or by the rods."""

CONE_LEAST_LUX = 0.108
"""Light above which the cones work [lux]; 0.01 foot-candles, Ali 1961 (Can. J. Zool.), Atlantic salmon."""


@dataclass(frozen=True)
class ColourSeen:
    """How a colour shows: `brightness` against the water (0 none, negative darker), `colour` left between the cones
    (0 none), and `verdict`: "keeps its colour", "shows light", "shows dark" or "fades"."""

    name: str
    brightness: float
    colour: float
    verdict: str


def colours_at(
    light: Light,
    depth_m: float,
    distance_m: float,
    lux: float | None = None,
    contrast_least: float = float(np.exp(-4.8)),
) -> tuple[ColourSeen, ...]:
    """How every colour of `COLOURS` shows to a trout.

    Parameters
    ----------
    light : the scene; its water's attenuation and colour word are used
    depth_m : depth of thing and fish [m]
    distance_m : between the two [m]
    lux : light there [lux]; below the cones' limit only the rods see, and nothing keeps its colour. None: by day
    contrast_least : least contrast in brightness noticed, as for the sighting range, 0-1
    """
    kd, c = band_attenuation(light.scene.water.colour, light.kd_per_m, light.beam_attenuation_per_m)
    down = DAYLIGHT * np.exp(-kd * depth_m)
    clear = np.exp(-c * distance_m)
    by_rods = lux is not None and lux < CONE_LEAST_LUX
    eyes = np.array([band_sensitivity(nm) for nm in ((ROD_NM,) if by_rods else CONES_NM)])
    water = eyes @ down
    lit = water >= DIM * water.max()
    # What a cone gets from the thing over what it gets from the water, less 1; for a grey it is a multiple of `grey`.
    grey = (eyes @ (down * clear) / water)[lit]
    out = []
    for name, share in COLOURS.items():
        excess = (eyes @ (down * clear * (np.array(share) / WATER_SHARE - 1)) / water)[lit]
        out.append(_judged(name, excess, grey, contrast_least))
    return tuple(out)


def _judged(name: str, excess: np.ndarray, grey: np.ndarray, contrast_least: float) -> ColourSeen:
    """What the cones' contrasts amount to: the mean of the twins is brightness, what departs from a grey is colour."""
    brightness = float(excess[-TWINS:].mean())
    as_grey = brightness / float(grey[-TWINS:].mean()) * grey
    colour = float(np.ptp(np.log1p(np.maximum(excess, -0.99)) - np.log1p(np.maximum(as_grey, -0.99))))
    if colour >= LEAST:
        verdict = "keeps its colour"
    elif abs(brightness) >= contrast_least:
        verdict = "shows light" if brightness > 0 else "shows dark"
    else:
        verdict = "fades"
    return ColourSeen(name, brightness, colour, verdict)
