"""How far a trout makes out a fly, and how long it has."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat.model import Fish
from reachmap.constants import FOOT_M, MILE_PER_HOUR_M_S
from reachmap.light.water import WHITE_LAW
from reachmap.sight import contrast_range, decide_time, load_eyes, see
from reachmap.sight.sighting import full_range, light_factor
from tests import toy
from tests.published import load

ROWS = load("sight")

WALKING_PACE_M_S = 3 * MILE_PER_HOUR_M_S
"""3 mph, common practice: trout hold in or near current of about this pace."""
EYES = load_eyes()


@pytest.fixture(scope="module")
def noon(toy_channel):
    return toy.light(toy_channel, toy.scenes()[0])


def test_ten_feet_at_walking_pace():
    ROWS["D1"].check(decide_time(10 * FOOT_M, WALKING_PACE_M_S))


def test_a_fly_at_walking_pace_second_by_second():
    seconds = np.array([1, 2, 3])
    left = 10 * FOOT_M - WALKING_PACE_M_S * seconds
    ROWS["T3"].check(np.r_[decide_time(10 * FOOT_M, WALKING_PACE_M_S), left])


def test_contrast_range_is_the_black_disk_law():
    ROWS["black-disk"].check(contrast_range(2.0) * 2.0)
    ROWS["black-disk-clear"].check(contrast_range(2.289))


def test_sighting_saturates_where_published():
    full = ROWS["saturation"].expected
    factor = light_factor(np.array([full, 10 * full, 0.5 * full]), EYES, Fish())
    assert factor[0] == factor[1] == 1.0
    assert factor[2] < 1.0


@pytest.mark.parametrize("disk_m", [1.0, 2.0, 4.0])
def test_range_in_rivers(noon, disk_m):
    """Common practice: at most about 10 ft, more often less, in water of up to 4 m clarity."""
    kd = 1.834 / disk_m
    water = replace(noon, kd_per_m=kd, beam_attenuation_per_m=WHITE_LAW / disk_m - kd)
    ROWS["T2"].check(full_range(water, Fish(), EYES))


def test_how_far_a_fly_is_seen_by_hand(toy_channel, noon):
    """Where a white disk vanishes at 1 m c is 8.7 - 1.7 = 7 / m: ln(0.5 / 0.0082) / 7 = 0.587 m. Where c is 0.8 / m the
    eye ends it: 0.01 m / tan(14' (0.20 / 0.35)^0.35) = 2.987 m."""
    murky, clear = (replace(noon, kd_per_m=kd, beam_attenuation_per_m=c) for kd, c in ((1.7, 7.0), (0.2, 0.8)))
    assert full_range(murky, Fish("brown", 0.35), EYES) == pytest.approx(0.587, abs=0.001)
    assert full_range(clear, Fish("brown", 0.35), EYES) == pytest.approx(2.987, abs=0.003)
    seen = see(toy_channel, clear, Fish("brown", 0.35))
    lit = clear["light_bed"] > 18.0
    assert lit.any()
    assert seen["sighting_range"][lit] == pytest.approx(2.987, abs=0.003)
    assert seen["decide_time"][lit] == pytest.approx(2.987 / toy_channel["drift_speed"][lit], rel=0.002)


def test_in_murk_a_tiny_thing_is_lost_by_the_eye_before_the_water_hides_it(noon):
    """A white disk vanishes at 0.6 m at 15.16 NTU, where trout see 0.796 as far (Barrett et al. 1992, row L7): a
    thing of 1 mm 0.796 x 0.001 / tan 14' = 0.1955 m off, where the water alone would let 0.352 m."""
    tiny = replace(EYES, values={**EYES.values, "thing_m": 0.001})
    murky = replace(noon, kd_per_m=1.7 / 0.6, beam_attenuation_per_m=7.0 / 0.6)
    assert full_range(murky, Fish("brown", 0.20), tiny) == pytest.approx(0.1955, abs=0.001)


def test_murk_and_dark_shorten(toy_channel, noon):
    clear = see(toy_channel, noon, Fish())["sighting_range"]
    murky = see(toy_channel, replace(noon, beam_attenuation_per_m=12.0, kd_per_m=2.0), Fish())["sighting_range"]
    night = see(toy_channel, toy.light(toy_channel, toy.scenes()[2]), Fish())["sighting_range"]
    assert np.all(murky < clear)
    assert np.all(night < clear)


def test_less_time_at_a_seam(toy_channel, noon):
    """Common practice: at a seam a fish has less time than in even current of the same slow-side speed."""
    at_seam = np.isfinite(toy_channel["seam_distance"])
    even = toy_channel.with_layers(drift_speed=np.where(at_seam, toy_channel["speed"], toy_channel["drift_speed"]))
    with_seam = see(toy_channel, noon, Fish())["decide_time"][at_seam]
    without = see(even, noon, Fish())["decide_time"][at_seam]
    assert np.all(with_seam < without)


def test_still_water_stays_finite():
    assert np.isfinite(decide_time(2.0, 0.0))


@given(st.floats(1e-6, 1e5), st.floats(1.0, 100.0), st.sampled_from(["brown", "rainbow"]), st.floats(0.1, 0.8))
def test_more_light_never_shortens(lux, times, species, length):
    fish = Fish(species, length)
    less, more = light_factor(np.array([lux, lux * times]), EYES, fish)
    assert 0 <= less <= more <= 1


@given(st.floats(0.2, 30.0), st.floats(1.0, 5.0))
def test_more_murk_never_lengthens(c, times):
    light = toy.light(toy.channel(4.0), toy.scenes()[0])
    here = full_range(replace(light, beam_attenuation_per_m=c), Fish(), EYES)
    assert full_range(replace(light, beam_attenuation_per_m=c * times), Fish(), EYES) <= here + 1e-12
