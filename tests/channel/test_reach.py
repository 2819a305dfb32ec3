"""The frame: points placed like the cells they lie in, the taper by its formula, nothing off the water."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from reachmap.channel.kriging import TaperedField
from reachmap.channel.reach import build_reach
from tests.channel.rivers import River

RIVER = River.make(200)
ISLAND = shapely.Point(*RIVER.at(np.array([100.0]), np.array([1.0]))[0]).buffer(3.0)
WATER = RIVER.outline.difference(ISLAND)
REACH = build_reach(WATER, WATER, tuple(np.reshape(cap, (2, 2)) for cap in RIVER.caps), RIVER.width, 0.5)


def test_distance_to_the_waterline_is_shapelys_and_leaves_out_the_ends():
    banks = shapely.union_all(
        [
            shapely.LineString(RIVER.at(RIVER.s[::4], np.full(len(RIVER.s[::4]), side * RIVER.width / 2)))
            for side in (1, -1)
        ]
        + [ISLAND.exterior]
    )
    want = shapely.distance(banks, shapely.points(REACH.grid.x, REACH.grid.y))
    assert np.abs(REACH.cells.bank_distance - want).max() < 0.05


def test_taper_follows_its_formula():
    cells = REACH.cells
    want = 1 - np.exp(-cells.bank_distance / (0.3 * cells.width / 2))
    assert np.allclose(cells.taper, want, atol=1e-6)
    assert np.all(cells.banked(0.03).taper >= cells.taper)


def test_points_are_placed_like_the_cells_they_lie_in():
    pick = np.arange(0, REACH.grid.n_wet, 97)
    places = REACH.at(REACH.grid.x[pick], REACH.grid.y[pick])
    for name in ("along", "across", "width", "bank_distance"):
        assert np.allclose(getattr(places, name), getattr(REACH.cells, name)[pick], atol=2e-3)


def test_points_outside_are_taken_at_the_nearest_water():
    x, y = RIVER.at(np.array([50.0]), np.array([RIVER.width / 2 + 2.0]))[0]
    places = REACH.at(np.array([x]), np.array([y]))
    assert places.along[0] == pytest.approx(50, abs=1.5)
    assert places.across[0] == pytest.approx(RIVER.width / 2, abs=0.6)
    assert places.bank_distance[0] < 0.5


def test_ends_touch_the_caps_only():
    cells = REACH.cells
    assert cells.along[REACH.head].max() < 3
    assert cells.along[REACH.tail].min() > REACH.length_m - 3


def test_a_constant_field_is_the_taper_times_the_constant():
    """Measurements of exactly 2 T come back as 2 T on every fine cell."""
    pick = np.arange(5, REACH.grid.n_wet, 61)
    places = REACH.at(REACH.grid.x[pick], REACH.grid.y[pick])
    field = TaperedField.fit(places.along, places.across, places.taper, 2 * places.taper, REACH.width_m)
    value, sd = REACH.interpolate(field)
    assert np.allclose(value, 2 * REACH.cells.taper, atol=1e-3)
    assert value.dtype == sd.dtype == np.float32
