"""Wakes against the momentum they must carry and the far-wake law."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely

from reachmap.channel import wakes as wk
from reachmap.channel.model import Grid
from tests import published, toy

ROWS = published.load("hydraulics")


def run(angle: float = 0.0, cell: float = 0.25, depth_m: float = 0.8):
    """A uniform run 80 m long and 16 m wide, turned by an angle: grid, current, depth, along and across."""
    east, north = np.cos(angle), np.sin(angle)
    n = int(100 / cell)
    x, y = np.meshgrid((np.arange(n) + 0.5) * cell - 50, 50 - (np.arange(n) + 0.5) * cell)
    along, across = x * east + y * north, -x * north + y * east
    wet = (np.abs(along) < 40) & (np.abs(across) < 8)
    grid = Grid(-50.0, 50.0, cell, wet)
    full = np.ones(grid.n_wet, np.float32)
    return grid, full * np.float32(east), full * np.float32(north), full * depth_m, along[wet], across[wet]


def test_the_deficit_carries_the_drag_of_the_body():
    across = np.linspace(-30, 30, 60001)
    ROWS["wake-drag"].check([np.trapezoid(wk.wake_deficit(x, across, 1.2), across) for x in (1.0, 5.0, 40.0)])


def test_far_behind_the_axis_follows_the_far_wake_law():
    ROWS["wake-axis"].check(wk.wake_deficit(50.0, 0.0, 1.0))


def test_close_behind_the_deficit_is_capped():
    assert wk.wake_deficit(np.array([0.0]), np.array([0.0]), 1.0) == pytest.approx(wk.LARGEST)


@pytest.mark.parametrize("angle", [0.0, 0.6])
def test_on_the_grid_the_momentum_is_kept_within_5_percent(angle):
    # Smooth bed (n 0.005): bed friction takes next to nothing over these distances, so Cd d / 2 must be found.
    grid, east, north, depth, along, _ = run(angle)
    body = wk.Body(-30 * np.cos(angle), -30 * np.sin(angle), 1.2, 1.0)
    share = wk.wake_share(grid, depth, east, north, [body], manning_n=0.005)
    for behind in (2.0, 8.0, 25.0):
        band = np.abs(along + 30 - behind) < 0.5
        assert share[band].sum() * grid.cell_m**2 / 1.0 == pytest.approx(1.2 / 2, rel=0.05)


def test_a_long_wake_ends_without_a_step():
    """Behind a wide island in deep water it is not gone where it is no longer followed."""
    grid, east, north, depth, along, across = run(cell=0.5, depth_m=3.0)
    island = wk.Body(-38.0, 0.0, 40.0, wk.DRAG["island"])
    share = wk.wake_share(grid, depth, east, north, [island], 0.03)
    behind, axis = along + 38.0, np.abs(across) < 0.5
    mean = np.array([share[axis & (behind > at) & (behind <= at + 1)].mean() for at in np.arange(0, 76)])
    assert mean[38] > 0.15
    assert mean[62:].max() == 0.0
    assert np.abs(np.diff(mean[10:])).max() < 0.03


def test_bed_friction_damps_a_wake_over_its_length():
    # h / (2 cf), cf = g n^2 / h^(1/3): 0.5 m deep, n 0.04 (shallow-water momentum, by hand): 12.6 m.
    assert wk.friction_length(0.5, 0.04) == pytest.approx(12.65, abs=0.05)
    grid, east, north, depth, along, across = run(depth_m=0.5)
    body = [wk.Body(-30.0, 0.0, 1.2, 1.0)]
    rough, smooth = (wk.wake_share(grid, depth, east, north, body, n) for n in (0.04, 0.001))
    axis = (np.abs(across) < 0.25) & (np.abs(along + 20) < 0.25)
    assert np.mean(rough[axis]) / np.mean(smooth[axis]) == pytest.approx(np.exp(-10 / 12.65), abs=0.03)


def test_a_drowned_boulder_drags_on_its_share_of_the_depth():
    grid, east, north, depth, *_ = run(depth_m=0.8)
    high, low = (
        wk.wake_share(grid, depth, east, north, [wk.Body(-30.0, 0.0, 1.0, 1.0, height)]) for height in (np.inf, 0.2)
    )
    assert low.sum() / high.sum() == pytest.approx(0.25, abs=0.01)


def test_wakes_add_up_to_at_most_the_cap():
    grid, east, north, depth, *_ = run()
    bodies = [wk.Body(-30.0 + k, 0.0, 1.5, 1.0) for k in range(5)]
    share = wk.wake_share(grid, depth, east, north, bodies)
    assert share.max() == pytest.approx(wk.LARGEST)
    assert share.min() >= 0.0


def test_a_wake_lies_behind_its_body_and_nowhere_else():
    grid, east, north, depth, along, across = run()
    share = wk.wake_share(grid, depth, east, north, [wk.Body(-10.0, 2.0, 1.0, 1.0)])
    hit = share > 0
    assert along[hit].min() > -10.5
    assert np.abs(across[hit] - 2.0).max() < 4.0


@pytest.mark.parametrize("angle", [0.0, 1.0, np.pi / 2, 2.5, 4.0, 5.5])
def test_a_body_ends_where_its_lee_side_lies_whichever_way_the_river_runs(angle):
    """A boulder's is its radius down the current; a log 4 m long and 0.4 m thick that points down the current is as
    wide as it is thick and has its lee side at its lower end; one across it lies 4.4 m wide."""
    grid, east, north, *_ = run(angle)
    down, left = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    stone, start = 5 * down + 3 * left, -20 * down - 2 * left
    shapes = [shapely.Point(stone), *(shapely.LineString([start, start + 4 * way]) for way in (down, left))]
    cover = gpd.GeoDataFrame(
        {"kind": ["boulder", "log", "log"], "size_m": [1.0, 0.4, 0.4], "height_m": np.nan, "note": ""},
        geometry=shapes,
        crs=toy.CRS_LOCAL,
    )
    bodies = wk.find_bodies(replace(toy.beat(), cover=cover), grid, east, north)
    ends = (stone + 0.5 * down, 1.0), (start + 4.2 * down, 0.4), (start + 2 * left + 0.2 * down, 4.4)
    for body, (lee, wide) in zip(bodies, ends, strict=True):
        assert (body.x, body.y) == pytest.approx(tuple(lee), abs=0.03)
        assert body.width_m == pytest.approx(wide, abs=0.05)


def test_bodies_come_from_the_cover_and_from_islands():
    island = shapely.Polygon([(-20, -1), (-14, -2), (-8, 0), (-14, 2)])
    outline = shapely.MultiPolygon([shapely.Polygon(toy.beat().outline.geoms[0].exterior, [island.exterior])])
    cover = gpd.GeoDataFrame(
        {
            "kind": ["boulder", "pier", "log", "weed"],
            "size_m": [1.0, 0.8, 0.4, 3.0],
            "height_m": [0.5, np.nan, np.nan, np.nan],
            "note": "",
        },
        geometry=[
            shapely.Point(10, 1),
            shapely.Point(20, -2),
            shapely.LineString([(30, -4), (30, 0)]),
            shapely.Point(0, 0),
        ],
        crs=toy.CRS_LOCAL,
    )
    beat = replace(toy.beat(), outline=outline, cover=cover)
    ch = toy.channel()
    bodies = wk.find_bodies(beat, ch.grid, ch["flow_east"], ch["flow_north"])
    boulder, pier, log, isle = bodies
    assert (boulder.x, boulder.y, boulder.width_m) == pytest.approx((10.5, 1.0, 1.0), abs=0.02)
    assert boulder.height_m == 0.5
    assert np.isinf(pier.height_m)
    assert log.width_m == pytest.approx(4.4, abs=0.05)  # its length lies across the current, ends rounded
    assert log.height_m == 0.4
    assert (isle.x, isle.y) == pytest.approx((-8.0, 0.0), abs=0.05)
    assert 0.3 < isle.width_m < 2.0  # near its tail, not its full 4 m
    assert isle.drag == wk.DRAG["island"]
