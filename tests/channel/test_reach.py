"""The frame: points placed like the cells they lie in, the taper by its formula, nothing off the water."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely

from reachmap.channel.bed import lay_bed
from reachmap.channel.build import lay_reach
from reachmap.channel.kriging import TaperedField
from reachmap.channel.reach import build_reach
from reachmap.channel.soundings import take_soundings
from tests import toy
from tests.channel.rivers import River, beat

RIVER = River.make(200)
ISLAND = shapely.Point(*RIVER.at(np.array([100.0]), np.array([1.0]))[0]).buffer(3.0)
WATER = RIVER.outline.difference(ISLAND)
REACH = build_reach(WATER, WATER, tuple(np.reshape(cap, (2, 2)) for cap in RIVER.caps), RIVER.width, 0.5)


def test_under_an_undercut_the_bed_does_not_run_out():
    """The bank opposite follows the taper's closed form; the water under the bank is as deep as beside it."""
    rng = np.random.default_rng(3)
    x, y = rng.uniform(1, 99, 300), rng.uniform(-5, 5, 300)
    undercut = gpd.GeoDataFrame(
        {"kind": ["undercut"], "size_m": [0.8], "height_m": [np.nan], "note": [""]},
        geometry=[shapely.LineString([(40, 6), (60, 6)])],
        crs=toy.CRS_LOCAL,
    )
    box, caps = shapely.box(0, -6, 100, 6), ((0.0, 6.0, 0.0, -6.0), (100.0, 6.0, 100.0, -6.0))
    depth = -np.expm1(-(6 - np.abs(y)) / (0.3 * 12 / 2))
    depth[(y > 3) & (np.abs(x - 50) < 10)] = 1.0
    plain = beat(box, x, y, depth, caps=caps)
    for water, wall in ((plain, False), (replace(plain, cover=undercut), True)):
        reach, _, _ = lay_reach(water, 0.25)
        bed = lay_bed(water, reach, take_soundings(water, reach)[0])
        g = reach.grid
        under = (g.y > 5.4) & (np.abs(g.x - 50) < 8)
        opposite = (g.y < -4) & (np.abs(g.x - 50) < 40)
        truth = -np.expm1(-(6 - np.abs(g.y[opposite])) / 1.8)
        assert np.abs(bed.depth[opposite] - truth).max() < 0.1
        assert (bed.depth[under].min() > 0.8) == wall
        assert (bed.depth[under].max() < 0.5) != wall
        assert np.abs(reach.cells.bank_distance[under] - (6 - g.y[under])).max() < 0.02


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
