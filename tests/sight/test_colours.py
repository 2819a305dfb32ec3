"""Which colours survive."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat.model import COLOURS as WORDS
from reachmap.beat.model import Fish
from reachmap.light import band_attenuation
from reachmap.sight import colours_at, contrast_range, load_eyes
from reachmap.sight.colours import COLOURS
from reachmap.sight.sighting import least_contrast, light_factor
from tests import toy

LIGHT = toy.light(toy.channel(4.0), toy.scenes()[0])


def water(word, kd=0.7, c=2.6):
    scene = replace(LIGHT.scene, water=replace(LIGHT.scene.water, colour=word))
    return replace(LIGHT, scene=scene, kd_per_m=kd, beam_attenuation_per_m=c)


def seen(light, depth, distance, *more):
    return {one.name: one for one in colours_at(light, depth, distance, *more)}


def test_close_by_everything_keeps_its_colour_but_black_and_white():
    near = seen(water("clear"), 0.3, 0.1)
    for name in ("yellow", "orange", "red", "green", "blue"):
        assert near[name].verdict == "keeps its colour", name
    assert near["white"].verdict == "shows light"
    assert near["black"].verdict == "shows dark"


def test_blue_is_the_first_to_go_in_peat():
    """Common practice: in peaty water red, orange and black work, blue is lost."""
    deep = seen(water("stained", kd=1.4, c=2.8), 1.2, 0.8)
    assert abs(deep["blue"].brightness) < abs(deep["orange"].brightness)
    assert deep["orange"].colour > deep["blue"].colour


def test_by_night_nothing_keeps_its_colour():
    """Below the cones' limit (Ali 1961) only rods are left, and one kind of cell can't tell colours."""
    dark = seen(water("clear"), 0.5, 0.2, 0.02)
    assert all(one.colour == pytest.approx(0) for one in dark.values())
    assert dark["red"].brightness < dark["green"].brightness, "red looks dark to rods (peak 527 nm)"


@given(st.floats(0.05, 2.0), st.floats(0.05, 3.0), st.floats(1.1, 3.0), st.sampled_from(WORDS))
def test_farther_off_never_shows_better(depth, distance, times, word):
    here, there = seen(water(word), depth, distance), seen(water(word), depth, distance * times)
    for name in COLOURS:
        assert abs(there[name].brightness) <= abs(here[name].brightness) + 0.05


@given(st.floats(0.05, 2.0), st.floats(0.1, 200.0), st.floats(0.1, 1.0), st.sampled_from(WORDS))
def test_who_sees_a_thing_of_its_contrast_sees_one_of_more(depth, lux, share, word):
    """Black and white stand out more than a fly does, so within its range neither fades, by day or by rods.

    By C(r) = C0 exp(-c r) (Duntley 1963, from memory) in the band that the water takes most of.
    """
    eyes, fish = load_eyes(), Fish()
    least = least_contrast(lux, eyes, fish)
    light = water(word)
    _, c = band_attenuation(word, light.kd_per_m, light.beam_attenuation_per_m)
    distance = share * contrast_range(float(c.max()), eyes["contrast"], least)
    shown = seen(light, depth, distance, lux, least)
    assert shown["black"].verdict == "shows dark"
    assert shown["white"].verdict == "shows light"


def test_the_least_contrast_is_that_which_the_range_ends_at():
    """In good light that of the settings; in dim light the range in the water is the share `light_factor` says."""
    eyes, fish = load_eyes(), Fish()
    assert least_contrast(1e4, eyes, fish) == pytest.approx(eyes["contrast_least"])
    for lux in (0.05, 1.0, 10.0):
        dim = contrast_range(2.6, eyes["contrast"], least_contrast(lux, eyes, fish))
        good = contrast_range(2.6, eyes["contrast"], eyes["contrast_least"])
        assert dim == pytest.approx(good * float(light_factor(np.array(lux), eyes, fish)))


def test_far_off_all_fade():
    assert {one.verdict for one in colours_at(water("clear"), 0.5, 20.0)} == {"fades"}


@given(st.floats(0.05, 2.0), st.floats(0.05, 3.0), st.sampled_from(WORDS))
def test_white_and_black_have_no_colour_to_keep(depth, distance, word):
    """Nor does a tinted water lend them one: the eye takes the water for neutral."""
    near = seen(water(word), depth, distance)
    assert near["white"].colour == pytest.approx(0, abs=1e-9)
    assert near["black"].colour == pytest.approx(0, abs=1e-9)
