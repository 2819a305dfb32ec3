"""Which way of filling the speed held-out speeds choose, in cases where the answer is known."""

from dataclasses import replace

import numpy as np
import pytest

from reachmap.channel.choice import AVERAGE, FITTED, KNOWN, KRIGING, RESIDUAL, Measured, choose

WIDTH = 16.0


def measured(truth, solved, n_sections=14, noise=0.01, share=1.0) -> Measured:
    """Speeds of a known field on cross-sections, and what a solve at 1 m3/s says there."""
    rng = np.random.default_rng(4)
    along = np.repeat(np.arange(n_sections) * 12.0, 7)
    across = np.tile(np.linspace(-6, 6, 7), n_sections)
    taper = np.ones(len(along))
    speed = truth(along, across) + rng.normal(0, noise, len(along))
    unit = solved(along, across)
    groups = np.repeat(np.arange(n_sections), 7)
    return Measured(along, across, taper, speed, unit, unit, unit, taper, taper, groups, "whole cross-sections", share)


def wavy(along, across):
    """A field that no section tells about the next."""
    return 0.6 + 0.3 * np.sin(along * 1.7) * np.cos(across / 3)


def smooth(along, across):
    return 0.6 + 0.2 * np.sin(along / 40) - 0.01 * across**2 / 6


def flat(along, across):
    return np.full(len(along), 0.15)


def test_a_perfect_solve_is_left_alone_and_its_flow_found():
    one = measured(wavy, lambda s, n: wavy(s, n) / 4.0)
    choice = choose(one, WIDTH, None)
    assert choice.name == FITTED
    assert choice.flow_m3_s == pytest.approx(4.0, rel=0.01)
    assert choice.by_way[FITTED] < 0.25 * choice.by_way[KRIGING]


def test_a_known_flow_is_used_as_it_is():
    one = measured(wavy, lambda s, n: wavy(s, n) / 4.0)
    choice = choose(one, WIDTH, 4.0)
    assert choice.name in (KNOWN, FITTED)
    assert choice.flow_m3_s == pytest.approx(4.0, rel=0.01)


def test_a_useless_solve_gives_way_to_what_was_measured():
    choice = choose(measured(smooth, lambda s, n: wavy(s + 5, n + 2) / 4.0), WIDTH, None)
    assert choice.kriged is not None
    assert choice.by_way[choice.name] < 0.5 * choice.by_way[FITTED]


def test_a_smooth_fault_of_the_solve_is_corrected():
    choice = choose(measured(lambda s, n: wavy(s, n) + 0.15 * np.sin(s / 50), lambda s, n: wavy(s, n) / 4), WIDTH, None)
    assert choice.residual is not None
    assert choice.by_way[choice.name] < 0.7 * choice.by_way[FITTED]


def test_speeds_are_kriged_over_those_of_their_sections():
    """A section held out is foretold by its own room, as far as that is known without it."""
    one = measured(smooth, flat, noise=0.0)
    narrow = np.where(one.groups % 2 == 0, 2.0, 1.0)
    fast = replace(one, speed=one.speed * narrow, section=narrow, unseen_section=narrow)
    kriged, plain = (choose(each, WIDTH, None) for each in (fast, one))
    assert kriged.kriged.setting == plain.kriged.setting
    assert kriged.by_way[KRIGING] < 2.0 * plain.by_way[KRIGING]
    blind = choose(replace(fast, unseen_section=np.ones(len(narrow))), WIDTH, None)
    assert blind.by_way[KRIGING] > 0.2
    assert choose(replace(fast, section=np.ones(len(narrow))), WIDTH, None).by_way[KRIGING] > 0.2


def test_floats_down_the_middle_are_not_kriged_alone():
    """They would tell of banks they never saw, and held out among themselves they don't show it."""
    one = measured(smooth, flat, noise=0.0)
    middle = choose(replace(one, across=0.3 * one.across), WIDTH, None)
    assert KRIGING not in middle.by_way
    assert KRIGING in choose(replace(one, across=0.5 * one.across), WIDTH, None).by_way


def test_few_speeds_only_set_the_flow():
    one = measured(smooth, flat, n_sections=2)
    choice = choose(one, WIDTH, None)
    assert choice.name == FITTED
    assert choice.kriged is None
    assert not len(choice.error)
    assert choose(one, WIDTH, 2.5).flow_m3_s == 2.5


def test_in_the_average_each_way_weighs_by_the_inverse_of_its_mean_square():
    """As in the mean of two independent values that varies least; kriging no more than a quarter of the share of
    soundings that carry a speed. It is kept though another is a little better."""
    for share in (1.0, 0.2):
        one = measured(
            lambda s, n: wavy(s, n) + 0.15 * np.sin(s / 50), lambda s, n: wavy(s, n) / 4, noise=0.05, share=share
        )
        choice = choose(one, WIDTH, None)
        assert choice.name == AVERAGE
        assert share < 1.0 or choice.by_way[AVERAGE] > choice.by_way[RESIDUAL]
        solved, kriged = choice.by_way[RESIDUAL] ** 2, choice.by_way[KRIGING] ** 2
        assert np.mean(choice.error**2) == pytest.approx(choice.by_way[AVERAGE] ** 2)
        assert choice.weight == pytest.approx(min(solved / (solved + kriged), 0.25 * share))


def test_a_section_is_foretold_by_others_only():
    """Of sections each fast or slow in its own way none tells of another, and any of its own speeds would tell all."""
    own = np.random.default_rng(2).normal(0.6, 0.2, 14)
    one = measured(lambda s, n: own[np.round(s / 12).astype(int)], flat)
    choice = choose(replace(one, along=4.0 * one.along), WIDTH, None)
    for way in (RESIDUAL, KRIGING):
        assert choice.by_way[way] > 0.9 * np.std(own)


def test_the_flow_is_fitted_at_the_depths_sounded_and_the_rest_added_to_the_solve_of_the_map():
    """Where the map is shallower than what was sounded, say, and its solve half as fast."""
    one = measured(lambda s, n: np.full(len(s), 0.6), flat)
    shoal = replace(one, here=0.5 * one.here, unseen=0.5 * one.unseen)
    assert shoal.fitted_flow() == pytest.approx(4.0, rel=0.01)
    assert shoal.heldout_flow() == pytest.approx(4.0, rel=0.01)
    choice = choose(shoal, WIDTH, 8.0)
    assert choice.by_way[KNOWN] == pytest.approx(0.0, abs=0.02)
    assert choice.by_way[FITTED] == pytest.approx(0.3, abs=0.02)
    assert choice.by_way[RESIDUAL] < 0.1


def test_the_flow_held_out_never_sees_its_own_section():
    one = measured(smooth, flat)
    spoiled = replace(one, speed=np.where(one.groups == 3, 9.0, one.speed))
    assert spoiled.heldout_flow()[one.groups == 3] == pytest.approx(one.heldout_flow()[one.groups == 3])
    assert np.all(spoiled.heldout_flow()[one.groups != 3] > one.heldout_flow()[one.groups != 3])
