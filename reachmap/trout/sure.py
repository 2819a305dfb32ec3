"""How sure: the ranking again and again with depth, speed, clarity and weights drawn within their errors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from reachmap.channel.model import Channel
from reachmap.threads import side_by_side
from reachmap.trout.curves import Curves
from reachmap.trout.energy import Flow, energy_factors
from reachmap.trout.model import FACTORS, Lies, Outlook
from reachmap.trout.score import cover_from, edge_cover, losses, rate, score_inputs, weights
from reachmap.trout.shift import EyeCurves

if TYPE_CHECKING:
    import pandas as pd

DRAWS = 200
"""Draws with everything varied; 200 tell a share to about +- 0.03 (binomial standard error)."""

DRAWS_ALONE = 60
"""Draws with one input varied alone."""

TOP = 5
"""A lie is counted when it ranks among so many."""

CELLS = 40
"""Cells drawn in each lie, evenly taken. A test holds shares to 0.05 and mean places moved to 0.1 of those with all
cells, in the same draws; by the energy engine they may differ by more."""

CLARITY_SPREAD = 0.25
"""Standard error of the logarithm of the attenuation; assumed, what two people judging one water differ by."""

WEIGHT_SPREAD = 0.3
"""Standard error of the logarithm of each weight; assumed, nobody knows the weights better than this."""

FOOD_SPREAD = 0.7
"""Standard error of the logarithm of the amount of food, which only the energy engine reckons with; assumed, a factor
of two."""

INPUTS = ("depth", "speed", "clarity", "weights")
"""What is drawn, and by the energy engine the food besides."""


@dataclass(frozen=True)
class _Sample:
    """Sampled cells of the lies of one scene: positions and, for each, the place of its lie in the ranking list."""

    cells: np.ndarray
    lie: np.ndarray
    lies: int


def how_sure(channel: Channel, outlooks: Mapping[str, Outlook], lies: Lies, curves: Curves, seed: int = 1) -> Lies:
    """A copy of the lies that says how often each stays among the five best, and which input matters most.

    Depth and speed vary lie by lie with their standard errors; attenuation, weights and, by the energy engine, the
    amount of food vary for the whole beat. The draws take the patches as they are: that a patch might move or split is
    not in it.

    Parameters
    ----------
    channel, outlooks, lies, curves : as scored and found
    seed : same seed, same draws

    Returns
    -------
    Lies : `sure` filled in every scene of more than five lies (NaN where it is no lie); report["sensitivity"]: scene ->
        input -> when that input alone is drawn, mean places a lie moves ("moves") and share of the five best that stay
        ("kept"); report["matters_most"]: scene -> input that moves most, or "none"
    """

    def of_scene(name: str) -> tuple[pd.DataFrame, dict[str, dict[str, float]]]:
        table = lies.scenes[name].copy()
        numbers = table.index[table["rank"] > 0].to_numpy()
        if len(numbers) == 0:
            return table, {}
        sample = _sample(lies, numbers)
        vary = _Vary(channel, outlooks[name], curves, sample)
        drawn = (*INPUTS, "food") if outlooks[name].holding.engine == "energy" else INPUTS
        # By its name, so that it is the same whatever other scenes there are.
        rng = np.random.default_rng([seed, *name.encode()])
        whole = table.loc[numbers, "score"].to_numpy()
        # A sample tells how far a draw moves a score, not the score: lies next in rank differ by less than it misses.
        unmoved = vary.scores(rng, 1, ())

        def places_of(draws: int, varied: tuple[str, ...]) -> np.ndarray:
            return _places(whole + (vary.scores(rng, draws, varied) - unmoved))

        places = places_of(DRAWS, drawn)
        # Among no more than five every lie is always one of the five best, which would say nothing.
        if len(numbers) > TOP:
            table.loc[numbers, "sure"] = (places < TOP).mean(axis=0)
        base = _places(whole[None, :])
        return table, {i: _unrest(places_of(DRAWS_ALONE, (i,)), base) for i in drawn}

    names = list(outlooks)
    found = dict(zip(names, side_by_side(of_scene, names), strict=True))
    sensitivity = {name: unrest for name, (_, unrest) in found.items() if unrest}
    most = {name: max(unrest, key=lambda i: unrest[i]["moves"]) for name, unrest in sensitivity.items()}
    matters = {name: which if sensitivity[name][which]["moves"] > 0 else "none" for name, which in most.items()}
    report = {**lies.report, "draws": DRAWS, "sensitivity": sensitivity, "matters_most": matters}
    return replace(lies, scenes={name: table for name, (table, _) in found.items()}, report=report)


class _Vary:
    """The score of the sampled cells under drawn inputs."""

    def __init__(self, channel: Channel, outlook: Outlook, curves: Curves, sample: _Sample) -> None:
        light, sight, holding, own = outlook.light, outlook.sight, outlook.holding, sample.cells
        self.sample, self.holding, self.curves = sample, holding, curves
        self.temperature_c = light.scene.water.temperature_c
        self.day, self.night = curves.shifted(holding.fish, self.temperature_c)
        self.inputs = {k: np.asarray(v, float) for k, v in score_inputs(channel, light, curves, own).items()}
        self.depth_sd = channel["depth_sd"][own].astype(float)
        self.speed_sd = channel["speed_sd"][own] / np.maximum(channel["speed"][own], 0.05)
        self.eye_day = light["eye_day"][own].astype(float)
        self.sighting = sight.at("sighting_range", own).astype(float)
        # The brightest water is where it sees farthest.
        self.clear_m = float(sight.at("sighting_range", np.argmax(light["light_bed"], keepdims=True))[0])
        self.kd = light.kd_per_m
        self.edge = edge_cover(light["shade_edge"][own], curves).astype(float)
        self.hiding = channel["overhead"][own].astype(float), channel["structure"][own].astype(float)

    def scores(self, rng: np.random.Generator, draws: int, varied: tuple[str, ...]) -> np.ndarray:
        """Mean score of every lie in every draw (draws, lies)."""
        lies = self.sample.lies
        # Everything is drawn, for both eyes, so that no draw depends on what else is varied or has a say; what is not
        # varied is then one row for all draws.
        errors = {i: rng.standard_normal((draws, lies)) for i in ("depth", "speed")}
        shift = {i: z[:, self.sample.lie] if i in varied else np.zeros((1, 1)) for i, z in errors.items()}
        clarity = rng.standard_normal((draws, 1))
        murk = np.exp(CLARITY_SPREAD * clarity) if "clarity" in varied else np.ones((1, 1))
        inputs = self._drawn(shift["depth"], shift["speed"], murk)
        spread = WEIGHT_SPREAD * ("weights" in varied)
        scales = np.exp(spread * rng.standard_normal((2, len(FACTORS), draws)))
        score = np.zeros(self.eye_day.shape)
        if self.eye_day.max() > 0:
            day = rate("day", inputs, self.day)
            if self.holding.engine == "energy":
                flow = Flow(inputs["drift_speed"], inputs["nose_speed"], inputs["depth"], self.sighting / murk)
                fish, energy = self.holding.fish, self.curves.energy
                amount = rng.standard_normal((draws, 1))
                rich = np.exp(FOOD_SPREAD * amount) if "food" in varied else np.ones((1, 1))
                day |= energy_factors(flow, fish, energy, self.temperature_c, self.clear_m, rich)
            score = score + self.eye_day * _scored(day, self.day, scales[0])
        if self.eye_day.min() < 1:
            night = rate("night", inputs, self.night)
            score = score + (1 - self.eye_day) * _scored(night, self.night, scales[1])
        counts = np.bincount(self.sample.lie, minlength=lies)
        starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
        return np.add.reduceat(score, starts, axis=1) / counts

    def _drawn(self, depth_z: np.ndarray, speed_z: np.ndarray, murk: np.ndarray) -> dict[str, np.ndarray]:
        """The curves' inputs under one set of draws, (draws, cells), or (1, cells) where no draw moves them."""
        base = self.inputs
        depth = np.maximum(base["depth"] + self.depth_sd * depth_z, 0.01)
        faster = np.clip(1 + self.speed_sd * speed_z, 0.2, 3.0)
        # Light falls as exp(-Kd depth); the path of a high sun is taken for all of it.
        light = base["light_bed"] - self.kd * (murk * depth - base["depth"]) / np.log(10)
        moved = {name: base[name] * faster for name in ("drift_speed", "nose_speed", "rest_speed")}
        seam = base["seam_number"][None, :]
        cover = np.maximum(cover_from(*self.hiding, depth, self.curves), self.edge)
        return {**moved, "depth": depth, "light_bed": light, "cover_number": cover, "seam_number": seam}


def _scored(factors: Mapping[str, np.ndarray], curves: EyeCurves, scale: np.ndarray) -> np.ndarray:
    """`mean_score` of one eye with its weights times a scale (factors, draws), (draws, cells)."""
    weight = weights(curves)
    loss = np.einsum("fdc,fd->dc", losses(factors, weight), scale)
    total = np.array([weight[factor] for factor in FACTORS]) @ scale
    return np.exp(-loss / np.maximum(total, 1e-9)[:, None])


def _sample(lies: Lies, numbers: np.ndarray) -> _Sample:
    """Evenly taken cells of some lies, lie after lie."""
    cells, lie = [], []
    for place, number in enumerate(numbers):
        own = lies.cells[int(number)]
        taken = own[np.unique(np.linspace(0, len(own) - 1, CELLS).astype(int))]
        cells.append(taken)
        lie.append(np.full(len(taken), place))
    return _Sample(np.concatenate(cells), np.concatenate(lie), len(numbers))


def _places(scores: np.ndarray) -> np.ndarray:
    """Place of each lie in its draw, 0 the best (draws, lies); ties go to the earlier lie."""
    order = np.argsort(-scores, axis=1, kind="stable")
    places = np.empty(scores.shape, int)
    np.put_along_axis(places, order, np.arange(scores.shape[1])[None, :], axis=1)
    return places


def _unrest(places: np.ndarray, base: np.ndarray) -> dict[str, float]:
    """How much one input stirs the ranking: mean places moved, share of the five best that stay."""
    best = base < TOP
    kept = ((places < TOP) & best).sum(axis=1).mean() / best.sum()
    return {"moves": round(float(np.abs(places - base).mean()), 3), "kept": round(float(kept), 3)}
