"""The energy engine against published parameters and a case worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat.model import SPECIES, Fish
from reachmap.trout import load_curves
from reachmap.trout.energy import (
    LANES,
    Flow,
    capture_share,
    energy_factors,
    intake,
    reaction_distance,
    swimming_cost,
    top_speed,
    weight_g,
)
from tests.published import load

ROWS = load("trout")
ENERGY = load_curves().energy
STEPS = np.arange(1, 7) / 10


def net(hold_m_s, feed_m_s):
    """The worked example: 34 cm brown trout of 400 g, 12 C, 0.8 m deep, clear water."""
    gross = intake(ENERGY, 0.34, feed_m_s, 0.8, 10.0)
    return 0.6 * gross - swimming_cost(ENERGY.cost["brown"], 400.0, hold_m_s, 12.0)


@pytest.mark.parametrize(("row", "species"), [("E1", "brown"), ("E2", "rainbow")])
def test_swimming_cost(row, species):
    ROWS[row].check(swimming_cost(ENERGY.cost[species], 400.0, [0.0, 0.2, 0.3, 0.6], 12.0))


def test_cost_doubles():
    cost = ENERGY.cost["brown"]
    rise = np.log(2) / np.log(swimming_cost(cost, 400, 0.01, 12) / swimming_cost(cost, 400, 0.0, 12))
    ROWS["E3"].check(rise)


def test_capture_share():
    ROWS["E4"].check(capture_share([0.29, 0.45, 0.61], ENERGY.capture))


def test_reaction_distance_and_top_speed():
    ROWS["E5"].check(100 * reaction_distance(0.005, 0.30))
    ROWS["E6"].check([100 * top_speed(0.30), 100 * top_speed(0.40)])


def test_worked_example():
    ROWS["E7-gross"].check(intake(ENERGY, 0.34, STEPS, 0.8, 10.0))
    ROWS["E7-net"].check(net(STEPS, STEPS))
    ROWS["E7"].check(STEPS[net(STEPS, STEPS).argmax()])
    ROWS["E7-seam"].check([net(0.2, 0.4), net(0.4, 0.4)])


def test_a_foot_of_trout_weighs_about_a_pound_in_ordinary_condition():
    """Condition factor 1 by definition: 100 W / L^3 = 1."""
    assert 100 * weight_g(0.30) / 30**3 == pytest.approx(1.0)


@given(
    st.floats(0, 2), st.floats(0, 2), st.floats(0, 4), st.floats(0, 3), st.sampled_from(SPECIES), st.floats(0.1, 0.8)
)
def test_factors_stay_between_nothing_and_all(drift, nose, depth, sight, species, length):
    flow = Flow(*(np.array([v]) for v in (drift, nose, depth, sight)))
    out = energy_factors(flow, Fish(species, length), ENERGY, None, 3.0)
    assert all(0 <= out[f][0] <= 1 for f in ("food", "nose"))


def test_what_is_left_after_swimming_is_the_factor_of_the_nose():
    """A fish of the worked example in water of one speed: one lane, so its share is 1 - cost / intake kept, and none
    in water without drift."""
    fish, still = Fish("brown", 0.35), np.array([0.2, 0.4, 0.0])
    flow = Flow(still, still, np.full(3, 0.8), np.full(3, 10.0))
    keep = ENERGY.assimilated / ENERGY.over_prediction
    kept = keep * intake(ENERGY, 0.35, still, 0.8, 10.0)
    cost = swimming_cost(ENERGY.cost["brown"], weight_g(0.35), still, 12.0)
    out = energy_factors(flow, fish, ENERGY, 12.0, 10.0)
    assert 0.1 < out["nose"][1] < out["nose"][0] < 1
    assert out["nose"][:2] == pytest.approx(1 - cost[:2] / kept[:2], abs=1e-6)
    assert out["food"][0] / out["food"][1] == pytest.approx(kept[0] / kept[1], rel=1e-5)
    assert (out["food"][2], out["nose"][2]) == (0, 0)


@given(st.floats(0.0, 0.7), st.floats(0.01, 0.5), st.floats(0.0, 0.5))
def test_a_faster_nose_never_pays(nose, faster, more):
    """But for the lanes tried being some way apart."""
    drift = nose + faster + more
    flow = Flow(np.full(2, drift), np.array([nose, nose + faster]), np.full(2, 0.8), np.full(2, 2.0))
    left = energy_factors(flow, Fish(), ENERGY, 12.0, 2.0)["nose"]
    assert left[1] <= left[0] + 0.02


def test_more_food_leaves_more_after_swimming_and_the_order_by_food_as_it_is():
    """Twice the food halves what swimming takes of it: 1 - spent / got by hand."""
    flow = Flow(*(np.array([v]) for v in (0.5, 0.15, 0.8, 2.0)))
    once, twice = (energy_factors(flow, Fish(), ENERGY, 12.0, 2.0, plenty) for plenty in (1.0, 2.0))
    denser = energy_factors(flow, Fish(), replace(ENERGY, drift_items_m3=2 * ENERGY.drift_items_m3), 12.0, 2.0)
    assert once["food"] == pytest.approx(twice["food"])
    assert 0 < once["nose"][0] < 1
    assert 1 - twice["nose"] == pytest.approx((1 - once["nose"]) / 2)
    assert all(denser[factor] == pytest.approx(twice[factor]) for factor in denser)


def test_the_lanes_tried_are_close_enough(monkeypatch):
    """Beside many lanes, in water up to 4 m/s, for small fish and large."""
    rng = np.random.default_rng(0)
    nose = rng.uniform(0, 0.6, 4000)
    flow = Flow(nose + rng.uniform(0, 3.5, 4000), nose, rng.choice([0.2, 0.6, 1.5], 4000), np.full(4000, 5.0))
    for length in (0.1, 0.25, 0.36, 0.6):
        food = {}
        for lanes in (LANES, 2001):
            monkeypatch.setattr("reachmap.trout.energy.LANES", lanes)
            food[lanes] = energy_factors(flow, Fish(length_m=length), ENERGY, 12.0, 5.0)["food"]
        some = food[2001] > 0
        assert (food[LANES][some] / food[2001][some]).min() > 0.96
