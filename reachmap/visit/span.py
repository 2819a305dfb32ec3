"""What the lies come to over a whole day, step by step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reachmap.channel.model import Channel
from reachmap.light import edge_through_day, eye_through_day, is_dark, lux_through_day
from reachmap.light.model import DayLight, Light
from reachmap.sight.sighting import full_range, light_factor
from reachmap.trout.curves import LUX_FLOOR, Curves
from reachmap.trout.energy import Flow, energy_through_day
from reachmap.trout.model import Lies, Outlook
from reachmap.trout.score import cover_number, edge_cover, score_again

HOUR_CELLS, BRIGHT_CELLS = 200, 1000
"""Cells at most, spread over a lie, for which the hours of its day are worked out, and spread over the reach, among
which the brightest water of every hour is looked for; assumed."""


@dataclass(frozen=True)
class Span:
    """What the lies come to over a scene's day, under its cloud and water.

    Parameters
    ----------
    light : of the scene
    day : its day
    score, lux : hold score and light at the bed [lux], a row a step, a column a lie
    eye : state of the eye over the lies at every step
    """

    light: Light
    day: DayLight
    score: pd.DataFrame
    lux: pd.DataFrame
    eye: pd.Series

    @property
    def alike(self) -> np.ndarray:
        """Steps of the day as dark or light as its scene (n_steps,) bool."""
        return np.array([is_dark(sun) == is_dark(self.light.sun) for sun in self.day.sun])


def through_day(channel: Channel, outlook: Outlook, lies: Lies, day: DayLight, curves: Curves) -> Span:
    """The lies over a day: light and shade anew at every step, and what depends on them; all else does not change."""
    scene, holding = outlook.scene, outlook.holding
    some = {number: own[:: max(1, -(-len(own) // HOUR_CELLS))] for number, own in lies.cells.items()}
    cells, label = np.concatenate([*some.values()]), np.repeat([*some], [len(own) for own in some.values()])
    lux = lux_through_day(channel, day, scene.cloud, scene.water, cells, scene.town_glow_lux)
    eye = eye_through_day(lux, day.step_min, channel.beat.fish.species)
    log_lux = np.log10(np.maximum(lux, LUX_FLOOR))
    edge = edge_through_day(channel, day, scene.cloud, cells, scene.town_glow_lux)
    hides = np.maximum(cover_number(channel, curves, cells), edge_cover(edge, curves))
    light_day, light_night = (
        {"light": one["light"](log_lux), "cover": one["cover"](hides)}
        for one in curves.shifted(holding.fish, scene.water.temperature_c)
    )
    fed = _fed_through(channel, outlook, day, cells, lux, curves) if holding.engine == "energy" else {}
    by_day = score_again(holding.factors_day.at(cells), {**light_day, **fed}, holding.weights_day)
    by_night = score_again(holding.factors_night.at(cells), light_night, holding.weights_night)
    score = eye * by_day + (1 - eye) * by_night
    times = pd.Index(day.times, name="time")

    def by_lie(values: np.ndarray) -> pd.DataFrame:
        return pd.DataFrame({n: values[:, label == n].mean(axis=1) for n in lies.table.index}, index=times)

    return Span(outlook.light, day, by_lie(score), by_lie(lux), pd.Series(eye.mean(axis=1), index=times))


def _fed_through(
    channel: Channel, outlook: Outlook, day: DayLight, cells: np.ndarray, lux: np.ndarray, curves: Curves
) -> dict[str, np.ndarray]:
    """What the energy engine makes of food and nose speed at every step: how far the fish sees goes with the light.

    Parameters
    ----------
    cells, lux : of the lies, and the light at their bed at every step [lux] (n_steps, n_cells)
    """
    scene, fish = outlook.scene, outlook.holding.fish
    good = full_range(outlook.light, fish, curves.eyes)
    # Where it sees farthest: in the water that is brightest in the scene, or in some all over the reach.
    few = np.linspace(0, channel.grid.n_wet - 1, BRIGHT_CELLS).astype(int)
    bright = np.unique(np.r_[few, np.argmax(outlook.light["light_bed"])])
    most = lux_through_day(channel, day, scene.cloud, scene.water, bright, scene.town_glow_lux).max(axis=1)
    clear, seen = (
        good * light_factor(values, curves.eyes, fish) for values in (np.maximum(most, lux.max(axis=1)), lux)
    )
    drift, nose, depth = (channel[name][cells] for name in ("drift_speed", "nose_speed", "depth"))
    flow = Flow(drift, nose, depth, seen)
    return energy_through_day(flow, fish, curves.energy, scene.water.temperature_c, clear)
