"""Wading classes against published limits; the cautions that must always stand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat.model import Water
from reachmap.constants import FOOT_M, MILE_PER_HOUR_M_S
from reachmap.errors import Finding
from reachmap.visit.wading import cautions, redds, spawning_now, wading_class
from reachmap.write.imperial import in_feet
from tests import published, toy

ROWS = published.load("visit")

WALKING_PACE_M_S = 3 * MILE_PER_HOUR_M_S
"""3 mph, common practice: trout hold in or near current of about this pace."""


def hazard_class(depth: float, speed: float) -> int:
    """Published hazard class 1-6 for people in moving water (FB03 2023 / AIDR handbook 7-3 limits)."""
    product = depth * speed
    for number, (most, deep, fast) in enumerate(
        ((0.3, 0.3, 2.0), (0.6, 0.5, 2.0), (0.6, 1.2, 2.0), (1.0, 2.0, 2.0), (4.0, 4.0, 4.0)), 1
    ):
        if product <= most + 1e-9 and depth <= deep and speed <= fast:
            return number
    return 6


def test_units_of_the_rule_of_thumb():
    ROWS["W1"].check([n * FOOT_M**2 for n in (10, 8, 6)])


def test_hazard_classes():
    ROWS["W2"].check([hazard_class(*pair) for pair in ((0.8, 0.5), (1.0, 0.7), (0.4, 1.2), (1.3, 0.2))])


def test_walking_pace_at_the_knee_is_no_water_to_wade():
    ROWS["W3"].check(0.6 * WALKING_PACE_M_S)
    assert wading_class(np.array([0.6]), np.array([WALKING_PACE_M_S]))[0] == 3


@given(st.floats(0, 3), st.floats(0, 3), st.floats(0, 0.5), st.floats(0, 0.5))
def test_deeper_faster_or_darker_never_gets_easier(depth, speed, deeper, faster):
    here = wading_class(np.array([depth]), np.array([speed]))[0]
    assert wading_class(np.array([depth + deeper]), np.array([speed + faster]))[0] >= here
    assert wading_class(np.array([depth]), np.array([speed]), night=True)[0] >= here


def test_an_unsure_wader_in_the_dark_has_both_against_them():
    deep, fast = np.array([0.6]), np.array([0.65])
    one = [wading_class(deep, fast, **{why: True})[0] for why in ("night", "unsure")]
    assert [wading_class(deep, fast)[0], *one, wading_class(deep, fast, night=True, unsure=True)[0]] == [2, 2, 2, 3]


@given(st.floats(0, 3), st.floats(0, 3))
def test_no_class_below_three_where_adults_were_found_unsafe(depth, speed):
    """D V above 0.6 m2/s is beyond the published classes H1-H3."""
    if hazard_class(depth, speed) >= 4 and depth * speed > 0.6:
        assert wading_class(np.array([depth]), np.array([speed]))[0] == 3


def test_the_usual_cautions_always_stand(toy_channel):
    texts = " ".join(c.text for c in cautions(toy_channel, toy.scenes()))
    for word in ("Local rules", "licensed guides", "estimates", "rise", "Cold", "dark", "thunder", "no safe footing"):
        assert word in texts


@pytest.mark.parametrize(("warm", "says"), [(21.0, "let the fish be"), (18.5, "land fish fast"), (12.0, "Measure")])
def test_warm_water_is_said(toy_channel, warm, says):
    beat = toy.beat(water=Water(temperature_c=warm))
    assert any(says in c.text for c in cautions(replace(toy_channel, beat=beat), ()))


@pytest.mark.parametrize(
    ("typed_f", "celsius", "fahrenheit"),
    [
        (67.4, "The water is 19.7 C: land fish fast", "The water is 67 F: land fish fast"),
        (67.6, "The water is 19.8 C: let the fish be", "The water is 68 F: let the fish be"),
        (68.0, "The water is 20 C: let the fish be", "The water is 68 F: let the fish be"),
        (72.5, "The water is 22.5 C: let the fish be", "The water is 73 F: let the fish be"),
    ],
)
def test_the_advice_fits_the_number_it_stands_beside(toy_channel, typed_f, celsius, fahrenheit):
    """In both units; 20 C are 68 F, from which fish are let be."""
    beat = toy.beat(water=Water(temperature_c=(typed_f - 32) * 5 / 9))
    (text,) = (c.text for c in cautions(replace(toy_channel, beat=beat), ()) if c.key == "warm")
    assert text.startswith(celsius)
    assert in_feet(text).startswith(fahrenheit)


def test_a_warmer_scene_silences_no_caution_of_one_that_looks_too_warm_itself(toy_channel):
    """19.9 C are printed as 68 F, as the limit of 20 C is."""
    scenes = [replace(toy.scenes()[0], name=str(t), water=Water(temperature_c=t)) for t in (22.0, 19.9, 19.0)]
    (caution,) = (c for c in cautions(toy_channel, scenes) if c.key == "warm")
    assert 19.0 < caution.from_c <= 19.9


def test_the_warmest_scene_counts(toy_channel):
    cool, warm = (replace(toy.scenes()[0], name=str(t), water=Water(temperature_c=t)) for t in (12.0, 21.0))
    texts = [c.text for c in cautions(toy_channel, [cool, warm])]
    assert texts[0] == "In the warmest scene the water is 21 C: let the fish be until it cools."
    assert any(text.startswith("The water is 21 C") for text in [c.text for c in cautions(toy_channel, [warm])])


def test_a_guess_is_said_first(toy_channel):
    guessed = replace(toy_channel, depth_guessed=True)
    assert cautions(guessed, ())[0].key == "guess"


@pytest.mark.parametrize("code", ["mouth", "head-far"])
def test_ends_that_may_be_mapped_as_banks_are_cautioned_of(toy_channel, code):
    told = replace(toy_channel, findings=(Finding("warning", "outline", "", "it", "", code),))
    assert cautions(told, ())[0].key == "mouth"
    assert "mouth" not in {caution.key for caution in cautions(toy_channel, ())}


def test_water_that_lies_mostly_beyond_the_soundings_is_called_a_guess(toy_channel):
    beyond = np.zeros_like(toy_channel["depth"])
    half_known = np.where(np.arange(len(beyond)) % 2, beyond, np.float32(2))
    for confidence, told in ((beyond, True), (half_known, False)):
        channel = toy_channel.with_layers(confidence=confidence)
        first = cautions(channel, ())[0]
        assert (first.key == "guess") == told
    assert "do not wade by it" in cautions(toy_channel.with_layers(confidence=beyond), ())[0].text


def test_redds_only_in_season_and_half_a_year_later_in_the_south(toy_channel):
    october = replace(toy.scenes()[0], when=datetime(2026, 10, 20, 12, tzinfo=UTC))
    june = toy.scenes()[0]
    assert redds(toy_channel, [october]).any()
    # The month is that of the place: 23:30 UTC on 31 August is half past midnight of September in British summer time.
    assert not spawning_now(toy.beat(), replace(october, when=datetime(2026, 8, 31, 12, tzinfo=UTC)))
    assert spawning_now(toy.beat(), replace(october, when=datetime(2026, 8, 31, 23, 30, tzinfo=UTC)))
    assert not redds(toy_channel, [june]).any()
    # In season on one of the days the map is for is enough to mark it.
    assert (redds(toy_channel, [june, october]) == redds(toy_channel, [october])).all()
    assert spawning_now(toy.beat(lat=-41.0), replace(october, when=datetime(2026, 5, 20, tzinfo=UTC)))


def test_in_the_south_every_month_is_the_one_half_a_year_away_in_the_north():
    """Brown trout: September to December in the north, so March to June in the south."""
    months = {
        lat: [
            month
            for month in range(1, 13)
            if spawning_now(toy.beat(lat=lat), replace(toy.scenes()[0], when=datetime(2026, month, 15, 12, tzinfo=UTC)))
        ]
        for lat in (54.0, -41.0)
    }
    assert months == {54.0: [9, 10, 11, 12], -41.0: [3, 4, 5, 6]}


def test_redds_lie_where_brown_trout_were_found_to_dig_them(toy_channel):
    """In water of the mean depth and speed at their redds (0.317 m, 0.394 m/s: Shirvell & Dungey 1983), and nowhere
    that is much shallower, deeper, slower or faster."""
    october = replace(toy.scenes()[0], when=datetime(2026, 10, 20, 12, tzinfo=UTC))
    depth, speed = np.full_like(toy_channel["depth"], 0.317), np.full_like(toy_channel["speed"], 0.394)
    depth[1:3], speed[3:5] = (0.10, 0.65), (0.15, 0.85)
    found = redds(toy_channel.with_layers(depth=depth, speed=speed), [october])
    assert found[:6].tolist() == [1, 0, 0, 0, 0, 1]


def test_what_holds_after_dark_only_may_be_folded_away_by_day(toy_channel):
    told = cautions(toy_channel, ())
    by_day, in_the_dark = ({c.key for c in told if c.grave(dark)} for dark in (False, True))
    assert by_day == {"rules", "estimate", "promise"}
    assert in_the_dark - by_day == {"dark"}


def test_out_of_season_no_redd_is_spoken_of(toy_channel):
    june, october = (replace(toy.scenes()[0], when=datetime(2026, month, 20, 12, tzinfo=UTC)) for month in (6, 10))
    told = [{c.key for c in cautions(toy_channel, [scene])} for scene in (june, october)]
    assert told[1] - told[0] == {"redd"}
