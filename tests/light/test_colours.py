"""Six colours: published absorption, exponentials, and what peat does to light."""

from __future__ import annotations

import numpy as np
import pytest

from reachmap.beat.model import COLOURS, Water
from reachmap.light.colours import (
    CONTENT,
    DAYLIGHT,
    LUX_WEIGHT,
    WATER_ABSORPTION,
    band_attenuation,
    content_attenuation,
)
from reachmap.light.water import clarity_to_attenuation
from tests.published import load

ROWS = load("light")


def test_pure_water():
    ROWS["G1"].check(WATER_ABSORPTION[1:])
    ROWS["G2"].check([DAYLIGHT.sum(), LUX_WEIGHT.sum()])


def test_dissolved_colour_falls_as_an_exponential():
    # Without sediment Kd is absorption over the cosine; two contents apart leave dissolved colour alone.
    more, less = (content_attenuation(g, 0.0)[1] for g in (3.0, 1.0))
    by_band = (more - less) / 2
    mean = [np.exp(-0.016 * (np.linspace(lo, lo + 50, 501) - 440)).mean() for lo in range(400, 700, 50)]
    assert by_band == pytest.approx(mean, rel=2e-3)
    ROWS["G3"].check(np.exp(-0.016 * 110))


def test_typical_waters():
    ROWS["G4"].check(content_attenuation(6.0, 3.0)[0])
    ROWS["G6"].check(content_attenuation(0.3, 1.0)[0])


def bands_of(water: Water) -> tuple[np.ndarray, np.ndarray]:
    """Attenuation of a water by band."""
    return band_attenuation(water.colour, *clarity_to_attenuation(water))


def test_peat_turns_light_red_and_clear_water_green():
    kd = bands_of(Water(2.0, colour="stained"))[0]
    assert kd[-2:].max() < kd[:-2].min()
    assert kd.argmax() == 0
    assert np.argmin(bands_of(Water(2.0, colour="clear"))[0]) in (2, 3)


@pytest.mark.parametrize("word", COLOURS)
def test_bands_add_up_to_the_water_s_own_attenuation(word):
    assert set(CONTENT) == set(COLOURS)
    water = Water(1.7, colour=word)
    kd, c = clarity_to_attenuation(water)
    bands = bands_of(water)
    assert bands[0] @ LUX_WEIGHT == pytest.approx(kd, rel=1e-3)
    assert bands[1] @ LUX_WEIGHT == pytest.approx(c, rel=1e-3)
    assert np.all(bands[1] > bands[0])
