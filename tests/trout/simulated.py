"""Anglers with habits and fish with a rule, on the sample's water: logs whose truth is known.

Fish hold by a rule that is given (a power of the score, a planted preference, or nothing at all). Anglers fish where
they like to: near the ends where the paths come down and along one bank, never evenly; what they fish is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from scipy.spatial import cKDTree

from reachmap.beat import read_beat
from reachmap.channel import Channel, build_channel
from reachmap.light import light_at, prepare_shade
from reachmap.sight import see
from reachmap.trout import hold, load_curves
from reachmap.trout.model import FACTORS
from reachmap.trout.tune import Choice, Trip, log_factors

SAMPLE = Path(__file__).parents[2] / "sample_reach"
FISHED_M = 4.0


@dataclass(frozen=True)
class Water:
    """One scene of the sample: ln of the day factors (n_wet, 6), default weights, score, place, the habits' pull."""

    factors: np.ndarray
    weights: np.ndarray
    score: np.ndarray
    x: np.ndarray
    y: np.ndarray
    habit: np.ndarray
    channel: Channel


def water() -> Water:
    """The sample's sunny noon on cells of one metre."""
    beat = read_beat(SAMPLE)
    channel = build_channel(beat, cell_m=1.0)
    curves = load_curves(None, beat.fish, beat.water.temperature_c)
    light = light_at(channel, beat.scenes[0], prepare_shade(channel))
    holding = hold(channel, light, see(channel, light, beat.fish, curves.eyes), beat.fish, curves)
    along, across, width = channel["along"], channel["across"], channel["width"]
    # Paths reach the water at both ends; the right bank is open, the left overgrown.
    habit = np.exp(-np.minimum(along, along.max() - along) / 120.0) * np.exp(-2.0 * (across / width + 0.5))
    return Water(
        log_factors(np.column_stack([holding.factors_day[name] for name in FACTORS])),
        np.array([holding.weights_day[name] for name in FACTORS]),
        holding["hold_day"],
        channel.grid.x,
        channel.grid.y,
        habit,
        channel,
    )


def outings(
    made: Water, theta: np.ndarray, seed: int, trips: int, fish: int, spots: int = 12
) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Trip by trip the cells an angler went to, those so fished, and those of the fish met there.

    Fish are met by the rule exp(theta . ln f) over the water the angler chose to fish.
    """
    rng = np.random.default_rng(seed)
    tree = cKDTree(np.column_stack([made.x, made.y]))
    pull = made.habit / made.habit.sum()
    for _ in range(trips):
        at = rng.choice(len(made.x), spots, p=pull)
        fished = np.unique(np.concatenate(tree.query_ball_point(tree.data[at], FISHED_M))).astype(int)
        chance = np.exp(made.factors[fished] @ theta)
        yield at, fished, rng.choice(fished, fish, p=chance / chance.sum())


def fish_out(made: Water, theta: np.ndarray, seed: int, trips: int, fish: int, spots: int = 12) -> list[Trip]:
    """The trips as they are judged and tuned from."""
    went = outings(made, theta, seed, trips, fish, spots)
    return [(Choice(made.factors[met], made.factors[fished]),) for _, fished, met in went]


def with_log(channel: Channel, spots: np.ndarray, **columns: object) -> Channel:
    """The channel with a log of catches at spots (n, 2) at the first scene's hour, one a trip unless told."""
    when = channel.beat.scenes[0].when
    told = {"what": "catch", "time": when, "count": 1.0, "trip": [f"trip {k}" for k in range(len(spots))]} | columns
    log = channel.beat.log.iloc[np.zeros(len(spots), int)].reset_index(drop=True)
    log = log.assign(**told).set_geometry(shapely.points(spots), crs=log.crs)
    return replace(channel, beat=replace(channel.beat, log=log))


def written_down(made: Water, theta: np.ndarray, seed: int, trips: int, fish: int, blanks: bool) -> Channel:
    """The water with the log of such trips: fish where they lay and, if told, where the angler went and met none."""
    cells, what, trip = [], [], []
    for k, (at, _, met) in enumerate(outings(made, theta, seed, trips, fish)):
        away = np.hypot(made.x[at, None] - made.x[met], made.y[at, None] - made.y[met]).min(1) > FISHED_M
        none = at[away] if blanks else at[:0]
        cells += [*met, *none]
        what += ["catch"] * len(met) + ["blank"] * len(none)
        trip += [f"trip {k}"] * (len(met) + len(none))
    return with_log(made.channel, np.column_stack([made.x[cells], made.y[cells]]), what=what, trip=trip)


def scores_of(made: Water, trips: list[Trip], score: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Scores at the fish met and over the water fished; cells are found again by their factors."""
    keys = {row.tobytes(): k for k, row in enumerate(made.factors)}
    fish = np.array([keys[row.tobytes()] for trip in trips for one in trip for row in one.fish])
    fished = np.array([keys[row.tobytes()] for trip in trips for one in trip for row in one.water])
    return score[fish], score[fished]
