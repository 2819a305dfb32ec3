"""What must hold of the whole chain, from soundings to scores, whatever the water and the sky."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reachmap.channel import build_channel
from reachmap.light import bed_terms, light_at, prepare_shade
from reachmap.light.bed import BedLight
from reachmap.sight import see
from reachmap.trout import FACTORS, hold, load_curves
from reachmap.trout.score import combine
from tests import toy

CURVES = load_curves()
SCENE = toy.scenes()[0]
clouds = st.integers(0, 8)
clarities = st.floats(0.3, 6.0)
few = settings(max_examples=40, deadline=None)


@pytest.fixture(scope="module")
def water():
    """The toy beat through the channel room, and what shades it."""
    channel = build_channel(toy.beat(), cell_m=1.0)
    return channel, prepare_shade(channel)


def scored(channel, light):
    fish = channel.beat.fish
    return hold(channel, light, see(channel, light, fish), fish, CURVES)


@few
@given(clouds, clouds, clarities, clarities)
def test_darker_by_day_never_lowers_the_light_factor(water, cloud, other_cloud, clarity, other_clarity):
    """Cell by cell: thin cloud can brighten the shade, so darker means darker there."""
    channel, shade = water
    first, second = (
        light_at(channel, replace(SCENE, cloud=n, water=replace(SCENE.water, clarity_m=c)), shade)
        for n, c in ((cloud, clarity), (other_cloud, other_clarity))
    )
    darker = (second["light_bed"] <= first["light_bed"]) & (second["light_bed"] >= 1.0)
    one, two = (scored(channel, light).factors_day["light"] for light in (first, second))
    assert np.all(two[darker] >= one[darker] - 1e-6)


@few
@given(st.floats(0.0, 0.3), st.floats(1.0, 20.0), clouds, clarities)
def test_more_moon_never_darkens_the_night(water, moon_lux, more, cloud, clarity):
    channel, shade = water
    night = replace(toy.scenes()[2], cloud=cloud, water=replace(SCENE.water, clarity_m=clarity))
    light = light_at(channel, night, shade)
    clear, overcast = shade.sky(True)
    bed = BedLight(clear, overcast, light.kd_per_m, channel["depth"])
    share = shade.beam(replace(light.moon, altitude_deg=25.0), True)
    lit = []
    for strength in (moon_lux, moon_lux * more):
        moon = replace(light.moon, altitude_deg=25.0, clear_lux=strength)
        layers = dict(light.layers) | {"light_bed": bed.at(bed_terms(light.sun, moon, cloud), 0.0, share)}
        lit.append(scored(channel, replace(light, layers=layers)))
    assert np.all(lit[1].factors_night["light"] >= lit[0].factors_night["light"] - 1e-6)
    assert np.all(lit[1]["hold_night"] >= lit[0]["hold_night"] - 1e-6)


@few
@given(st.integers(0, 1439), clouds, clarities)
def test_scores_stay_between_0_and_1_and_name_what_costs_most(water, minute, cloud, clarity):
    channel, shade = water
    when = SCENE.when.replace(hour=0, minute=0) + timedelta(minutes=minute)
    scene = replace(SCENE, when=when, cloud=cloud, water=replace(SCENE.water, clarity_m=clarity))
    found = scored(channel, light_at(channel, scene, shade))
    for name in ("hold", "hold_day", "hold_night"):
        assert found[name].min() >= 0.0
        assert found[name].max() <= 1.0
    assert set(np.unique(found["limiting"])) <= set(range(1, len(FACTORS) + 1))


@few
@given(clouds, st.floats(0.5, 1.0), st.sampled_from(FACTORS))
def test_a_score_never_rises_when_a_factor_worsens(water, cloud, share, factor):
    """The limiting one or any other, all else as it is."""
    channel, shade = water
    light = light_at(channel, replace(SCENE, cloud=cloud), shade)
    found = scored(channel, light)
    eye = light["eye_day"]
    weights = found.weights_day, found.weights_night
    worse = [dict(f) | {factor: f[factor] * np.float32(share)} for f in (found.factors_day, found.factors_night)]
    assert np.all(combine(*worse, *weights, eye)["hold"] <= found["hold"] + 1e-6)


@settings(max_examples=4, deadline=None)
@given(st.randoms(use_true_random=False))
def test_the_order_of_the_soundings_changes_no_score(water, random):
    channel, _ = water
    rows = list(range(len(channel.beat.soundings)))
    random.shuffle(rows)
    beat = replace(channel.beat, soundings=channel.beat.soundings.iloc[rows].reset_index(drop=True))
    again = build_channel(beat, cell_m=1.0)
    for name in channel.layers:
        np.testing.assert_array_equal(again[name], channel[name], err_msg=name)
    mixed, plain = (scored(c, light_at(c, SCENE, prepare_shade(c))) for c in (again, channel))
    np.testing.assert_array_equal(mixed["hold"], plain["hold"])
