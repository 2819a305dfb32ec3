"""Energy balance of a drift-feeding trout: intake from the drift minus the cost of swimming.

The idea is that of Hughes & Dill 1990 (Can. J. Fish. Aquat. Sci. 47:2039); its equations are from memory. The cost
of swimming follows the usual bioenergetics form with published parameters (see `Cost`). Drift density and energy an
item are placeholders. How the food of one place compares with another's does not depend on them, but what is left of it
after swimming does, and so whether a place pays at all: outputs say so and `how_sure` draws it. No joule is shown.

Against it speaks that such a model over-predicted real capture by a factor 2 (Hughes et al. 2003, Can. J. Fish.
Aquat. Sci. 60, 3-D video of brown trout), taken into account by `over_prediction`, and that refuging behind an
obstacle was not cheaper while feeding in fast flow (J. Exp. Biol. 223(12) jeb220962, 2020).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from reachmap.beat.model import Fish

OXYGEN_J_PER_G = 13560.0
"""Energy released per gram of oxygen used [J/g]; usual value of fish bioenergetics models."""

DAY_S = 86400.0
"""Seconds a day [s]."""

USUAL_TEMPERATURE_C = 12.0
"""Water temperature taken when none is given [degC]; assumed, the middle of brown trout's best growth."""


FED = ("food", "nose")
"""Factors of the day's score that energy takes the place of."""

LANES = 13
"""Speeds tried between the nose and the fastest drift a fish can swim in; misses the best lane's intake by 4 % at the
very most."""


@dataclass(frozen=True)
class Cost:
    """Parameters of the swimming cost RA W^RB exp(RTO V) exp(RQ T) [g O2/g/day], W in g, V in cm/s, T in degC.

    With no speed given the fish's own habitual speed ACT W^RK4 exp(BACT T) could be used; here V is always given.
    """

    ra: float
    rb: float
    rq: float
    rto: float


@dataclass(frozen=True)
class Energy:
    """Settings of the energy engine.

    Parameters
    ----------
    drift_items_m3 : drifting prey [1/m3], placeholder
    item_j : energy of one [J], placeholder
    prey_m : its length [m]
    assimilated : share of the energy eaten that the fish keeps [-]
    over_prediction : factor by which such models over-predict capture [-]
    capture : (m/s, share caught) pairs, straight lines between
    cost : species -> parameters
    """

    drift_items_m3: float
    item_j: float
    prey_m: float
    assimilated: float
    over_prediction: float
    capture: tuple[tuple[float, float], ...]
    cost: Mapping[str, Cost]


@dataclass(frozen=True)
class Flow:
    """What a feeding fish lives in: drift and nose speed [m/s], depth [m], sighting range [m]; arrays of one shape."""

    drift_m_s: np.ndarray
    nose_m_s: np.ndarray
    depth_m: np.ndarray
    sighting_m: np.ndarray


def weight_g(length_m: float) -> float:
    """Weight of a trout in ordinary condition [g]: L^3 / 100 with L in cm (condition factor 1; from memory)."""
    return (100.0 * length_m) ** 3 / 100.0


def reaction_distance(prey_m: float, length_m: float) -> float:
    """Distance at which a fish turns to drifting prey [m]: 12 PL (1 - exp(-0.2 FL)) cm, PL in mm, FL in cm.

    Hughes & Dill 1990, from memory.
    """
    return 0.01 * 12.0 * (1000.0 * prey_m) * (1.0 - float(np.exp(-0.2 * 100.0 * length_m)))


def top_speed(length_m: float) -> float:
    """Greatest sustained swimming speed [m/s]: 36.23 FL^0.19 cm/s, FL in cm (Jones et al. 1974, from memory)."""
    return 0.01 * 36.23 * (100.0 * length_m) ** 0.19


def capture_share(speed_m_s: ArrayLike, points: tuple[tuple[float, float], ...]) -> np.ndarray:
    """Share of the prey turned to that is caught, by the speed of the water that carries it [m/s]."""
    at, share = zip(*points, strict=True)
    return np.interp(np.asarray(speed_m_s, float), at, share)


def swimming_cost(cost: Cost, grams: float, speed_m_s: ArrayLike, temperature_c: float) -> np.ndarray:
    """Energy spent holding station [J/s] by a fish of some weight [g] at a nose speed [m/s] and temperature [degC]."""
    rate = cost.ra * grams**cost.rb * np.exp(cost.rto * 100.0 * np.asarray(speed_m_s, float))
    return rate * np.exp(cost.rq * temperature_c) * OXYGEN_J_PER_G * grams / DAY_S


def intake(
    energy: Energy, length_m: float, food_m_s: ArrayLike, depth_m: ArrayLike, sighting_m: ArrayLike
) -> np.ndarray:
    """Gross energy taken from the drift [J/s].

    Prey density x energy x speed x area searched x share caught. The area is half a disk of capture radius
    RD sqrt(1 - (V / Vmax)^2), cut by the depth: min(pi r^2 / 2, 2 r h).

    Parameters
    ----------
    energy : settings
    length_m : length of the fish [m]
    food_m_s : speed of the water that carries the food [m/s]
    depth_m : depth [m]
    sighting_m : how far the fish sees [m]; the reaction distance is cut to it
    """
    speed = np.asarray(food_m_s, float)
    reach = np.minimum(reaction_distance(energy.prey_m, length_m), np.asarray(sighting_m, float))
    radius = reach * np.sqrt(np.clip(1.0 - (speed / top_speed(length_m)) ** 2, 0.0, 1.0))
    area = np.minimum(np.pi * radius**2 / 2, 2 * radius * np.asarray(depth_m, float))
    return energy.drift_items_m3 * energy.item_j * speed * area * capture_share(speed, energy.capture)


def energy_through_day(
    flow: Flow, fish: Fish, energy: Energy, temperature_c: float | None, clear_m: np.ndarray
) -> dict[str, np.ndarray]:
    """`energy_factors` at every step of a day, float32 (n_steps, n_cells).

    Parameters
    ----------
    flow : the sighting range (n_steps, n_cells), all else (n_cells,)
    fish, energy, temperature_c : as for `energy_factors`
    clear_m : sighting range where the light is best at each step [m] (n_steps,)
    """
    # In good light and in the dark it sees as far at many steps, which need be worked out once only.
    seen, step = np.unique(np.column_stack([clear_m, flow.sighting_m]), axis=0, return_inverse=True)
    found = [
        energy_factors(replace(flow, sighting_m=far[1:]), fish, energy, temperature_c, float(far[0])) for far in seen
    ]
    return {factor: np.stack([one[factor] for one in found])[step.reshape(-1)] for factor in FED}


def energy_factors(
    flow: Flow, fish: Fish, energy: Energy, temperature_c: float | None, clear_m: float, plenty: ArrayLike = 1.0
) -> dict[str, np.ndarray]:
    """Factors food and nose of the day's score by energy, 0-1 float32.

    food is the intake over the best this fish could take in deep water as clear as today's; nose is the share of the
    intake left after swimming. Their product is the net gain. By night a trout lives little from what it sees
    drifting by, so the night's factors stay the ordinary ones.

    Parameters
    ----------
    flow : what the fish lives in, any shape
    fish, energy : the fish and the settings
    temperature_c : water temperature [degC]; None takes `USUAL_TEMPERATURE_C`
    clear_m : sighting range where the light is best today [m]
    plenty : times as much food in all of the water as the settings say, one number or of a shape like the flow's [-]
    """
    warm = USUAL_TEMPERATURE_C if temperature_c is None else temperature_c
    keep = energy.assimilated / energy.over_prediction
    # The fish takes from the lane that pays best, between the water at its nose and the fastest within a metre; beyond
    # its own top speed there is nothing to take.
    fastest = np.minimum(flow.drift_m_s, np.maximum(flow.nose_m_s, top_speed(fish.length_m)))
    lanes = [flow.nose_m_s + share * (fastest - flow.nose_m_s) for share in np.linspace(0, 1, LANES)]
    got = keep * np.max([intake(energy, fish.length_m, v, flow.depth_m, flow.sighting_m) for v in lanes], axis=0)
    spent = swimming_cost(energy.cost[fish.species], weight_g(fish.length_m), flow.nose_m_s, warm)
    best = keep * intake(energy, fish.length_m, np.linspace(0.01, 1.5, 150), 10.0, clear_m).max()
    food = np.clip(got / best, 0.0, 1.0) if best > 0 else np.zeros_like(got)
    fed = np.asarray(plenty) * got
    left = np.where(fed > 0, np.clip(1.0 - spent / np.maximum(fed, 1e-12), 0.0, 1.0), 0.0)
    return {"food": food.astype(np.float32), "nose": left.astype(np.float32)}
