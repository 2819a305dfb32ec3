"""Canopies against Beer's law and the exponential integral by quadrature."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy.integrate import quad

from reachmap.beat.model import LEAVES
from reachmap.light.canopy import LEAF_AREA, WOOD_AREA, leaves_on, optical_density
from tests.light.closed_canopy import beam_through, sky_through
from tests.published import load

ROWS = load("light")


def test_closed_canopy():
    ROWS["H4"].check([beam_through(3.0, 45.0), sky_through(3.0)])


@pytest.mark.parametrize("area", [0.5, 1.0, 3.0, 5.0])
def test_sky_through_a_canopy_is_the_beam_summed_over_the_sky(area):
    def part(h):
        return beam_through(area, np.degrees(h)) * 2 * np.sin(h) * np.cos(h)

    assert sky_through(area) == pytest.approx(quad(part, 1e-9, np.pi / 2)[0], abs=1e-6)


def test_every_leaf_word_is_known():
    assert set(LEAF_AREA) == set(WOOD_AREA) == set(LEAVES)
    assert all(optical_density(leaf, 5.0, True) >= optical_density(leaf, 5.0, False) for leaf in LEAVES)


def test_evergreens_shade_as_much_in_winter():
    summer, winter = (optical_density("evergreen", 5.0, leaf_on) for leaf_on in (True, False))
    assert winter == summer > optical_density("mixed", 5.0, True)


def test_leaves_by_date_and_hemisphere():
    assert leaves_on(date(2026, 7, 1), 54)
    assert not leaves_on(date(2026, 1, 15), 54)
    assert leaves_on(date(2026, 1, 15), -41)
    assert not leaves_on(date(2026, 7, 1), -41)
    assert leaves_on(date(2026, 1, 15), 3.0)
