"""Lux at the bed against sums worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.light.bed import bed_light, bed_terms
from reachmap.light.lux import sun_lux
from reachmap.light.model import Body
from tests.published import load

ROWS = load("light")
DOWN = Body(-30.0, 0.0, 0.0)
HIGH = Body(45.0, 180.0, float(sun_lux(45.0)))


@pytest.mark.parametrize(("row", "oktas"), [("F7", 0), ("F8", 8)])
def test_open_water(row, oktas):
    ROWS[row].check(float(bed_light(bed_terms(HIGH, DOWN, oktas), 1.0, 0.0, 1.0, 1.0, 0.5, 1.0)))


def test_cloud_flattens_shade():
    def contrast(oktas):
        terms = bed_terms(HIGH, DOWN, oktas)
        lit, shaded = (bed_light(terms, share, 0.0, sky, sky, 0.5, 0.5) for share, sky in ((1.0, 1.0), (0.0, 0.6)))
        return lit / shaded

    ROWS["H5"].check(contrast(8) < contrast(4) < contrast(0))


@given(st.floats(-30, 90), st.integers(0, 8), st.floats(0.05, 5), st.floats(0, 5), st.floats(0, 1), st.floats(0, 1))
def test_light_falls_with_depth_and_shade(altitude, oktas, kd, depth, share, sky):
    terms = bed_terms(Body(altitude, 0.0, float(sun_lux(altitude))), DOWN, oktas)
    here = bed_light(terms, share, share, sky, sky, kd, depth)
    assert 0 <= here <= bed_light(terms, 1.0, 1.0, 1.0, 1.0, kd, depth) * (1 + 1e-12)
    assert bed_light(terms, share, share, sky, sky, kd, depth + 0.1) <= here


def test_moonlight_goes_through_the_same_terms():
    night = bed_terms(DOWN, Body(45.0, 180.0, 0.16), 0)
    assert bed_light(night, 0.0, 1.0, 1.0, 1.0, 0.5, 0.5) > 3 * bed_light(night, 0.0, 0.0, 1.0, 1.0, 0.5, 0.5)
    assert np.isfinite(night.sun_slant)


@pytest.mark.parametrize(("altitude", "left"), [(10.0, 0.2833), (45.0, 0.3669), (80.0, 0.4243)])
@pytest.mark.parametrize("which", ["sun", "moon"])
def test_the_lower_the_body_the_longer_its_way_through_the_water(which, altitude, left):
    """By Snell's law with n = 1.333 the cosine below is sqrt(1 - (cos h / n)^2): 0.6739, 0.8477, 0.9915. Kd holds for
    0.85, so 2 m more water of 0.5 / m leave exp(-0.5 x 2 x 0.85 / cosine) of the beam."""
    body = Body(altitude, 180.0, 1e4)
    terms = bed_terms(*((body, DOWN) if which == "sun" else (DOWN, body)), 0)
    shares = (1.0, 0.0) if which == "sun" else (0.0, 1.0)
    above, below = (bed_light(terms, *shares, 0.0, 0.0, 0.5, depth) for depth in (1.0, 3.0))
    assert below / above == pytest.approx(left, abs=2e-4)
