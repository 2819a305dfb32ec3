"""From clarity to attenuation."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat.model import CLARITY_HOW, COLOURS, Water
from reachmap.errors import SettingError
from reachmap.light.water import DARK_LAW, SCATTERING, clarity_to_attenuation, kirk, white_clarity_m
from tests.published import load

ROWS = load("light")


def test_kirk():
    ROWS["F1"].check([kirk(1, 5, 1), kirk(0.2, 1, 0.86)])
    ROWS["F1-photons"].check([kirk(1, ratio, 0.8) for ratio in (2, 5, 10, 20)])


@given(st.floats(0.01, 5), st.floats(0.66, 1))
def test_without_scattering_only_the_slant_counts(a, mu):
    assert kirk(a, 0.0, mu) == pytest.approx(a / mu)
    ROWS["F2"].check([kirk(0.3, 0.0, 0.75), kirk(1.0, 0.0, 0.9)])


def test_white_thing():
    kd, c = clarity_to_attenuation(Water(3.0, CLARITY_HOW[0], "clear"))
    ROWS["F3"].check([kd, DARK_LAW / c])
    ROWS["F5"].check(
        [clarity_to_attenuation(Water(1.0, CLARITY_HOW[0], word))[0] for word in ("stained", "clear", "spate")]
    )


def test_order_of_the_words():
    # F5: stained > clear > average > cloudy > spate, Koenings & Edmundson 1991 for the published three.
    dim = [clarity_to_attenuation(Water(1.0, CLARITY_HOW[0], word))[0] for word in COLOURS]
    assert dim == sorted(dim, reverse=True)
    assert set(SCATTERING) == set(COLOURS)


def test_clarity_there_and_back():
    back = []
    for word in COLOURS:
        sight = DARK_LAW / clarity_to_attenuation(Water(3.0, "white from above", word))[1]
        kd, c = clarity_to_attenuation(Water(sight, "dark sideways", word))
        back.append(8.7 / (c + kd))
    ROWS["F4"].check(back)


@given(st.floats(0.05, 15), st.sampled_from(COLOURS))
def test_the_three_ways_of_judging_agree(clarity, word):
    # White thing -> sideways range -> dark boot from above (4.8 / 8.7 of the white thing) and back.
    kd, c = clarity_to_attenuation(Water(clarity, "white from above", word))
    assert clarity_to_attenuation(Water(DARK_LAW / c, "dark sideways", word)) == pytest.approx((kd, c), rel=1e-9)
    boot = clarity * 4.8 / 8.7
    assert clarity_to_attenuation(Water(boot, "dark from above", word)) == pytest.approx((kd, c), rel=1e-9)
    assert (c + kd) * clarity == pytest.approx(8.7)
    for water in (Water(boot, "dark from above", word), Water(DARK_LAW / c, "dark sideways", word)):
        assert white_clarity_m(water) == pytest.approx(clarity)


@pytest.mark.parametrize(
    ("water", "word"),
    [
        (Water(2.0, "white from above", "purple"), "purple"),
        (Water(2.0, "by guess", "clear"), "by guess"),
        (Water(0.0, "white from above", "clear"), "0.0 m"),
        (Water(float("nan"), "white from above", "clear"), "nan m"),
    ],
)
def test_water_that_cannot_be(water, word):
    with pytest.raises(SettingError, match=word):
        clarity_to_attenuation(water)
