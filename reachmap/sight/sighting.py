"""How far a trout makes out a thing in the water, and how long it then has to decide.

Two limits, the lesser counts: the contrast lost along the path through the water, and the eye's own resolution.
Low light and turbidity shorten the range.

Contrast (horizontal path): C(r) = C0 exp(-c r) (Duntley 1963, J. Opt. Soc. Am. 53:214; from memory), so the range
in the water is ln(C0 / C_least) / c; with C0 = 1 and C_least = exp(-4.8) this is the black-disk law 4.8 / c
(Davies-Colley 1988, Limnol. Oceanogr. 33:616).
"""

from __future__ import annotations

import numpy as np

from reachmap.beat.model import Fish
from reachmap.channel.model import Channel
from reachmap.layers import Derived, WetCells
from reachmap.light.model import Light
from reachmap.light.water import WHITE_LAW
from reachmap.sight.acuity import resolving_range
from reachmap.sight.eyes import Eyes, load_eyes
from reachmap.sight.model import Sight

SIGHTS = ("sighting_range", "decide_time")
"""Layers of a sight."""

LEAST_DRIFT_M_S = 0.01
"""Slower water is taken as this when seconds are worked out [m/s]; assumed, keeps still water finite."""


def contrast_range(
    beam_attenuation_per_m: float, contrast: float = 1.0, contrast_least: float = float(np.exp(-4.8))
) -> float:
    """Sideways range [m] at which the contrast of a large thing falls to the least that is noticed.

    Parameters
    ----------
    beam_attenuation_per_m : beam attenuation c of the water [1/m]
    contrast : contrast at no distance, 0-1
    contrast_least : least contrast noticed, 0-1
    """
    return max(0.0, float(np.log(contrast / contrast_least))) / beam_attenuation_per_m


def light_factor(lux: np.ndarray, eyes: Eyes, fish: Fish) -> np.ndarray:
    """Share of the full sighting range left in low light, 0-1: min(1, (E / E_full)^p), 0 below the least light.

    Parameters
    ----------
    lux : illuminance where the fish is [lux]
    """
    lux = np.asarray(lux)
    share = np.minimum(1.0, np.maximum(lux, 0.0) / eyes["light_full_lux"]) ** eyes["light_exponent"]
    return np.where(lux < eyes.least_lux(fish), 0.0, share)


def least_contrast(lux: float, eyes: Eyes, fish: Fish) -> float:
    """Least contrast noticed in this light [lux], 0-1: with it the range in the water falls as `light_factor` says."""
    good, share = eyes["contrast"], float(light_factor(np.asarray(lux), eyes, fish))
    return float(good * (eyes["contrast_least"] / good) ** share)


def decide_time(range_m: np.ndarray, drift_m_s: np.ndarray) -> np.ndarray:
    """Time a drifting thing is in view before it reaches the fish [s]: range [m] / drift speed [m/s]."""
    return np.asarray(range_m) / np.maximum(drift_m_s, LEAST_DRIFT_M_S)


def see(channel: Channel, light: Light, fish: Fish, eyes: Eyes | None = None) -> Sight:
    """Sighting range and time to decide in every cell of one scene.

    Parameters
    ----------
    channel : the water; its drift speed is used
    light : the light of the scene; light at the bed and the water's attenuation are used
    fish : species and length
    eyes : settings; None takes the packaged ones

    Returns
    -------
    Sight : sighting_range [m] of a fly-sized thing, decide_time [s]
    """
    eyes = eyes or load_eyes()
    good = full_range(light, fish, eyes)

    def read(name: str, cells: WetCells) -> np.ndarray:
        seen = good * light_factor(light["light_bed"][cells], eyes, fish)
        value = seen if name == "sighting_range" else decide_time(seen, channel["drift_speed"][cells])
        return value.astype(np.float32)

    return Sight(Derived(SIGHTS, read, channel.grid.n_wet))


def full_range(light: Light, fish: Fish, eyes: Eyes) -> float:
    """Sighting range of a fly-sized thing in this water in good light [m]."""
    c = light.beam_attenuation_per_m
    in_water = contrast_range(c, eyes["contrast"], eyes["contrast_least"])
    ntu = eyes.turbidity_ntu(WHITE_LAW / (c + light.kd_per_m))
    # Turbidity shortens what the eye reaches; in the water term the same murk is already in c.
    by_eye = float(resolving_range(eyes["thing_m"], eyes.mar_arcmin(fish))) * eyes.turbidity_factor(ntu)
    return min(in_water, by_eye)
