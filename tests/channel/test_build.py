"""The whole water of a beat: every layer, plain report, honest flags."""

from __future__ import annotations

import json
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely.affinity import rotate

from reachmap.channel import build_channel
from reachmap.errors import InputError, SettingError
from reachmap.layers import LAYERS
from tests import toy
from tests.channel.rivers import River, beat, survey


@pytest.fixture(scope="module")
def built():
    return build_channel(toy.beat(), cell_m=0.8)


def test_every_layer_of_the_room_is_there(built):
    names = {name for name, layer in LAYERS.items() if layer.room == "channel"}
    assert set(built.layers) == names
    for name in names - {"seam_distance"}:
        assert np.all(np.isfinite(built[name])), name


def test_depth_and_speed_of_the_toy_are_those_it_was_made_with(built):
    x, y = built.grid.x, built.grid.y
    assert np.sqrt(np.mean((built["depth"] - toy.toy_depth(x, y)) ** 2)) < 0.02
    clear = np.hypot(x - 13, y - 1) > 5
    assert np.sqrt(np.mean((built["speed"] - toy.toy_speed(x, y))[clear] ** 2)) < 0.06


def test_report_is_plain_and_names_what_was_measured(built):
    report = json.loads(json.dumps(dict(built.report)))
    assert report["heldout_depth"]["how"] == "whole cross-sections"
    assert set(report["heldout_depth"]) >= {"rmse", "bias", "n"}
    assert report["max_sounding_m"] == pytest.approx(built.beat.soundings.depth_m.max(), abs=1e-3)
    assert report["caps_assumed"] is False
    assert report["head_assumed"] is False


def test_seams_carry_their_columns_and_the_beats_crs(built):
    assert list(built.seams.columns)[:4] == ["contrast_m_s", "scale_m", "slow_side", "length_m"]
    assert built.seams.crs == built.beat.crs


def test_the_same_beat_gives_the_same_bytes(built):
    again = build_channel(toy.beat(), cell_m=0.8)
    for name, layer in built.layers.items():
        assert layer.tobytes() == again[name].tobytes(), name


def test_far_coordinates_change_no_depth():
    """The toy moved by the size of a national grid's numbers."""
    offset = np.array([512345.6, 6123456.7])
    near = toy.beat()
    far = replace(
        near,
        outline=shapely.transform(near.outline, lambda xy: xy + offset),
        soundings=near.soundings.set_geometry(near.soundings.translate(*offset)),
        cover=near.cover.set_geometry(near.cover.translate(*offset)),
        head=tuple(np.array(near.head) + offset),
        caps=tuple(tuple((np.reshape(cap, (2, 2)) + offset).ravel()) for cap in near.caps),
    )
    one, two = (build_channel(b, cell_m=1.0) for b in (near, far))
    assert np.abs(one["depth"] - two["depth"]).max() < 1e-3
    assert np.abs(one["along"] - two["along"]).max() < 1e-3


def test_an_outline_alone_gives_a_guess_that_says_so():
    river = River.make(240)
    channel = build_channel(beat(river.outline), cell_m=1.0)
    assert channel.depth_guessed
    assert channel.speed_relative
    assert channel.flow_m3_s is None
    assert not channel["confidence"].any()
    assert {"depth-guessed", "head-assumed", "caps-found", "speed-relative"} <= {f.code for f in channel.findings}
    assert "heldout_depth" not in channel.report


def test_an_outline_in_two_parts_becomes_one_channel():
    river = River.make(240)
    cut = shapely.LineString(river.at(np.array([120.0, 120.0]), np.array([-30.0, 30.0]))).buffer(1.0)
    x, y, depth, line = survey(river, "sections")
    whole, split = (
        build_channel(beat(shape, x, y, depth, line, caps=river.caps), cell_m=1.0)
        for shape in (river.outline, river.outline.difference(cut))
    )
    assert split.report["length_m"] == pytest.approx(whole.report["length_m"], rel=0.02)
    both = whole.grid.locate(split.grid.x, split.grid.y)
    same = both >= 0
    assert np.median(np.abs(split["depth"][same] - whole["depth"][both[same]])) < 0.02


def test_another_level_shifts_the_depth_and_keeps_the_place(built):
    lower = build_channel(toy.beat(), cell_m=0.8, stage_m=-0.1)
    assert lower.stage_m == -0.1
    was = built.grid.locate(lower.grid.x, lower.grid.y)
    assert np.all(was >= 0)
    assert np.allclose(lower["depth"], built["depth"][was] - 0.1, atol=1e-5)
    assert np.allclose(lower["along"], built["along"][was])
    assert lower.flow_m3_s < built.flow_m3_s


def test_a_cell_that_cannot_be_is_refused():
    with pytest.raises(SettingError, match="--cell 0"):
        build_channel(toy.beat(), cell_m=0)


def test_progress_names_the_steps_and_never_falls():
    steps = []
    build_channel(toy.beat(), cell_m=1.0, progress=lambda name, share: steps.append((name, share)))
    shares = [share for _, share in steps]
    assert shares == sorted(shares)
    assert shares[0] == 0.0
    assert shares[-1] == 1.0
    assert all(name for name, _ in steps)


def test_two_pools_far_apart_are_one_river_and_the_user_is_told():
    pools = shapely.union_all([shapely.box(0, 0, 60, 8), shapely.box(400, 0, 460, 8)])
    channel = build_channel(beat(pools), 0.5)
    assert channel.report["length_m"] == pytest.approx(460.0, rel=0.02)
    assert channel.report["width_m"] == pytest.approx(8.0, rel=0.02)
    assert channel.report["area_m2"] == pytest.approx(960.0, rel=0.01)
    (told,) = [finding for finding in channel.findings if finding.code == "parts-apart"]
    assert "340 m apart" in told.what


def test_an_end_narrower_than_the_water_before_it_is_told():
    """The open edge of a lake, drawn bulging, has no one straight line; ends drawn by hand are taken as they are."""
    side = np.array([(7, 0), (7, 80), (23, 100), (53, 120), (73, 160)])
    lake = shapely.Polygon(np.vstack([side * [-1, 1], [(0, 164)], side[::-1]]))
    (told,) = [finding for finding in build_channel(beat(lake), 2.0).findings if finding.code == "mouth"]
    assert told.severity == "warning"
    assert "tail end" in told.what + told.remedy or "head end" in told.what + told.remedy
    drawn = beat(lake, caps=((-7.0, 0.0, 7.0, 0.0), (73.0, 160.0, -73.0, 160.0)))
    for water in (drawn, beat(shapely.box(0, 0, 100, 14))):
        assert "mouth" not in {finding.code for finding in build_channel(water, 2.0).findings}


def test_cells_are_made_smaller_where_the_water_beside_an_island_is_narrower_than_one():
    brook = rotate(shapely.box(0, 0, 28, 1.6).difference(shapely.Point(14, 0.8).buffer(0.65)), 20)
    with pytest.raises(InputError, match="no water leads"):
        build_channel(beat(brook), 0.2)
    channel = build_channel(beat(brook))
    assert channel.grid.cell_m < 0.1
    assert channel.report["length_m"] == pytest.approx(28.0, rel=0.05)
    assert channel.report["area_m2"] == pytest.approx(brook.area, rel=0.02)


def test_a_strait_hardly_any_water_finds_through_is_worked_out_without_a_warning():
    water = shapely.box(0, 0, 100, 8).difference(shapely.box(40, 0.2, 60, 7.8))
    assert np.isfinite(build_channel(beat(water), 0.25)["speed"]).all()


def test_a_pier_and_a_boulder_that_stand_out_of_the_water_are_no_water():
    """Nobody measures a depth inside them; at a level that drowns the boulder there is water over it."""
    pier, boulder = shapely.box(-34, -4, -25, -1.8), shapely.Point(10, 2).buffer(1.5)
    rows = [("pier", pier, np.nan, np.nan), ("boulder", shapely.Point(10, 2), 3.0, 0.9)]
    kind, where, size, height = zip(*rows, strict=True)
    table = {"kind": kind, "size_m": size, "height_m": height, "note": ""}
    made = replace(toy.beat(), cover=gpd.GeoDataFrame(table, geometry=list(where), crs=toy.CRS_LOCAL))
    bare = build_channel(replace(made, cover=made.cover.iloc[:0]), cell_m=0.5)
    low, high = build_channel(made, cell_m=0.5), build_channel(made, cell_m=0.5, stage_m=0.2)

    def inside(channel, area):
        return shapely.contains_xy(area, channel.grid.x, channel.grid.y).sum() * 0.25

    assert inside(bare, pier) == pytest.approx(pier.area, rel=0.15)
    assert inside(low, pier) == inside(low, boulder) == inside(high, pier) == 0
    assert inside(high, boulder) == pytest.approx(boulder.area, rel=0.15)
    gone = bare.grid.n_wet - low.grid.n_wet
    assert gone * 0.25 == pytest.approx(pier.area + boulder.area, rel=0.15)
    for channel in (bare, low, high):
        assert channel.report["wet_cells"] == channel.grid.n_wet
        assert channel.report["area_m2"] == channel.grid.n_wet * 0.25
    # All else of the water stays, and the fish lie against the stone.
    was = bare.grid.locate(low.grid.x, low.grid.y)
    assert np.array_equal(low["depth"], bare["depth"][was])
    assert low["structure"].max() > 0.8


def test_a_large_boulder_nobody_knows_the_height_of_is_dry_and_the_user_is_told():
    table = {"kind": ["boulder"], "size_m": [3.0], "height_m": [np.nan], "note": [""]}
    made = replace(toy.beat(), cover=gpd.GeoDataFrame(table, geometry=[shapely.Point(10, 2)], crs=toy.CRS_LOCAL))
    channel = build_channel(made, cell_m=0.5)
    assert channel.grid.locate(np.array([10.0]), np.array([2.0]))[0] < 0
    (told,) = [finding for finding in channel.findings if finding.code == "stones-dry"]
    assert "(1)" in told.what
    whole = replace(made, cover=made.cover.assign(size_m=300.0, height_m=9.0))
    with pytest.raises(InputError, match="all of the water"):
        build_channel(whole, cell_m=1.0)


@pytest.mark.parametrize(("wide_m", "told"), [(4.0, ""), (15.0, "stand in the way"), (18.0, "right across")])
def test_stones_that_leave_the_water_hardly_a_way_are_told(wide_m, told):
    """In the toy's straight run of 16 m."""
    table = {"kind": ["pier"], "size_m": [np.nan], "height_m": [np.nan], "note": [""]}
    pier = shapely.box(9.4, -wide_m / 2, 10.6, wide_m / 2)
    channel = build_channel(
        replace(toy.beat(), cover=gpd.GeoDataFrame(table, geometry=[pier], crs=toy.CRS_LOCAL)), cell_m=0.25
    )
    found = [finding.what for finding in channel.findings if finding.code == "stones-block"]
    assert len(found) == bool(told)
    assert all(told in what for what in found)
    assert np.isfinite(channel["speed"]).all()


@pytest.mark.parametrize("kind", ["boulder", "pier"])
@pytest.mark.parametrize("place", [shapely.box(5, -3, 12, 3), shapely.LineString([(0, -5), (12, 5)])])
def test_a_field_of_boulders_or_a_jetty_on_piles_keeps_its_water(kind, place):
    """Whatever is much larger than one stone, or drawn as a row, has water in it."""
    table = {"kind": [kind], "size_m": [3.0], "height_m": [np.nan], "note": [""]}
    made = replace(toy.beat(), cover=gpd.GeoDataFrame(table, geometry=[place], crs=toy.CRS_LOCAL))
    bare = build_channel(replace(made, cover=made.cover.iloc[:0]), cell_m=1.0)
    channel = build_channel(made, cell_m=1.0)
    assert channel.grid.n_wet == bare.grid.n_wet
    assert not [finding for finding in channel.findings if finding.code == "stones-dry"]
