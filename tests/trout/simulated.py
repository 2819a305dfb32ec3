"""Anglers with habits and fish with a rule, on the sample's water: logs whose truth is known.

Fish hold by a rule that is given (a power of the score, a planted preference, or nothing at all). Anglers fish where
they like to: near the ends where the paths come down and along one bank, never evenly; what they fish is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from reachmap.beat import read_beat
from reachmap.channel import build_channel
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
    )


def fish_out(made: Water, theta: np.ndarray, seed: int, trips: int, fish: int, spots: int = 12) -> list[Trip]:
    """Trips on which fish were met by the rule exp(theta . ln f) over the water each angler chose to fish."""
    rng = np.random.default_rng(seed)
    tree, out = cKDTree(np.column_stack([made.x, made.y])), []
    pull = made.habit / made.habit.sum()
    for _ in range(trips):
        at = rng.choice(len(made.x), spots, p=pull)
        fished = np.unique(np.concatenate(tree.query_ball_point(tree.data[at], FISHED_M))).astype(int)
        chance = np.exp(made.factors[fished] @ theta)
        met = rng.choice(fished, fish, p=chance / chance.sum())
        out.append((Choice(made.factors[met], made.factors[fished]),))
    return out


def scores_of(made: Water, trips: list[Trip], score: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Scores at the fish met and over the water fished; cells are found again by their factors."""
    keys = {row.tobytes(): k for k, row in enumerate(made.factors)}
    fish = np.array([keys[row.tobytes()] for trip in trips for one in trip for row in one.fish])
    fished = np.array([keys[row.tobytes()] for trip in trips for one in trip for row in one.water])
    return score[fish], score[fished]
