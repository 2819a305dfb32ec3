"""What the log can say, on logs whose truth is known: a good map is told from a random one, whatever anglers like."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest

from reachmap.trout import load_curves
from reachmap.trout.learn import join_log, judge
from reachmap.trout.ranking import auc, boyce
from reachmap.trout.tune import LEAST_AWAY, LEAST_PLACES, tune
from tests.trout.simulated import fish_out, scores_of, water, written_down

POWER = 3.0
"""How sharply the simulated fish follow the score; 0 would be no following at all."""
PLANTED = np.array([0.4, 2.0, 0.4, 2.2, 0.5, 0.2])
"""A fish that asks for calm water and shade and little else; food, nose, depth, light, cover, seam."""


@pytest.fixture(scope="module")
def made():
    return water()


def judged(made, seed, score):
    trips = fish_out(made, POWER * made.weights / made.weights.sum(), seed, trips=10, fish=8)
    fish, fished = scores_of(made, trips, score)
    return boyce(fish, fished), auc(fish, fished)


def test_the_index_tells_a_good_map_from_a_random_one(made):
    random = np.random.default_rng(9).permutation(made.score)
    good = np.array([judged(made, seed, made.score) for seed in range(60)])
    poor = np.array([judged(made, seed, random) for seed in range(60)])
    assert good[:, 0].mean() > 0.7
    assert good[:, 1].mean() > 0.6
    assert np.abs(poor[:, 0].mean()) < 0.2
    assert poor[:, 1].mean() == pytest.approx(0.5, abs=0.03)
    # By chance 45 logs of 60 or more would side with the good map once in 15,000 times (sign test).
    assert (good[:, 1] > poor[:, 1]).sum() >= 45


def test_a_map_upside_down_is_told(made):
    index, area = judged(made, 3, 1 - made.score)
    assert index < -0.5
    assert area < 0.4


def judged_log(made, theta, seed, blanks):
    """The log of ten trips with eight fish each, as it is judged and tuned from: verdict, tuning, share away."""
    joined = join_log(written_down(made, theta, seed, trips=10, fish=8, blanks=blanks), load_curves())
    away = joined.share_away("day")
    return judge(joined, "day"), tune(made.weights, joined.trips["day"], joined.places["day"], away), away


def test_a_log_with_the_blanks_is_judged_and_one_of_fish_alone_is_not(made):
    """Fish that follow the map's own score: with only their own surroundings to go by, the map seems no good."""
    theta = POWER * made.weights / made.weights.sum() * 2
    for seed in range(4):
        verdict, tuning, away = judged_log(made, theta, seed, blanks=True)
        assert away > LEAST_AWAY
        assert verdict.auc > 0.55
        assert verdict.boyce > 0.5
        assert not tuning.better
        assert "held out" in tuning.why
        verdict, tuning, away = judged_log(made, theta, seed, blanks=False)
        assert away == 0
        assert verdict.n_places >= LEAST_PLACES
        assert np.isnan([verdict.auc, verdict.boyce]).all()
        assert "Log blanks too" in verdict.sentence
        assert not tuning.better
        assert "blanks are too few" in tuning.why


def test_a_planted_preference_is_recovered_from_biased_effort(made):
    """Of twelve logs of thirty trips; with the false alarms there may be, six tuned by chance is 1 in 90,000."""
    theta = POWER * PLANTED / PLANTED.sum() * 2
    tuned = (tune(made.weights, fish_out(made, theta, seed, trips=30, fish=15)) for seed in range(12))
    better = [*islice((got for got in tuned if got.better), 6)]
    assert len(better) == 6
    want = PLANTED * made.weights.sum() / PLANTED.sum()
    # Of 90 % intervals one in ten may miss; drawn from forty resamplings their ends are good to about 0.05.
    held = [(got.low - 0.05 <= want) & (want <= got.high + 0.05) for got in better]
    assert np.mean(held) >= 0.8
    far = np.abs(want - made.weights) > 0.7
    moved = [(np.sign(got.weights - made.weights) == np.sign(want - made.weights))[far] for got in better]
    assert np.mean(moved) >= 0.9


def false_tunes(made, seeds: int) -> int:
    """How often weights are tuned though the defaults are the truth."""
    theta = POWER * made.weights / made.weights.sum()
    return sum(tune(made.weights, fish_out(made, theta, seed, trips=8, fish=6)).better for seed in range(seeds))


def test_nothing_is_tuned_when_there_is_nothing_to_learn(made):
    assert false_tunes(made, 20) <= 3


@pytest.mark.slow
def test_false_tunes_over_200_seeds_stay_under_5_percent(made):
    found = false_tunes(made, 200)
    print(f"tuned for nothing on {found} of 200 seeds")
    assert found <= 10
