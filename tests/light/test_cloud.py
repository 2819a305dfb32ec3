"""Cloud: published laws, and how beam and scattered light share."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat.model import Water
from reachmap.light.bed import bed_light, bed_terms
from reachmap.light.cloud import (
    beam_and_diffuse,
    clear_diffuse_share,
    cloud_factors,
    global_energy,
)
from reachmap.light.lux import moon_lux, sun_lux
from reachmap.light.model import Body
from reachmap.light.water import clarity_to_attenuation
from tests.published import load

ROWS = load("light")
DOWN = Body(-30.0, 0.0, 0.0)


def sun_at(altitude):
    return Body(altitude, 180.0, float(sun_lux(altitude)))


def test_laws_of_kasten_and_czeplak():
    ROWS["C1"].check([global_energy(n) for n in (0, 4, 8)])
    # The direct share is what the scattered leaves, over that of the clear sky (0.7).
    ROWS["C2"].check([1 - 0.7 * cloud_factors(n)[1] / global_energy(n) for n in (4, 8)])
    ROWS["C3"].check(beam_and_diffuse(sun_at(50.0), DOWN, 8)[0])


def test_scattered_light_is_most_under_broken_cloud():
    diffuse = {n: beam_and_diffuse(sun_at(45.0), DOWN, n)[2] for n in (0, 6, 8)}
    ROWS["C4"].check([diffuse[6] > diffuse[n] for n in (0, 8)])


def test_diffuse_share_of_a_clear_sky():
    ROWS["C5"].check([clear_diffuse_share(h) for h in (5, 10, 20, 30, 60)])


def test_a_clear_moonless_night():
    ROWS["B8"].check(sum(beam_and_diffuse(DOWN, DOWN, 0)))


def test_what_anglers_reckon_with():
    """Brightest day, sunrise, full moon, starlight; and what of the moon's light is left a metre down."""
    moon = Body(60.0, 180.0, float(moon_lux(60.0, 180.0, 0.951)))
    lux = [sun_lux(90.0), sun_lux(0.0), moon_lux(60.0, 180.0, 0.951), sum(beam_and_diffuse(DOWN, DOWN, 0))]
    ROWS["T4"].check(np.log10(np.array(lux, float)))
    kd = clarity_to_attenuation(Water(2.75, "white from above", "clear"))[0]
    share = [bed_light(bed_terms(DOWN, moon, 0), 0.0, 1.0, 1.0, 1.0, kd, depth) for depth in (0.0, 1.0)]
    ROWS["T5"].check(share[1] / share[0])


def test_town_glow_adds_up():
    dark, lit = (sum(beam_and_diffuse(DOWN, DOWN, 3, glow)) for glow in (0.0, 0.05))
    assert lit - dark == pytest.approx(0.05)


@given(st.floats(-40, 90), st.floats(-40, 90), st.integers(0, 8))
def test_no_light_is_negative_and_cloud_hardly_adds(sun_alt, moon_alt, oktas):
    moon = Body(moon_alt, 0.0, float(moon_lux(moon_alt, 180, 0.951)))
    parts = beam_and_diffuse(sun_at(sun_alt), moon, oktas)
    assert min(parts) >= 0
    assert (
        sum(parts) <= sum(beam_and_diffuse(sun_at(sun_alt), moon, 0)) * 1.015
    )  # a cloudier sky has more lumens a watt
