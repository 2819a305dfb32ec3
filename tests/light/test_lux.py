"""Lux by altitude: the published fits, continuity, and how the curves must run."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.light.lux import moon_lux, sun_lux
from tests.published import load

ROWS = load("light")


def test_sun_by_altitude():
    ROWS["B1"].check(sun_lux([60, 30, 10]))
    ROWS["B2"].check(sun_lux([0, -6, -12]))


def test_pieces_meet():
    edges = np.array([20, 5, -0.8, -5, -12])
    ROWS["B3"].check(sun_lux(edges) / sun_lux(edges - 1e-9))


def test_more_light_the_higher_the_sun():
    steps = np.diff(sun_lux(np.arange(-18, 90.01, 0.05)))
    ROWS["B4"].check(min(float(steps.min()), 0.0))


def test_moon_by_altitude_phase_and_distance():
    ROWS["B5"].check(moon_lux([90, 60, 30], 180, 0.951))
    ROWS["B6"].check(moon_lux(45, 90, 0.951) / moon_lux(45, 180, 0.951))
    ROWS["B7"].check(moon_lux(45, 180, 1.0126) / moon_lux(45, 180, 0.951))


def test_nothing_far_below_the_horizon():
    assert sun_lux(-18.01) == 0
    assert moon_lux(-0.81, 180, 0.951) == 0


def test_no_step_at_the_end_of_twilight():
    assert sun_lux(-18.0) == pytest.approx(6.45e-4, rel=0.01)


@given(st.floats(-90, 90), st.floats(0, 180), st.floats(0.89, 1.03))
def test_moonlight_is_never_more_than_a_full_moon_at_its_nearest(altitude, elongation, parallax):
    # 0.32 lux is the most measured: Kyba, Mohar & Posch 2017 (Astronomy & Geophysics 58:1.31).
    assert 0 <= moon_lux(altitude, elongation, parallax) <= 0.325
