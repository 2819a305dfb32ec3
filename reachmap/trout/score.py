"""The hold score: six factors an eye, their weighted geometric mean, blended by the state of the eye.

score = exp(sum w_i ln f_i / sum w_i), 0 where any factor with a weight is 0. The page's script repeats these few
lines, so they stay this simple. It ranks places; it is no probability of a fish.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Literal

import numpy as np

from reachmap.beat.model import Fish
from reachmap.channel.model import Channel
from reachmap.errors import SettingError
from reachmap.layers import Derived, WetCells
from reachmap.light.model import Light
from reachmap.sight import Sight, see
from reachmap.threads import pieces, side_by_side
from reachmap.trout.curves import INPUTS, LUX_FLOOR, Curves, load_curves
from reachmap.trout.energy import Flow, energy_factors
from reachmap.trout.model import FACTORS, Holding, Outlook
from reachmap.trout.shift import EyeCurves

ENGINES = ("ordinary", "energy")

SCORES = ("hold_day", "hold_night", "hold", "limiting")
"""Layers of a holding; the first two, by one eye alone, are worked out when read."""

Eye = Literal["day", "night"]
EYES: tuple[Eye, ...] = ("day", "night")

ALL = slice(None)
"""Every wet cell."""


def outlook_for(channel: Channel, light: Light, curves: Curves | None = None, engine: str = "ordinary") -> Outlook:
    """What a scene's light comes to for the fish of the beat; `curves` and `engine` as for `hold`."""
    curves, fish = curves or load_curves(), channel.beat.fish
    sight = see(channel, light, fish, curves.eyes)
    return Outlook(light, sight, hold(channel, light, sight, fish, curves, engine))


def hold(
    channel: Channel,
    light: Light,
    sight: Sight,
    fish: Fish,
    curves: Curves | None = None,
    engine: str = "ordinary",
) -> Holding:
    """Score every wet cell of one scene by day eye and night eye, and as the eye stands.

    Parameters
    ----------
    channel, light, sight : the water, the light and the sight of one scene
    fish : species and length
    curves : curves and weights; None takes the packaged ones
    engine : "ordinary", or "energy": by day food and nose speed give way to intake and swimming cost

    Raises
    ------
    SettingError : there is no such engine
    """
    if engine not in ENGINES:
        raise SettingError(f"engine {engine!r}: no such engine; there are: {', '.join(ENGINES)}")
    curves = curves or load_curves()
    temperature = light.scene.water.temperature_c
    day_curves, night_curves = curves.shifted(fish, temperature)
    weights_day, weights_night = weights(day_curves), weights(night_curves)
    fed: dict[str, np.ndarray] = {}
    if engine == "energy":
        seen = sight["sighting_range"]
        flow = Flow(channel["drift_speed"], channel["nose_speed"], channel["depth"], seen)
        fed = energy_factors(flow, fish, curves.energy, temperature, float(seen.max(initial=0.0)))
    layers = {name: np.empty(channel.grid.n_wet, np.float32) for name in SCORES[2:]}

    def score(cells: slice) -> None:
        eye_day = light["eye_day"][cells]
        # By day and by night the other eye has no say, and nothing need be worked out for it.
        eyes: tuple[Eye, ...] = ("day",) if eye_day.min() >= 1.0 else ("night",) if eye_day.max() <= 0.0 else EYES
        inputs = score_inputs(channel, light, curves, cells, eyes)
        factors = {eye: rate(eye, inputs, day_curves if eye == "day" else night_curves) for eye in eyes}
        if "day" in factors:
            factors["day"] |= {factor: values[cells] for factor, values in fed.items()}
        if len(eyes) == 1:
            found = alone(factors[eyes[0]], weights_day if eyes[0] == "day" else weights_night)
        else:
            found = combine(factors["day"], factors["night"], weights_day, weights_night, eye_day)
        for name, values in layers.items():
            values[cells] = found[name]

    side_by_side(score, pieces(channel.grid.n_wet))
    read = partial(_factor, channel, light, curves)
    by_day, by_night = (
        Derived(FACTORS, partial(read, eye, shifted, known), channel.grid.n_wet)
        for eye, shifted, known in (("day", day_curves, fed), ("night", night_curves, {}))
    )

    def by_one_eye(name: str, cells: WetCells) -> np.ndarray:
        factors, weight = (by_day, weights_day) if name == "hold_day" else (by_night, weights_night)
        return mean_score(losses(factors.at(cells), weight), weight)

    both = Derived(SCORES[:2], by_one_eye, channel.grid.n_wet, {**layers, "light_bed": light["light_bed"]})
    return Holding(light.scene, fish, both, by_day, by_night, engine, weights_day, weights_night)


def _factor(
    channel: Channel,
    light: Light,
    curves: Curves,
    eye: Eye,
    shifted: EyeCurves,
    fed: Mapping[str, np.ndarray],
    factor: str,
    cells: WetCells,
) -> np.ndarray:
    """One factor of some cells; `fed` holds those that are known already."""
    if factor in fed:
        return fed[factor][cells]
    return shifted[factor](score_input(INPUTS[eye][FACTORS.index(factor)], channel, light, curves, cells))


def score_inputs(
    channel: Channel, light: Light, curves: Curves, cells: WetCells = ALL, eyes: tuple[Eye, ...] = EYES
) -> dict[str, np.ndarray]:
    """Everything the curves of these eyes are read at in some cells, by name."""
    names = dict.fromkeys(name for eye in eyes for name in INPUTS[eye])
    return {name: score_input(name, channel, light, curves, cells) for name in names}


def score_input(name: str, channel: Channel, light: Light, curves: Curves, cells: WetCells = ALL) -> np.ndarray:
    """What one curve is read at in some cells; light as log10 lux, cover with the edge of the shade."""
    if name == "light_bed":
        return np.log10(np.maximum(light["light_bed"][cells], LUX_FLOOR))
    if name == "cover_number":
        return np.maximum(cover_number(channel, curves, cells), edge_cover(light["shade_edge"][cells], curves))
    if name == "seam_number":
        return seam_number(channel, curves, cells)
    return channel[name][cells]


def cover_number(channel: Channel, curves: Curves, cells: WetCells = ALL) -> np.ndarray:
    """Lasting cover of some cells, 0-1 float32: the greatest of a roof, a thing to lie against, deep water."""
    roof, thing, depth = (channel[name][cells] for name in ("overhead", "structure", "depth"))
    return cover_from(roof, thing, depth, curves).astype(np.float32)


def edge_cover(shade_edge: np.ndarray, curves: Curves) -> np.ndarray:
    """What the edge of the shade (0-1) counts as cover, 0-1 float32."""
    return (curves["cover.edge_share"] * shade_edge).astype(np.float32)


def cover_from(overhead: np.ndarray, structure: np.ndarray, depth_m: np.ndarray, curves: Curves) -> np.ndarray:
    """Cover, 0-1, from a roof (0-1), nearness of a thing to lie against (0-1) and depth [m], arrays of one shape."""
    shallow, full = curves["cover.depth_from_m"], curves["cover.depth_full_m"]
    deep = curves["cover.depth_share"] * np.clip((depth_m - shallow) / (full - shallow), 0, 1)
    return np.clip(np.maximum(np.maximum(overhead, curves["cover.structure_share"] * structure), deep), 0, 1)


def seam_number(channel: Channel, curves: Curves, cells: WetCells = ALL) -> np.ndarray:
    """Nearness to the slow side of a seam, 0-1 float32; full within `seam.reach_m`, gone at twice that."""
    away = channel["seam_distance"][cells]
    strong = np.clip(channel["seam_contrast"][cells] / curves["seam.contrast_full_m_s"], 0, 1)
    near = np.clip(2 - away / curves["seam.reach_m"], 0, 1)
    return np.where(np.isfinite(away), strong * near, 0.0).astype(np.float32)


def rate(eye: Eye, inputs: Mapping[str, np.ndarray], curves: EyeCurves) -> dict[str, np.ndarray]:
    """Suitability 0-1 of every factor for one state of the eye."""
    return {factor: curves[factor](inputs[name]) for factor, name in zip(FACTORS, INPUTS[eye], strict=True)}


def weights(curves: EyeCurves) -> dict[str, float]:
    """Factor -> weight."""
    return {factor: curves[factor].weight for factor in FACTORS}


def alone(factors: Mapping[str, np.ndarray], weight: Mapping[str, float]) -> dict[str, np.ndarray]:
    """`combine` where only one eye counts: the blended score and the limiting factor, float32."""
    loss = losses(factors, weight)
    return {"hold": mean_score(loss, weight).astype(np.float32), "limiting": (_costliest(loss) + 1).astype(np.float32)}


def combine(
    day: Mapping[str, np.ndarray],
    night: Mapping[str, np.ndarray],
    weights_day: Mapping[str, float],
    weights_night: Mapping[str, float],
    eye_day: np.ndarray,
) -> dict[str, np.ndarray]:
    """The layers of `SCORES`, float32.

    The limiting factor is the one that costs most in the eye that counts more (the day eye at a tie).
    """
    loss_day, loss_night = losses(day, weights_day), losses(night, weights_night)
    hold_day, hold_night = mean_score(loss_day, weights_day), mean_score(loss_night, weights_night)
    blended = eye_day * hold_day + (1 - eye_day) * hold_night
    limiting = np.where(eye_day >= 0.5, _costliest(loss_day), _costliest(loss_night)) + 1
    found = zip(SCORES, (hold_day, hold_night, blended, limiting), strict=True)
    return {name: values.astype(np.float32) for name, values in found}


def _costliest(loss: np.ndarray) -> np.ndarray:
    """Row of the greatest loss (6, n), the first of equals, uint8 (n,); row by row, as numpy's argmax is slow there."""
    most, row = loss[0].copy(), np.zeros(loss.shape[1], np.uint8)
    for number, cost in enumerate(loss[1:], 1):
        more = cost > most
        most[more], row[more] = cost[more], number
    return row


def losses(factors: Mapping[str, np.ndarray], weight: Mapping[str, float]) -> np.ndarray:
    """What each factor costs, -w ln f, (6, ...) float32; infinite where a factor with a weight is 0.

    Factors that differ in shape are broadcast against each other.
    """
    shape = np.broadcast_shapes(*(values.shape for values in factors.values()))
    out = np.zeros((len(FACTORS), *shape), np.float32)
    with np.errstate(divide="ignore"):
        for row, factor in zip(out, FACTORS, strict=True):
            if weight[factor] > 0:
                np.multiply(np.log(factors[factor]), -weight[factor], out=row)
    return out


def score_again(
    factors: Mapping[str, np.ndarray], changed: Mapping[str, np.ndarray], weight: Mapping[str, float]
) -> np.ndarray:
    """Scores of one eye (n_steps, n_cells) with some factors as they are at every step.

    Parameters
    ----------
    factors : all of them (n_cells,)
    changed : those that take the place of others there (n_steps, n_cells)
    weight : of each factor
    """
    others = {factor: np.ones_like(values) if factor in changed else values for factor, values in factors.items()}
    score = mean_score(losses(others, weight), weight)
    total = sum(weight.values())
    for factor, values in changed.items():
        score = score * values ** np.float32(weight[factor] / total)
    return score


def mean_score(loss: np.ndarray, weight: Mapping[str, float]) -> np.ndarray:
    """Weighted geometric mean from the losses (6, ...); 1 if nothing has a weight."""
    total = sum(weight[factor] for factor in FACTORS)
    return np.exp(-loss.sum(axis=0) / total) if total > 0 else np.ones(loss.shape[1:], np.float32)
