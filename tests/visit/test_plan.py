"""Lanes, stances and hours: where they may lie, and the arithmetic behind them."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import ephem
import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import reachmap
from reachmap.channel import build_channel
from reachmap.light import light_of_scenes, sun_and_moon
from reachmap.visit import plan_visit
from reachmap.visit.drift import STEP_M, drift_seconds, lane_count, lanes, lead_m
from reachmap.visit.stand import AHEAD_DEG, shadow_lines
from reachmap.visit.wading import wading_class
from tests import published, toy

ROWS = published.load("visit")


def test_lead_and_lanes_by_arithmetic():
    ROWS["D2"].check([0.9 / 0.10, lead_m(0.9, [0.6], 0.10)])
    ROWS["D3"].check([lane_count(2, length, 30) for length in (1.0, 1.5, 2.0)])
    assert drift_seconds(3.048, 1.34112) == pytest.approx(2.2727, abs=1e-4)


def test_the_lead_is_added_up_along_the_lane():
    """In water that slows down evenly toward the lie, v = 0.1 + 0.1 s, a fly lands (exp(0.1 t) - 1) up in t seconds:
    1.72 m in 10 s, 0.95 m in 6.67 and 6.39 m in 20 s; in steps of half a metre to 3 %. Beyond the last known speed the
    water goes on as fast."""
    speed = 0.1 + 0.1 * STEP_M * np.arange(20)
    exact = np.expm1(0.1 * 0.8 / np.array([0.08, 0.12, 0.04]))
    np.testing.assert_allclose(lead_m(0.8, speed, [0.08, 0.12, 0.04]), exact, rtol=0.03)
    assert lead_m(0.8, speed[:3], 0.04) == pytest.approx(1.0 + (20 - 10 * np.log(2.0)) * 0.2, rel=0.01)


def test_shadow_by_trigonometry():
    none, tall = np.zeros(1), np.array([10.0])
    [line] = shadow_lines(none, none, tall, 30, 180)
    ROWS["SHADOW"].check(line.length)
    assert line.coords[-1][1] > 17
    assert shadow_lines(none, none, tall, -1, 180).tolist() == [None]


@settings(max_examples=40)
@given(st.floats(0.2, 6), st.floats(0.2, 4), st.floats(20, 120))
def test_the_lanes_cover_the_lie_and_are_no_more_than_that_takes(width, reach, view):
    count, cone = lane_count(width, reach, view), 2 * reach * math.tan(math.radians(view / 2))
    assert count * cone >= width - 1e-6
    assert (count - 1) * cone < width


def test_no_lane_lies_on_land(run):
    ch, _, visit = run
    assert len(visit.lanes)
    water = ch.beat.outline.buffer(0.5)
    for line in visit.lanes.geometry:
        assert water.covers(line)
        cells = ch.grid.locate(*shapely.get_coordinates(line).T)
        assert (cells >= 0).all()


def test_lanes_run_with_the_current(run):
    _, _, visit = run
    for line in visit.lanes.geometry:
        (x0, _), (x1, _) = line.coords[0], line.coords[-1]
        assert x1 > x0


def test_lanes_go_through_their_lie_whatever_its_shape(run):
    """One that lies slantwise across the current, with its tag at one end."""
    ch, made, _ = run
    cells = np.flatnonzero((np.abs(ch.grid.x - ch.grid.y - 10.0) < 0.8) & (np.abs(ch.grid.y) < 4.0))
    patch = shapely.MultiPoint(ch.grid.points(cells)).buffer(ch.grid.cell_m)
    label = np.zeros(ch.grid.n_wet, np.float32)
    label[cells] = 1
    table = made.lies.table.loc[[1]].assign(x=6.0, y=-4.0).set_geometry([patch], crs=ch.beat.crs)
    slant = lanes(ch, made.first[1].sight, replace(made.lies, table=table, label=label), 30.0)
    assert len(slant) > 1
    assert slant.geometry.intersects(patch).all()
    # As far apart as can be: 8 m across, shared out evenly.
    at = np.sort([line.intersection(patch).centroid.y for line in slant.geometry])
    np.testing.assert_allclose(np.diff(at), 8.0 / len(at), atol=1.0)


@pytest.mark.parametrize(
    ("angle_deg", "half_m", "count"), [(0, 3, 4), (60, 1, 3), (90, 3, 4), (150, 1, 3), (210, 1, 3), (300, 3, 4)]
)
def test_lanes_are_as_many_and_as_long_as_arithmetic_has_it_whichever_way_the_river_runs(run, angle_deg, half_m, count):
    """A stretch of still conditions, 8 m long and 6 or 2 m wide, that a fish sees 1.6 m of: a watched cone of 30
    degrees is 2 x 1.6 x tan 15 = 0.857 m wide, so 6.5 m would take 8 lanes, of which 4 are drawn, 1.5 m apart, and
    2.5 m take 3.

    At 0.4 m/s and 0.8 m of depth a fly sinking 0.1 m/s lands 0.8 / 0.1 x 0.4 = 3.2 m up, 2.1 m or 6.4 m if it sinks
    half as fast again or half as fast, and is in view for 1.6 / 0.4 = 4 s.
    """
    ch, made, _ = run
    turn, ones = math.radians(angle_deg), np.ones(ch.grid.n_wet, np.float32)
    east, north = math.cos(turn), math.sin(turn)
    still = ch.with_layers(
        flow_east=ones * east,
        flow_north=ones * north,
        drift_speed=ones * 0.4,
        speed=ones * 0.4,
        depth=ones * np.float32(0.8),
    )
    still = replace(still, beat=replace(still.beat, visitor=replace(still.beat.visitor, sink_m_s=0.1)))
    along, across = ch.grid.x * east + ch.grid.y * north, ch.grid.y * east - ch.grid.x * north
    cells = np.flatnonzero((np.abs(along) < 4.0) & (np.abs(across) < half_m))
    label = np.zeros(ch.grid.n_wet, np.float32)
    label[cells] = 1
    table = made.lies.table.loc[[1]].assign(x=0.0, y=0.0)
    found = lanes(still, made.first[1].sight, replace(made.lies, table=table, label=label), 30.0)
    assert list(found["lane"]) == [1, 2, 3, 4][:count]
    told = {"lead_m": 3.2, "lead_least_m": 2.1, "lead_most_m": 6.4, "in_view_s": 4.0, "drift_m_s": 0.4}
    for column, value in told.items():
        assert found[column].to_numpy() == pytest.approx(value)
    middle = np.array([shapely.get_coordinates(line.interpolate(0.5, normalized=True))[0] for line in found.geometry])
    shared_out = (np.arange(count) + 0.5) * 2 * half_m / count - half_m
    assert np.sort(middle @ [-north, east]) == pytest.approx(shared_out, abs=0.5)
    # Upstream as far as the fly lands and a metre more, 3 m below a place by the tag, in steps of half a metre.
    for line in found.geometry:
        assert line.length == pytest.approx(3.2 + 1.0 + 3.0, abs=0.6)
        (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
        assert (x1 - x0) * east + (y1 - y0) * north == pytest.approx(line.length)
        assert x1 * east + y1 * north == pytest.approx(3.0, abs=1.6)


def below_a_stone(made, kind: str, height_m: float, west_m: float) -> gpd.GeoDataFrame:
    """Lanes of a lie 2 m a side in the toy water, which flows east, that begins so far west, below a stone at x = 10 m
    of 3 m across."""
    table = {"kind": [kind], "size_m": [3.0], "height_m": [height_m], "note": [""]}
    where = gpd.GeoDataFrame(table, geometry=[shapely.Point(10, 2)], crs=toy.CRS_LOCAL)
    ch = build_channel(replace(toy.beat(), cover=where), cell_m=0.25)
    cells = np.flatnonzero((np.abs(ch.grid.x - west_m - 1.0) < 1.0) & (np.abs(ch.grid.y - 2.0) < 1.0))
    label = np.zeros(ch.grid.n_wet, np.float32)
    label[cells] = 1
    lie = made.lies.table.loc[[1]].assign(x=west_m + 0.5, y=2.0)
    lies = replace(made.lies, table=lie, label=label)
    return lanes(ch, toy.sight(ch, toy.light(ch, ch.beat.scenes[0])), lies, 30.0)


def test_no_cast_is_told_to_where_a_stone_stands(run):
    """Of what stands out of the water; over a boulder that doesn't a fly drifts."""
    _, made, _ = run
    for kind, height in (("boulder", 9.0), ("pier", math.nan)):
        near = below_a_stone(made, kind, height, 11.6)
        shut = near[near["shut_by"] == kind]
        assert len(shut) > len(near) / 2, "all but one that comes past the side of it"
        assert shut[["lead_m", "lead_least_m", "lead_most_m"]].isna().all().all()
        # The stone ends at x = 11.5 m, the lie's tag stands at 12.1 m.
        assert shut["shut_within_m"].between(0.5, 1.5).all()
        assert (near.loc[near["shut_by"] == "", "lead_m"] > 0).all()
    drowned = below_a_stone(made, "boulder", 0.1, 11.6)
    assert list(drowned["shut_by"]) == [""] * len(drowned)
    assert drowned[["lead_m", "lead_least_m", "lead_most_m"]].notna().all().all()


def test_a_slow_fly_is_not_cast_onto_the_stone_either(run):
    """Straight below it, where one of the usual kind has room; past its side either has."""
    _, made, _ = run
    far = below_a_stone(made, "boulder", 9.0, 13.5)
    straight = np.array([line.bounds[1] > 1.0 for line in far.geometry])
    assert far.loc[straight, "lead_m"].max() < 14.0 - 11.5
    assert (far.loc[straight, "lead_most_m"] <= 14.0 - 11.5 + 0.5).all()
    assert (far.loc[~straight, "lead_most_m"] > 4.0).all()
    assert straight.any()
    assert not straight.all()


def test_stances_are_safe_behind_the_fish_and_throw_no_shadow_on_it(run):
    ch, made, visit = run
    assert len(visit.stances)
    bodies = dict(zip([f"{t:%H:%M}" for t in made.day.times], made.day.sun, strict=True))
    for stance in visit.stances.itertuples():
        lie = made.lies.table.loc[stance.lie]
        cell = int(ch.grid.locate(np.array([stance.geometry.x]), np.array([stance.geometry.y]))[0])
        if cell >= 0:
            assert visit.layers["wading"][cell] < 3
            # Nor where it is likely enough to be deeper or faster than it looks: 1.645 standard errors hold 95 of 100.
            deep, fast = (ch[name][cell] + 1.645 * ch[f"{name}_sd"][cell] for name in ("depth", "speed"))
            assert wading_class(deep, fast, night=stance.dark) == stance.wading < 3
            assert visit.layers["redd"][cell] == 0
        # The toy river flows east, so its fish look west.
        turn = math.degrees(math.atan2(stance.geometry.y - lie["y"], stance.geometry.x - lie["x"]))
        assert 180 - abs(turn) >= AHEAD_DEG - 1e-6
        # A bank 0.3 m high carries one higher above the water (assumed), and who wades rises less.
        above = (0.9 if stance.how == "kneeling" else 1.8) + (0.3 if cell < 0 else -ch["depth"][cell])
        height, sun = np.array([above]), bodies[stance.when]
        x, y = (np.array([value]) for value in (stance.geometry.x, stance.geometry.y))
        [shadow] = shadow_lines(x, y, height, sun.altitude_deg, sun.azimuth_deg)
        assert shadow is None or not shadow.intersects(lie.geometry)


def test_a_lie_outside_the_order_is_met_at_the_hour_of_the_scene(run):
    """What the map shows first is what its stances are worked out for; after dark there are others."""
    ch, made, _ = run
    zone, poor = ZoneInfo(ch.beat.time_zone), made.lies.table.index[-1]
    scenes = {
        name: table.assign(rank=table["rank"].where(table.index != poor, 0)) for name, table in made.lies.scenes.items()
    }
    visit = plan_visit(ch, made.outlooks, replace(made.lies, scenes=scenes), made.days)
    assert poor in set(visit.stances["lie"])
    for stance in visit.stances.itertuples():
        name = "night" if stance.dark else made.first[0]
        order = visit.orders[name].set_index("lie")["step"]
        when = made.outlooks[name].scene.when.astimezone(zone)
        when = made.days[name].times[order[stance.lie]] if stance.lie in order else when
        assert stance.when == f"{when:%H:%M}"
    assert all(len(order) and poor not in set(order["lie"]) for order in visit.orders.values())
    for lie, own in visit.stances.groupby("lie"):
        assert list(own["dark"]) == sorted(own["dark"]), "those of the hour it is met at come first"
        assert set(own["dark"]) == {False, True}, lie
        assert own.loc[own["dark"], "reason"].str.contains("in the dark").all()


def test_without_a_scene_after_dark_there_are_stances_for_the_darkest_hour(run):
    ch, made, _ = run
    first = dict([made.first])
    visit = plan_visit(ch, first, made.lies, made.days)
    lowest = made.day.times[int(np.argmin([sun.altitude_deg for sun in made.day.sun]))]
    assert set(visit.stances.loc[visit.stances["dark"], "when"]) == {f"{lowest:%H:%M}"}
    assert set(visit.stances.loc[visit.stances["dark"], "lie"]) == set(visit.stances["lie"])
    assert list(visit.seen) == list(first)


def test_stances_of_every_date_are_worked_out_for_its_own_sun(run):
    """In Trondheim's latitude in June, when it is never dark, and in December, when it hardly is day: by the sun as an
    almanac has it."""
    ch, made, _ = run
    beat, when = replace(ch.beat, lat=63.4), datetime(2026, 12, 21, 12, 10, tzinfo=UTC)
    june = made.first[1].scene
    soon, winter = (replace(june, name=str(then), when=then) for then in (june.when + timedelta(days=5), when))
    scenes = {scene.name: scene for scene in (june, soon, winter)}
    north = replace(ch, beat=replace(beat, scenes=tuple(scenes.values())))
    sun = {name: sun_and_moon(scene.when, beat.lat, beat.lon)[0] for name, scene in scenes.items()}
    outlooks = {
        name: replace(made.first[1], light=replace(made.first[1].light, scene=scene, sun=sun[name]))
        for name, scene in scenes.items()
    }
    lies = replace(made.lies, scenes=dict.fromkeys(scenes, made.lies.scenes[june.name]))
    visit = plan_visit(north, outlooks, lies, light_of_scenes(north, scenes.values()))
    summer, short = "2026-06-20, 2026-06-25", "2026-12-21"
    assert set(visit.stances["dates"]) == {summer, short}
    lights = visit.stances.groupby("dates")["dark"].agg(set)
    assert (lights[summer], lights[short]) == ({False}, {False, True})
    for stance in visit.stances.itertuples():
        for day in stance.dates.split(", "):
            then = datetime.fromisoformat(f"{day} {stance.when}").replace(tzinfo=ZoneInfo(beat.time_zone))
            there = ephem.Observer()
            there.lat, there.lon, there.pressure = str(beat.lat), str(beat.lon), 0
            there.date = then.astimezone(UTC).replace(tzinfo=None)
            assert (math.degrees(ephem.Sun(there).alt) < -6) == stance.dark, (day, stance.when)


def test_redds_bar_nobody_on_the_dates_out_of_their_season(run):
    ch, made, _ = run
    june = made.first[1]
    scene = replace(june.scene, name="october", when=june.scene.when.replace(month=10))
    both = {june.scene.name: june, "october": replace(june, light=replace(june.light, scene=scene))}
    lies = replace(made.lies, scenes=dict.fromkeys(both, made.lies.scenes[june.scene.name]))
    alone, mixed = (plan_visit(ch, some, lies).stances for some in ({june.scene.name: june}, both))
    by_date = {dates: rows.drop(columns="dates").reset_index(drop=True) for dates, rows in mixed.groupby("dates")}
    assert set(by_date) == {"2026-06-20", "2026-10-20"}
    assert by_date["2026-06-20"].equals(alone.drop(columns="dates"))
    assert not by_date["2026-10-20"].equals(alone.drop(columns="dates"))


def test_where_the_river_goes_on_above_a_part_of_it_no_land_shuts_a_lane(run):
    """The toy water as the lower of two parts: its upper end is no bank."""
    ch, made, _ = run
    table = made.lies.table.iloc[:1].assign(x=-58.0, y=0.0)
    lower = ch.with_layers(along=ch["along"] + 60)
    label = np.where(np.hypot(ch.grid.x + 58, ch.grid.y) < 1, np.float32(table.index[0]), np.float32(0))
    lies = replace(made.lies, table=table, label=label)
    found = lanes(lower, made.first[1].sight, lies, 30.0)
    assert len(found)
    assert (found["shut_by"] == "").all()
    assert found["lead_m"].notna().all()


def test_wading_is_classed_by_daylight_and_after_dark_whatever_the_scene(run):
    ch, _, visit = run
    for name, dark in (("wading", False), ("wading_dark", True)):
        assert np.array_equal(visit.layers[name], wading_class(ch["depth"], ch["speed"], night=dark))
    assert (visit.layers["wading_dark"] >= visit.layers["wading"]).all()


def test_without_days_there_are_lanes_and_stances_but_no_hours_and_no_order(run):
    ch, made, full = run
    visit = plan_visit(ch, made.outlooks, made.lies)
    assert (len(visit.hours), len(visit.eye), [len(order) for order in visit.orders.values()]) == (0, 0, [0, 0])
    assert list(visit.order.columns) == list(full.order.columns)
    assert len(visit.lanes) == len(full.lanes)
    assert set(visit.stances["lie"]) <= set(made.lies.table.index)
    assert len(visit.stances)


def test_what_the_fish_sees_is_said_for_every_lie(run):
    _, made, visit = run
    assert list(visit.seen) == list(visit.orders) == [next(iter(made.outlooks)), "night"]
    night = made.days["night"]
    assert len(visit.orders["night"])
    assert all(night.sun[step].altitude_deg < -6 for step in visit.orders["night"]["step"])
    for seen in visit.seen.values():
        assert set(seen) == set(made.lies.table.index)
        assert all({"range_m", "seconds", "eye", "colours"} <= set(v) for v in seen.values())
    assert {v["eye"] for v in visit.seen["night"].values()} == {"night eye"}


def test_a_fly_that_is_seen_is_not_said_to_fade(sample_folder):
    """Black and white set off from the water more than the fly whose range is told, by day and under a full moon."""
    visit = reachmap.analyse(sample_folder).visit
    told = [fly for seen in visit.seen.values() for fly in seen.values() if fly["range_m"] > 0.1]
    assert {fly["eye"] for fly in told} == {"day eye", "night eye"}
    for fly in told:
        assert fly["colours_at_m"] == min(fly["range_m"], 1.0)
        assert fly["colours"]["black"] == "shows dark"
        assert fly["colours"]["white"] == "shows light"
