"""Tuning on simulated logs whose rule is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from reachmap.trout.tune import LEAST_PLACES, Choice, Trip, log_factors, log_likelihood, tune

DEFAULT = np.array([1.0, 1.0, 0.8, 0.8, 0.5, 0.5])


def simulate(theta, seed: int, trips: int = 12, fish: int = 12, cells: int = 250) -> list[Trip]:
    """Fish met at cells in proportion to exp(theta . ln f), the angler fishing a random part of the water."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(trips):
        water = log_factors(rng.beta(2, 1.2, (cells, len(DEFAULT))))
        chance = np.exp(water @ np.asarray(theta, float))
        met = rng.choice(cells, fish, p=chance / chance.sum())
        out.append((Choice(water[met], water),))
    return out


def test_gradient_is_the_slope():
    trips = simulate(DEFAULT, 1, trips=3)
    theta = 0.7 * DEFAULT
    numeric = approx_fprime(theta, lambda t: log_likelihood(t, trips)[0], 1e-6)
    np.testing.assert_allclose(log_likelihood(theta, trips)[1], numeric, rtol=1e-3, atol=1e-3)


def test_a_planted_preference_is_found():
    planted = np.array([0.3, 2.6, 0.6, 1.8, 0.3, 0.3])
    got = tune(DEFAULT, simulate(planted, 5, trips=20, fish=20))
    assert got.better
    want = planted * DEFAULT.sum() / planted.sum()
    assert np.mean((got.low - 0.15 <= want) & (want <= got.high + 0.15)) >= 5 / 6
    assert got.weights[1] > DEFAULT[1]
    assert got.weights.sum() == pytest.approx(DEFAULT.sum())


def test_nothing_is_tuned_when_the_defaults_are_right():
    """25 seeds here; the 200 of the slow test hold the rate at 5 %."""
    false = sum(tune(DEFAULT, simulate(DEFAULT, seed, trips=8, fish=6)).better for seed in range(25))
    assert false <= 3


@pytest.mark.slow
def test_false_tunes_over_200_seeds():
    false = sum(tune(DEFAULT, simulate(DEFAULT, seed, trips=8, fish=6)).better for seed in range(200))
    assert false <= 0.05 * 200


def test_fish_held_against_their_own_surroundings_tune_nothing():
    planted = np.array([0.3, 2.6, 0.6, 1.8, 0.3, 0.3])
    got = tune(DEFAULT, simulate(planted, 5, trips=20, fish=20), away=0.1)
    assert not got.better
    assert "blanks are too few" in got.why
    np.testing.assert_array_equal(got.weights, DEFAULT)


def test_trips_without_fish_are_told_apart_from_no_trips():
    """The verdict on the map counts them all; the words on the tuning follow it."""
    trips = simulate(DEFAULT, 1, trips=6, fish=2)
    none = [(Choice(one.fish[:0], one.water),) for (one,) in trips[2:]]
    assert "fish at 4 places, met on 2 of 6 trips, are too few" in tune(DEFAULT, [*trips[:2], *none]).why
    assert "fish at 0 places, met on 0 of 4 trips, are too few" in tune(DEFAULT, none).why


def test_few_fish_give_counts_only():
    got = tune(DEFAULT, simulate(DEFAULT, 1, trips=6, fish=2))
    assert not got.better
    assert f"it takes {LEAST_PLACES} places" in got.why
    np.testing.assert_array_equal(got.weights, DEFAULT)
