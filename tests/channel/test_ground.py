"""The ground of the speed: flow kept round boulders, flow from a slope."""

from functools import cache
from unittest import mock

import geopandas as gpd
import numpy as np
import pytest
import shapely

from reachmap.channel import build_channel
from reachmap.channel.ground import Bedded, flow_from_slope, guessed_flow, lay_ground
from reachmap.channel.speed import find_speed
from tests import toy
from tests.channel.rivers import beat

LENGTH, HALF = 120.0, 8.0
STONES = [shapely.Point(place) for place in [(40.0, -3.0), (42.0, 2.0), (60.0, 0.0), (61.0, 5.0), (80.0, -5.0)]]
PIER = shapely.box(58, -2, 62, 2)


@cache
def laid(*stones: shapely.Geometry, kind: str = "boulder", height_m: float = np.nan):
    """A straight run 1 m deep in the middle, with or without things in it: beat, water, ground."""
    x, y = (a.ravel() for a in np.meshgrid(np.arange(4, LENGTH, 8), np.linspace(-7, 7, 8)))
    cover = gpd.GeoDataFrame(
        {"kind": kind, "size_m": 1.4, "height_m": height_m, "note": ""},
        geometry=list(stones),
        index=range(len(stones)),
        crs=toy.CRS_LOCAL,
    )
    one = beat(shapely.box(0, -HALF, LENGTH, HALF), x, y, 1 - (y / 9) ** 2, head=(0.0, 0.0), flow_m3_s=5.0, cover=cover)
    with mock.patch("reachmap.channel.build.find_speed", side_effect=find_speed) as called:
        build_channel(one, cell_m=0.5)
    _, reach, _, depth, *_ = called.call_args.args
    water = Bedded(reach.grid, reach.mesh, reach.in_mesh, reach.coordinates.head, reach.coordinates.tail, depth)
    return one, water, lay_ground(one, water)


def carried(water, ground, x):
    """Flow through a slice of the map 2 m thick at 1 m3/s through the reach [m3/s]."""
    band = np.abs(water.grid.x - x) < 1.0
    speed = ground.unit_speed * (1 - ground.wake) * ground.east
    return np.sum((speed * water.depth)[band]) * water.grid.cell_m**2 / 2.0


@pytest.mark.parametrize("x", [20.0, 43.0, 46.0, 63.0, 66.0, 84.0, 100.0])
def test_water_held_back_by_boulders_runs_beside_them(x):
    _, water, ground = laid(*STONES)
    assert ground.bodies == len(STONES)
    assert carried(water, ground, x) == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("x", [50.0, 57.0, 60.0, 61.0, 63.0, 70.0])
def test_all_of_the_water_passes_beside_a_pier(x):
    """Continuity: the flow through every section is the same, so it is the faster the narrower the section."""
    _, water, ground = laid(PIER, kind="pier")
    on_pier = shapely.contains_xy(PIER, water.grid.x, water.grid.y)
    assert not ground.unit_speed[on_pier].any()
    assert carried(water, ground, x) == pytest.approx(1.0, abs=0.08)


def test_stones_change_the_way_of_the_water_and_not_what_a_slope_drives_through_the_reach():
    """Its depths were sounded with the stones in place."""
    _, _, bare = laid()
    _, _, ground = laid(PIER, kind="pier")
    assert ground.flow.flow_at_unit_drop == bare.flow.flow_at_unit_drop
    assert bare.past == 1.0
    assert 0.8 < ground.past < 1.0


def test_where_stones_stand_right_across_the_flow_is_that_without_them():
    _, _, bare = laid()
    _, _, ground = laid(shapely.box(58, -9, 59, 9), kind="pier")
    assert ground.past == 0.0
    assert np.array_equal(ground.unit_speed, bare.unit_speed)


def test_water_runs_over_a_boulder_that_does_not_reach_the_surface():
    _, _, bare = laid()
    _, _, drowned = laid(PIER, height_m=0.2)
    assert np.array_equal(drowned.unit_speed, bare.unit_speed)


def test_beside_a_boulder_it_runs_faster_and_behind_it_slower():
    _, water, bare = laid()
    _, _, stony = laid(*STONES)
    beside = water.grid.locate(np.array([62.0]), np.array([-4.0]))[0]
    behind = water.grid.locate(np.array([62.0]), np.array([0.0]))[0]
    assert not bare.wake.any()
    assert stony.wake[beside] < 0 < stony.wake[behind]


def test_a_sounding_deeper_than_the_map_has_the_speed_of_its_own_depth():
    """Manning: as the power 2/3 of the depth under one slope; at the depth of the map, the map's own speed."""
    _, water, ground = laid()
    cells = np.flatnonzero(water.depth > 0.5)[::50]
    at_map = ground.unit_speed_at(cells, water.depth[cells])
    np.testing.assert_allclose(at_map, ground.unit_speed[cells], rtol=1e-3)
    np.testing.assert_allclose(ground.unit_speed_at(cells, 8 * water.depth[cells]), 4 * at_map, rtol=1e-5)
    assert np.isfinite(ground.unit_speed_at(cells, np.zeros(len(cells)))).all()


def test_a_slope_drives_the_flow_of_manning():
    _, water, ground = laid()
    # Sum over the section of d^(5/3) sqrt(S) / n (Manning per strip), the depths of one column of cells.
    column = np.abs(water.grid.x - 60.25) < 0.01
    plain = np.sum(water.depth[column] ** (5 / 3)) * 0.5 * np.sqrt(0.003) / ground.manning_n
    assert flow_from_slope(ground, 0.003, LENGTH) == pytest.approx(plain, rel=0.05)


def test_a_flow_is_guessed_from_width_and_mean_depth():
    # Raymond et al. 2012: d = 0.409 Q^0.294 and w = 12.88 Q^0.42, so 0.409 m by 12.88 m mean 1 m3/s.
    assert guessed_flow(np.full(10, 0.409), 12.88) == pytest.approx(1.0)
    assert guessed_flow(np.full(10, 0.409 * 4**0.294), 12.88 * 4**0.42) == pytest.approx(4.0)


@pytest.mark.parametrize("width", [1.5, 10.0, 60.0])
@pytest.mark.parametrize("depth", [0.15, 0.8, 2.5])
def test_a_guessed_flow_runs_at_a_pace_a_trout_stream_has(width, depth):
    """Also where a pool is deep for its width: some centimetres to one metre a second (common practice)."""
    speed = guessed_flow(np.full(10, depth), width) / (width * depth)
    assert 0.04 < speed < 1.0
