"""The score: what must always hold, and what the trade knows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.stats import gmean, spearmanr

from reachmap.beat.model import SPECIES, Fish
from reachmap.errors import SettingError
from reachmap.sight import see
from reachmap.trout import FACTORS, cover_number, hold, load_curves, seam_number
from reachmap.trout.score import alone, combine, cover_from, losses, mean_score, weights
from tests import toy
from tests.published import load
from tests.trout import waters

ROWS = load("trout")
CURVES = load_curves()
unit = st.floats(0, 1, width=32)
vectors = hnp.arrays(np.float32, (6, 5), elements=unit)
some_weights = st.lists(st.floats(0.1, 5), min_size=6, max_size=6)


def named(rows):
    return dict(zip(FACTORS, rows, strict=True))


@pytest.fixture(scope="module")
def scored():
    return {
        f.__name__: waters.score(f(), CURVES)
        for f in (waters.lone_boulder, waters.undercut_in_sun, waters.pool_and_riffle, waters.shaded_bank)
    }


def every_holding(scored):
    return [outlook.holding for water in scored.values() for outlook in water.outlooks.values()]


@given(hnp.arrays(np.float32, (6, 5), elements=st.floats(0.0625, 1, width=32)), some_weights)
def test_it_is_the_weighted_geometric_mean(rows, weight):
    """scipy.stats.gmean is the reference."""
    ours = mean_score(losses(named(rows), named(weight)), named(weight))
    assert np.allclose(ours, gmean(rows, axis=0, weights=np.repeat(np.array(weight)[:, None], 5, axis=1)), rtol=1e-4)


@given(vectors, vectors, hnp.arrays(np.float32, 5, elements=unit), some_weights)
def test_scores_stay_between_0_and_1(day, night, eye, weight):
    out = combine(named(day), named(night), named(weight), named(weight), eye)
    for name in ("hold", "hold_day", "hold_night"):
        assert np.all((out[name] >= 0) & (out[name] <= 1 + 1e-6))
    assert set(np.unique(out["limiting"])) <= set(range(1, 7))


@given(vectors, some_weights, st.floats(0, 1))
def test_a_worse_limiting_factor_never_raises_the_score(rows, weight, share):
    ones, eye = named(np.ones((6, 5), np.float32)), np.ones(5, np.float32)
    before = combine(named(rows), ones, named(weight), named(weight), eye)
    limiting = before["limiting"].astype(int) - 1
    worse = rows.copy()
    worse[limiting, np.arange(5)] *= np.float32(share)
    after = combine(named(worse), ones, named(weight), named(weight), eye)
    assert np.all(after["hold"] <= before["hold"] + 1e-6)


@given(vectors, some_weights, st.permutations(range(5)))
def test_order_of_the_cells_changes_nothing(rows, weight, order):
    eye = np.linspace(0, 1, 5, dtype=np.float32)
    one = combine(named(rows), named(rows), named(weight), named(weight), eye)
    other = combine(named(rows[:, order]), named(rows[:, order]), named(weight), named(weight), eye[order])
    for name, values in one.items():
        assert np.array_equal(values[order], other[name])


@given(vectors, vectors, some_weights, some_weights)
def test_one_eye_alone_scores_as_if_the_other_had_no_say(day, night, weight_day, weight_night):
    factors, weight = (named(day), named(night)), (named(weight_day), named(weight_night))
    for eye, number in ((1.0, 0), (0.0, 1)):
        both = combine(*factors, *weight, np.full(5, eye, np.float32))
        for name, values in alone(factors[number], weight[number]).items():
            assert np.array_equal(values, both[name])


def test_a_factor_at_nothing_kills_the_cell_unless_it_has_no_weight():
    rows = np.ones((6, 2), np.float32)
    rows[2, 0] = 0.0
    weight = dict.fromkeys(FACTORS, 1.0)
    assert mean_score(losses(named(rows), weight), weight).tolist() == [0.0, 1.0]
    assert mean_score(losses(named(rows), weight | {"depth": 0.0}), weight | {"depth": 0.0}).tolist() == [1.0, 1.0]


@given(st.floats(0, 5), st.floats(0, 2), st.sampled_from(SPECIES), st.floats(0.1, 0.8))
def test_darker_by_day_never_lowers_the_light_factor(log_lux, darker, species, length):
    """From 1 lux up the eye is a day eye; below, it is switching over."""
    light = CURVES.shifted(Fish(species, length), 12.0)[0]["light"]
    assert light.exact(max(log_lux - darker, 0.0)) >= light.exact(log_lux) - 1e-12


@given(st.floats(-5, 2), st.floats(0, 2), st.sampled_from(SPECIES), st.floats(0.1, 0.8))
def test_more_moon_never_darkens_the_night(log_lux, brighter, species, length):
    light = CURVES.shifted(Fish(species, length), 12.0)[1]["light"]
    assert light.exact(log_lux + brighter) >= light.exact(log_lux) - 1e-12


def test_bonuses_never_fall_to_nothing():
    for eye in (CURVES.day, CURVES.night):
        for factor in ("cover", "seam", "light"):
            assert min(y for _, y in eye[factor].points) > 0


def test_overcast_spreads_them_out_and_bright_sun_gathers_them_in_the_dark(scored):
    spread, dark = [], []
    for water in scored.values():
        sunny, overcast = water.outlooks["sunny noon"].holding["hold"], water.outlooks["overcast noon"].holding["hold"]
        spread.append((overcast > 0.5).mean() - (sunny > 0.5).mean())
        top = sunny >= np.percentile(sunny, 98)
        lux = water.outlooks["sunny noon"].light["light_bed"]
        dark.append(lux[top].mean() - np.median(lux))
    ROWS["T12"].check([np.sign(min(spread)), np.sign(max(dark[1:]))])


def test_shallower_by_night(scored):
    water = scored["pool_and_riffle"]
    depth = water.channel["depth"]
    day, night = (water.outlooks[n].holding["hold"] for n in ("sunny noon", "night"))
    by_day, by_night = (depth[h >= np.percentile(h, 95)].mean() for h in (day, night))
    ROWS["T11"].check(np.sign(by_night - by_day))


def test_less_time_beside_a_seam(scored):
    water = scored["lone_boulder"]
    sight, channel = water.outlooks["overcast noon"].sight, water.channel
    slow = np.isfinite(channel["seam_distance"]) & (channel["speed"] < 0.4)
    even = sight["sighting_range"][slow] / channel["speed"][slow]
    ROWS["T13"].check(np.sign((sight["decide_time"][slow] - even).max()))


def test_shade_outranks_open_water_under_a_clear_sky_only(scored):
    water = scored["shaded_bank"]
    x, y = water.channel.grid.x, water.channel.grid.y
    middle = (x > 40) & (x < 80)
    shaded, open_side = middle & (y < -2) & (y > -5), middle & (y > 2) & (y < 5)
    sunny, overcast = (water.outlooks[n].holding["hold"] for n in ("sunny noon", "overcast noon"))
    assert sunny[shaded].mean() > 1.3 * sunny[open_side].mean()
    assert overcast[shaded].mean() == pytest.approx(overcast[open_side].mean(), abs=0.05)


def test_rainbow_mind_the_sun_less_than_brown(toy_channel):
    """Brown more than rainbow in the use of shade: Butler & Hawthorne 1968 (from memory)."""
    light = toy.light(toy_channel, toy.scenes()[0])
    loss = {}
    for species in ("brown", "rainbow"):
        fish = Fish(species)
        h = hold(toy_channel, light, see(toy_channel, light, fish), fish, CURVES)
        loss[species] = losses(h.factors_day, h.weights_day)[FACTORS.index("light")].mean()
    assert loss["brown"] > loss["rainbow"]


def test_everything_a_page_needs_is_there(scored):
    for h in every_holding(scored):
        assert set(h.layers) == {"hold", "hold_day", "hold_night", "limiting", "light_bed"}
        for factors, weight in ((h.factors_day, h.weights_day), (h.factors_night, h.weights_night)):
            assert tuple(factors) == FACTORS == tuple(weight)
        assert all(v.dtype == np.float32 for v in (*h.layers.values(), *h.factors_day.values()))


def test_the_tables_score_the_same(scored):
    """A page that follows the tables alone, in double precision, gets the same scores."""
    water = scored["lone_boulder"]
    tables = load_curves(fish=Fish(), temperature_c=toy.scenes()[0].water.temperature_c).tables()
    own = tables["fish"][0]
    for outlook in water.outlooks.values():
        h = outlook.holding
        given_inputs = {k: water.channel[k] for k in ("drift_speed", "nose_speed", "rest_speed", "depth")}
        given_inputs |= {
            "cover_number": cover_number(water.channel, CURVES),
            "seam_number": seam_number(water.channel, CURVES),
        }
        given_inputs["light_bed"] = outlook.light["light_bed"]
        scores = {}
        for eye in ("day", "night"):
            total, logs = 0.0, 0.0
            for factor in tables["factors"]:
                value = given_inputs[tables["inputs"][eye][factor]].astype(float)
                if factor in tables["log10_of"]:
                    value = np.log10(np.maximum(value, tables["lux_floor"]))
                curve = (own["day"][0] if eye == "day" else own["night"])[factor]
                with np.errstate(divide="ignore"):
                    logs = logs + curve["weight"] * np.log(np.interp(value, *zip(*curve["points"], strict=True)))
                total += curve["weight"]
            scores[eye] = np.exp(logs / total)
        eye_day = outlook.light["eye_day"]
        assert np.allclose(eye_day * scores["day"] + (1 - eye_day) * scores["night"], h["hold"], atol=2e-4)


def test_engines_agree_in_broad_lines_on_a_run_with_a_boulder(scored):
    """The energy engine ranks the water by another road; by day the two must not contradict each other."""
    stated = waters.lone_boulder()
    ordinary = scored["lone_boulder"].outlooks["overcast noon"].holding
    energy = waters.score(stated, CURVES, "energy").outlooks["overcast noon"].holding
    assert energy.engine == "energy"
    assert spearmanr(ordinary["hold"], energy["hold"]).statistic > 0.5
    assert np.array_equal(ordinary["hold_night"], energy["hold_night"])


def test_an_engine_nobody_knows(toy_channel):
    light = toy.light(toy_channel, toy.scenes()[0])
    with pytest.raises(SettingError, match="'steam': no such engine; there are: ordinary, energy"):
        hold(toy_channel, light, see(toy_channel, light, Fish()), Fish(), CURVES, engine="steam")


def test_seams_count_on_the_slow_side_and_fade():
    channel = toy.channel(0.5)
    reach = CURVES["seam.reach_m"]
    distance = np.full(channel.grid.n_wet, np.nan, np.float32)
    distance[:4] = [0.0, reach, 1.5 * reach, 2 * reach]
    strong = np.full(channel.grid.n_wet, CURVES["seam.contrast_full_m_s"], np.float32)
    number = seam_number(channel.with_layers(seam_distance=distance, seam_contrast=strong), CURVES)
    assert np.allclose(number[:4], [1, 1, 0.5, 0])
    assert np.all(number[4:] == 0)


def test_cover_is_the_best_of_a_roof_a_thing_and_deep_water():
    """By the packaged curves a thing counts 0.8 of a roof, and deep water 0.6 of one from 1.5 m down, from nothing at
    0.6 m on."""
    roof, thing, depth, want = np.transpose(
        [
            (0.0, 0.0, 0.3, 0.0),
            (1.0, 0.0, 0.3, 1.0),
            (0.0, 1.0, 0.3, 0.8),
            (0.2, 1.0, 0.3, 0.8),
            (0.9, 1.0, 3.0, 0.9),
            (0.0, 0.0, 3.0, 0.6),
            (0.0, 0.0, 1.05, 0.3),
        ]
    )
    assert cover_from(roof, thing, depth, CURVES) == pytest.approx(want)


def test_weights_follow_the_curves():
    assert weights(CURVES.day)["light"] == CURVES.day["light"].weight
