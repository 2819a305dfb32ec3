"""Another level or flow, against Manning's law and the shape of a known valley."""

from dataclasses import replace
from functools import cache
from unittest import mock

import geopandas as gpd
import numpy as np
import pytest
import shapely

from reachmap.beat.model import Terrain
from reachmap.channel import build_channel
from reachmap.channel.model import Grid
from reachmap.channel.speed import find_speed
from reachmap.channel.stage import LARGEST_CHANGE, at_stage
from reachmap.errors import SettingError
from tests.channel.rivers import beat

LENGTH, HALF, DEPTH = 160.0, 8.0, 0.8


def valley(slope: float) -> Terrain:
    """Banks that rise by `slope` from the waterline at |y| = 8 m, flat up and down the valley."""
    y = 40 - (np.arange(80) + 0.5)
    height = np.repeat(((np.abs(y) - HALF) * slope)[:, None], 240, axis=1)
    return Terrain(height.astype(np.float32), -40.0, 40.0, 1.0)


@cache
def run(flow=4.0, stone=False):
    """A straight run of one shape (sections of 9 points every 8 m): everything `at_stage` needs.

    With a stone 1.45 m across at (80, 0) if asked for.
    """
    x, y = (a.ravel() for a in np.meshgrid(np.arange(4, LENGTH, 8), np.linspace(-7.5, 7.5, 9)))
    depth = DEPTH * (1 - (y / 8.2) ** 2)
    one = beat(
        shapely.box(0, -HALF, LENGTH, HALF),
        x,
        y,
        depth,
        np.array([f"x{v:.0f}" for v in x]),
        head=(0.0, 0.0),
        flow_m3_s=flow,
    )
    if stone:
        cover = {"kind": ["boulder"], "size_m": [1.45], "height_m": [np.nan], "note": [""]}
        one = replace(one, cover=gpd.GeoDataFrame(cover, geometry=[shapely.Point(80, 0)], crs=one.crs))
    with mock.patch("reachmap.channel.build.find_speed", side_effect=find_speed) as called:
        ch = build_channel(one, cell_m=0.5)
    speed = find_speed(*called.call_args.args, **called.call_args.kwargs)
    _, reach, _, bed, *_ = called.call_args.args
    return one, reach, bed, ch["depth_sd"], speed


def moved(stage=0.0, flow=None, terrain=None, known=4.0):
    one, *rest = run(known)
    return at_stage(replace(one, terrain=terrain), *rest, stage, flow)


@pytest.mark.parametrize("stage", [-0.12, 0.1, 0.25])
def test_flow_and_speed_follow_manning_at_the_same_slope(stage):
    _, _, depth, _, before = run()
    after = moved(stage)
    share = np.clip(depth + stage, 0, None) ** (5 / 3)
    wet = depth + stage > 0
    # Conveyance of an even channel: Q ~ sum w d^(5/3), v ~ d^(2/3).
    assert after.speed.flow_m3_s / before.flow_m3_s == pytest.approx(share.sum() / (depth ** (5 / 3)).sum(), rel=0.02)
    deep = depth[wet] > 0.5
    ratio = after.speed.speed[deep] / before.speed[wet][deep]
    assert np.median(ratio) == pytest.approx(np.median((1 + stage / depth[wet][deep]) ** (2 / 3)), rel=0.02)
    # Its error stays the same share of it, and a fifth of what it changed by is unsure besides.
    changed = after.speed.speed[deep] - before.speed[wet][deep]
    unsure = np.hypot(ratio * before.speed_sd[wet][deep], 0.2 * changed)
    assert after.speed.speed_sd[deep] == pytest.approx(unsure, rel=1e-3)


def test_falling_water_dries_the_edges_and_moves_the_waterline():
    _, reach, depth, *_ = run()
    after = moved(-0.12)
    assert after.grid.n_wet == np.sum(depth - 0.12 > 0)
    assert after.report["cells_dried"] == reach.grid.n_wet - after.grid.n_wet > 0
    assert after.depth == pytest.approx(depth[after.survey_cell] - 0.12, abs=1e-5)
    assert np.all(after.bank_distance <= reach.cells.bank_distance[after.survey_cell] + 1e-5)
    assert not after.wetted.any()


def test_rising_water_stays_in_its_outline_without_a_terrain_model_and_says_so():
    _, reach, *_ = run()
    after = moved(0.2)
    assert after.grid.n_wet == reach.grid.n_wet
    assert [f.code for f in after.findings] == ["stage-shifted", "stage-no-terrain"]
    assert moved(0.2, known=None).speed.flow_m3_s is None


def test_rising_water_floods_the_banks_as_far_as_they_lie_below_it():
    after = moved(0.25, terrain=valley(0.1))
    # Banks rise 0.1 m per metre: 0.25 m of water reaches 2.5 m beyond each old bank, 160 m long.
    middle = (after.grid.x > 10) & (after.grid.x < LENGTH - 10)
    width = np.sum(after.wetted & middle) * 0.25 / (LENGTH - 20)
    assert width == pytest.approx(2 * 2.5, abs=0.6)
    new = after.wetted & middle
    assert after.depth[new] == pytest.approx(0.25 - 0.1 * (np.abs(after.grid.y[new]) - HALF), abs=0.06)
    # A fifth of the shift is unsure, and 0.15 m over new ground; both add to the survey's as independent errors do.
    unsure = run()[3][after.survey_cell] ** 2 + (0.2 * 0.25) ** 2 + np.where(after.wetted, 0.15**2, 0.0)
    assert after.depth_sd**2 == pytest.approx(unsure, rel=1e-4)
    assert (after.report["cells_wetted"], after.report["cells_dried"]) == (after.wetted.sum(), 0)
    assert after.speed.speed[new].mean() < 0.6 * after.speed.speed[~after.wetted].mean()
    assert np.all((after.grid.x > -1) & (after.grid.x < LENGTH + 1))


def test_the_land_is_asked_where_it_lies():
    """A shelf 0.3 m below the level of the survey beside the north bank, in cells of 2 m; all else is 2 m high. From
    the middles of its outermost cells, at 41 and 79 m along and 11 m off, the land rises 2.3 m in 2 m."""
    x, y = -37 + 2.0 * np.arange(120), 35 - 2.0 * np.arange(35)
    shelf = (np.abs(x - 60) < 20) & (y > 0)[:, None] & (y < 12)[:, None]
    after = moved(0.25, terrain=Terrain(np.where(shelf, -0.3, 2).astype(np.float32), x[0] - 1, y[0] + 1, 2.0))
    grid, new, on = after.grid, after.wetted, 2 * (0.25 + 0.3) / 2.3
    assert new.sum() * 0.25 == pytest.approx((79 - 41 + 2 * on) * (11 + on - HALF), rel=0.05)
    for axis, low, high in ((grid.x, 41 - on, 79 + on), (grid.y, HALF, 11 + on)):
        assert (axis[new].min(), axis[new].max()) == pytest.approx((low, high), abs=0.4)


def test_no_land_is_flooded_whose_height_is_not_known():
    """Land 0.1 m up on the map from 50 to 110 m along, 1 m beyond the north bank and 2 m beyond the south bank."""
    after = moved(0.25, terrain=Terrain(np.full((19, 60), 0.1, np.float32), 50.0, 9.0, 1.0))
    x, y = after.grid.points(np.flatnonzero(after.wetted)).T
    assert (x.min(), x.max(), y.min(), y.max()) == (50.25, 109.75, -9.75, 8.75)
    assert len(x) == 60 * (1 + 2) / 0.25
    assert after.depth[after.wetted] == pytest.approx(0.25 - 0.1)


@pytest.mark.parametrize(("stage", "edge_m"), [(-0.12, 7.56), (0.25, 10.5)])
def test_the_way_to_the_bank_is_that_to_the_waterline_of_now(stage, edge_m):
    """Half a cell is what a cell's middle may lie beside. The depth was 0.8 (1 - (y / 8.2)^2), the banks rise 0.1 m a
    metre from 8 m; the ends of the reach are no banks."""
    after = moved(stage, terrain=valley(0.1) if stage > 0 else None)
    assert after.wetted.any() == (stage > 0)
    middle = np.abs(after.grid.x - LENGTH / 2) < 50
    assert np.ptp(after.bank_distance[middle]) > HALF - 2
    assert after.bank_distance[middle] == pytest.approx(edge_m - np.abs(after.grid.y[middle]), abs=0.45)


@pytest.mark.parametrize("stage", [-0.1, 0.2])
def test_behind_a_stone_the_water_stays_slack_at_another_level(stage):
    one, reach, depth, sd, before = run(stone=True)
    after = at_stage(one, reach, depth, sd, before, stage)
    lee, beside = after.grid.locate(np.array([82.0, 82.0]), np.array([0.1, 4.0]))
    was_lee, was_beside = reach.grid.locate(np.array([82.0, 82.0]), np.array([0.1, 4.0]))
    was = before.speed[was_lee] / before.speed[was_beside]
    assert was < 0.7
    assert after.speed.speed[lee] / after.speed.speed[beside] == pytest.approx(was, abs=0.05)


def test_land_behind_a_levee_stays_dry():
    terrain = valley(0.1)
    y = 40 - (np.arange(80) + 0.5)
    height = terrain.height_m.copy()
    height[(y > 9) & (y < 11)] = 2.0
    height[y > 11] = -1.0
    after = moved(0.25, terrain=Terrain(height, terrain.x0, terrain.y1, terrain.cell_m))
    assert after.grid.y.max() < 11


@pytest.mark.parametrize("flow_m3_s", [2.5, 6.0])
def test_another_flow_finds_its_level(flow_m3_s):
    """From the flow that was given, whatever the measured speeds have made of it."""
    one, reach, depth, sd, speed = run()
    after = at_stage(one, reach, depth, sd, replace(speed, solve_m3_s=5.0), flow_m3_s=flow_m3_s)
    assert after.speed.flow_m3_s == pytest.approx(flow_m3_s, rel=0.01)
    # Conveyance of a channel of one shape at one slope: Q ~ sum w d^(5/3).
    grown = np.sum(np.clip(depth + after.stage_m, 0, None) ** (5 / 3)) / np.sum(depth ** (5 / 3))
    assert grown == pytest.approx(flow_m3_s / 4.0, rel=0.02)


def test_the_same_level_changes_nothing():
    _, _, depth, _, before = run()
    after = moved(0.0, flow=4.0)
    assert after.stage_m == pytest.approx(0.0, abs=0.003)
    assert after.speed.speed == pytest.approx(before.speed, abs=0.01)
    assert after.depth == pytest.approx(depth, abs=0.003)


@pytest.mark.parametrize("stage", [-0.001, 0.001])
def test_a_hardly_other_level_changes_hardly_anything(stage):
    """Neither where the water is millimetres deep nor where far faster water was measured than was solved."""
    one, reach, depth, sd, before = run()
    measured = before.speed + np.where(before.speed < 0.3, 0.5, 0.0).astype(np.float32)
    assert (measured > 3.5 * before.speed).any()
    after = at_stage(one, reach, depth, sd, replace(before, speed=measured), stage)
    # Depths of some centimetres at the banks go by a fiftieth, and the flow over the reach by less.
    assert after.speed.speed == pytest.approx(measured, rel=0.03)
    shoal = np.where(np.abs(reach.grid.y) > 7, np.float32(0.004), depth)
    assert at_stage(one, reach, shoal, sd, before, stage).grid.n_wet == reach.grid.n_wet


def test_what_was_measured_beside_the_solve_shrinks_threefold_at_most():
    """By the banks, where nearly all of the depth goes."""
    one, reach, depth, sd, before = run()
    faster = replace(before, speed=before.speed + np.float32(0.5))
    more = at_stage(one, reach, depth, sd, faster, -0.12).speed.speed - moved(-0.12).speed.speed
    assert more.min() == pytest.approx(0.5 / 3, rel=1e-3)
    assert more.max() < 0.5


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"stage": 0.9}, r"\+0\.90 m is more than half the mean depth of 0\.\d\d m"),
        ({"stage": -0.5}, r"more than half the mean depth"),
        ({"stage": np.nan}, r"change of level of nan m"),
        ({"flow": 40.0}, r"40 m3/s lies outside 1\.60 to 10\.00 m3/s"),
        ({"flow": 9.5}, r"9\.5 m3/s needs a change of level of more than half the mean depth of 0\.55 m"),
        ({"flow": -1.0}, r"must be greater than 0"),
        ({"stage": 0.1, "flow": 5.0}, r"give one of them"),
        ({"stage": 0.25, "terrain": valley(0.01)}, r"over its banks"),
        ({"flow": 5.0, "known": None}, r"needs that of the survey"),
    ],
)
def test_what_the_survey_can_not_stand_for_is_refused_with_the_reason(change, message):
    with pytest.raises(SettingError, match=message):
        moved(**change)


def test_the_refusal_is_where_the_docstring_says():
    most = LARGEST_CHANGE * float(np.mean(run()[2]))
    with pytest.raises(SettingError, match=f"half the mean depth of {2 * most:.2f} m"):
        moved(1.01 * most)
    assert isinstance(moved(-0.5 * most).grid, Grid)


def test_a_level_that_leaves_too_little_of_the_flow_is_refused():
    """Of an even depth taken for the bed 0.26 m are left, which carry (0.26^(5/3)) / mean(d^(5/3)) of what ran here."""
    one, reach, depth, sd, speed = run()
    left = 0.26 ** (5 / 3) / np.mean(depth ** (5 / 3))
    assert left < 0.38
    with pytest.raises(SettingError, match=f"the flow would be {left:.2f} times the survey's; beyond 2.5 times"):
        at_stage(one, reach, np.full_like(depth, 0.5), sd, speed, -0.24)
