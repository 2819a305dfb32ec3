"""Shade on merged cells: the day's on half a metre, the sky's on a metre, against the same on the cells themselves."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from reachmap.light import light_through_day, prepare_shade
from reachmap.light.model import Body
from reachmap.light.shade import DAY_CELL_M, SKY_CELL_M
from tests.light.waters import pond, tree, wall

ROWS = [tree(-6, -9, 8, 2.5), tree(4, -9.5, 6, 1.5), tree(9, 9, 5, 2.0), wall(-2, 8.5, 6, 9, height_m=2.0)]


@pytest.fixture(scope="module")
def water():
    return pond(15, 8, 0.1, ROWS, depth_m=0.6)


@pytest.mark.parametrize(("altitude", "azimuth"), [(12, 140), (30, 180), (55, 210), (20, 20)])
def test_shade_on_merged_cells_covers_the_same_water(water, altitude, azimuth):
    shade, sun = prepare_shade(water), Body(altitude, azimuth, 1.0)
    fine, merged = shade.beam(sun, True), shade.beam_of_day(sun, True)[shade.place]
    assert shade.n_places == round(water.grid.n_wet * (0.1 / DAY_CELL_M) ** 2)
    assert (fine < 0.5).mean() > 0.01
    assert (merged < 0.5).mean() == pytest.approx((fine < 0.5).mean(), rel=0.1)
    # They differ only along the edges of shadows.
    assert np.mean((merged < 0.5) != (fine < 0.5)) < 0.035


def test_the_sky_between_larger_cells(water, monkeypatch):
    coarse = prepare_shade(water).sky(True)
    monkeypatch.setattr("reachmap.light.shade.SKY_CELL_M", 0.1)
    exact = prepare_shade(water).sky(True)
    assert SKY_CELL_M == 1.0
    for one, other in zip(coarse, exact, strict=True):
        assert np.sqrt(np.mean((one - other) ** 2)) < 0.01
        assert np.abs(one - other).max() < 0.12


def test_merged_cells_which_the_bank_cuts_are_looked_at_in_their_water():
    """A wall on the bank, over the middle of such cells: a low sun across the water lights them, half the sky too."""
    water = pond(5.1, 3, 0.1, [wall(5.13, -60, 5.8, 60)])
    shade = prepare_shade(water)
    by_the_wall = (water.grid.x > 5) & (np.abs(water.grid.y) < 2)
    assert (shade.beam_of_day(Body(20.0, 270.0, 1.0), True)[shade.place][by_the_wall] == 1).all()
    assert shade.sky(True)[0][by_the_wall] == pytest.approx(0.5, abs=0.06)


def test_a_day_serves_every_cell_from_its_place(water):
    shade = prepare_shade(water)
    day = light_through_day(water, date(2026, 6, 20), shade, step_min=60)
    cells = np.array([0, 7, 4321, water.grid.n_wet - 1])
    assert day.sun_share.shape == (24, shade.n_places)
    np.testing.assert_array_equal(day.sun_on(cells), day.sun_share[:, shade.place[cells]])
    asked = []

    def keep(settings, build):
        asked.append(settings)
        return build()

    again = light_through_day(water, date(2026, 6, 20), prepare_shade(water), step_min=60, keep=keep)
    np.testing.assert_array_equal(again.sun_share, day.sun_share)
    assert asked == [{"day": "2026-06-20", "step_min": 60, "leaves": True, "like": None}]
