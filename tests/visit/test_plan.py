"""Lanes, stances and hours: where they may lie, and the arithmetic behind them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import reachmap
from reachmap.light import light_of_scenes
from reachmap.light.model import Body, DayLight
from reachmap.visit import plan_visit
from reachmap.visit.drift import drift_seconds, lane_count, lanes, lead_m
from reachmap.visit.plan import _best_start, _Span
from reachmap.visit.stand import AHEAD_DEG, shadow_lines
from reachmap.visit.wading import wading_class
from tests import published, toy

ROWS = published.load("visit")


@pytest.fixture(scope="module")
def run():
    """The toy result with a planned visit."""
    ch = toy.channel()
    made = toy.result(ch, days=light_of_scenes(ch, ch.beat.scenes))
    visit = plan_visit(ch, made.outlooks, made.lies, made.days)
    return ch, made, visit


def test_lead_and_lanes_by_arithmetic():
    ROWS["D2"].check([0.9 / 0.10, lead_m(0.9, 0.6, 0.10)])
    ROWS["D3"].check([lane_count(2, length, 30) for length in (1.0, 1.5, 2.0)])
    assert drift_seconds(3.048, 1.34112) == pytest.approx(2.2727, abs=1e-4)


def test_shadow_by_trigonometry():
    none, tall = np.zeros(1), np.array([10.0])
    [line] = shadow_lines(none, none, tall, 30, 180)
    ROWS["SHADOW"].check(line.length)
    assert line.coords[-1][1] > 17
    assert shadow_lines(none, none, tall, -1, 180).tolist() == [None]


@settings(max_examples=40)
@given(st.floats(0.2, 6), st.floats(0.2, 4))
def test_the_lanes_cover_the_lie(width, reach):
    assert lane_count(width, reach, 30) * 2 * reach * math.tan(math.radians(15)) >= width - 1e-6


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


@pytest.mark.parametrize("angle_deg", [0.0, 60.0, 90.0, 150.0, 210.0, 300.0])
def test_lanes_are_as_many_and_as_long_as_arithmetic_has_it_whichever_way_the_river_runs(run, angle_deg):
    """A square of still conditions, 6 m a side, that a fish sees 1.6 m of: a watched cone of 30 degrees is
    2 x 1.6 x tan 15 = 0.857 m wide, so 6.5 m would take 8 lanes, of which 4 are drawn, 1.5 m apart.

    At 0.4 m/s and 0.8 m of depth a fly sinking 0.1 m/s lands 0.8 / 0.1 x 0.4 = 3.2 m up, 2.1 m or 6.4 m if it sinks
    half as fast again or half as fast, and is in view for 1.6 / 0.4 = 4 s.
    """
    ch, made, _ = run
    turn, ones = math.radians(angle_deg), np.ones(ch.grid.n_wet, np.float32)
    east, north = math.cos(turn), math.sin(turn)
    still = ch.with_layers(
        flow_east=ones * east, flow_north=ones * north, drift_speed=ones * 0.4, depth=ones * np.float32(0.8)
    )
    still = replace(still, beat=replace(still.beat, visitor=replace(still.beat.visitor, sink_m_s=0.1)))
    along, across = ch.grid.x * east + ch.grid.y * north, ch.grid.y * east - ch.grid.x * north
    cells = np.flatnonzero((np.abs(along) < 3.0) & (np.abs(across) < 3.0))
    label = np.zeros(ch.grid.n_wet, np.float32)
    label[cells] = 1
    table = made.lies.table.loc[[1]].assign(x=0.0, y=0.0)
    found = lanes(still, made.first[1].sight, replace(made.lies, table=table, label=label), 30.0)
    assert list(found["lane"]) == [1, 2, 3, 4]
    for column, value in {"lead_m": 3.2, "lead_least_m": 2.1, "lead_most_m": 6.4, "in_view_s": 4.0}.items():
        assert found[column].to_numpy() == pytest.approx(value)
    middle = np.array([shapely.get_coordinates(line.interpolate(0.5, normalized=True))[0] for line in found.geometry])
    assert np.diff(np.sort(middle @ [-north, east])) == pytest.approx(1.5, abs=0.8)
    # Upstream as far as the fly lands and a metre more, 3 m below the lie, in steps of half a metre.
    for line in found.geometry:
        assert line.length == pytest.approx(3.2 + 1.0 + 3.0, abs=0.6)
        (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
        assert (x1 - x0) * east + (y1 - y0) * north == pytest.approx(line.length)


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


def test_wading_is_classed_by_daylight_and_after_dark_whatever_the_scene(run):
    ch, _, visit = run
    for name, dark in (("wading", False), ("wading_dark", True)):
        assert np.array_equal(visit.layers[name], wading_class(ch["depth"], ch["speed"], night=dark))
    assert (visit.layers["wading_dark"] >= visit.layers["wading"]).all()


def test_hours_are_scores(run):
    _, made, visit = run
    assert visit.hours.shape == (144, len(made.lies.table))
    assert visit.hours.to_numpy().min() >= 0
    assert visit.hours.to_numpy().max() <= 1
    # By day the eye is a day's, in a night of June hardly.
    assert visit.eye.index.equals(visit.hours.index)
    assert visit.eye.iloc[72] == 1
    assert visit.eye.min() < 0.5


def test_without_days_there_are_lanes_and_stances_but_no_hours_and_no_order(run):
    ch, made, full = run
    visit = plan_visit(ch, made.outlooks, made.lies)
    assert (len(visit.hours), len(visit.eye), [len(order) for order in visit.orders.values()]) == (0, 0, [0, 0])
    assert list(visit.order.columns) == list(full.order.columns)
    assert len(visit.lanes) == len(full.lanes)
    assert set(visit.stances["lie"]) <= set(made.lies.table.index)
    assert len(visit.stances)


def test_after_dark_one_begins_once_the_eye_has_switched_over(run):
    """Dark from six in the evening, when a fish's eye is still a day's; forty minutes later it is a night's."""
    _, made, _ = run
    steps = np.arange(144)
    day = lit(made.days["night"], lambda hour: -14.0 if hour >= 18 else 30.0)
    # Every minute later scores less, so that nothing but the eye speaks against beginning at once.
    score = pd.DataFrame(dict.fromkeys((1, 2, 3), 1.0 - steps / 200), index=pd.Index(day.times))
    eye = pd.Series(np.clip((112 - steps) / 4, 0, 1), index=score.index)
    span = _Span(made.outlooks["night"].light, day, score, score, eye)
    assert _best_start(span, [1, 2, 3], np.array([0, 2, 4])) == 6 * 18 + 4
    # By daylight as soon as the sun is up.
    noon = lit(made.day, lambda hour: 30.0 if 8 <= hour < 18 else -3.0)
    by_day = replace(span, light=made.first[1].light, day=noon)
    assert _best_start(by_day, [1, 2, 3], np.array([0, 2, 4])) == 6 * 8


@pytest.mark.parametrize(
    ("hour", "more"), [("13:00", {}), ("13:00", {"cloud": 7}), ("02:00", {}), ("02:00", {"town_glow_lux": 0.5})]
)
def test_the_hours_agree_with_the_scene_at_its_own(sample_folder, hour, more):
    """By night too, and under the glow of a town; the sample's lies are small enough to be looked at whole."""
    beat = reachmap.read_beat(sample_folder)
    first = beat.scenes[0]
    when = first.when.replace(hour=int(hour[:2]))
    made = reachmap.analyse(replace(beat, scenes=(replace(first, when=when, **more),)))
    hours = made.visit.hours.iloc[made.day.step_of(when)]
    np.testing.assert_allclose(hours, made.lies.scenes[first.name]["score"], atol=0.01)


@pytest.mark.parametrize("hour", [11, 17, 22])
def test_the_edge_of_the_shade_goes_with_the_hour(sample_folder, hour):
    """Hours asked for in the morning, under a clear sky, are those of a map of each hour itself."""

    def at(hour, **known):
        return reachmap.analyse(sample_folder, moment=reachmap.Moment(datetime(2026, 7, 30, hour), cloud=0), **known)

    made = at(11)
    then = at(hour, known=made.lies)
    hours = made.visit.hours.iloc[made.day.step_of(then.first[1].scene.when)]
    np.testing.assert_allclose(hours, then.lies.scenes[then.first[0]]["score"].loc[hours.index], atol=0.002)


@pytest.mark.parametrize("hour", ["13:00", "02:00"])
def test_by_energy_the_food_goes_with_the_light_of_every_hour(sample_folder, hour):
    """In murk, asked for at noon or at night: what the fish sees and so takes at dusk is that of dusk."""
    beat = reachmap.read_beat(sample_folder)
    first = replace(beat.scenes[0], cloud=1, water=replace(beat.scenes[0].water, clarity_m=0.5))

    def at(time, **known):
        when = first.when.replace(hour=int(time[:2]), minute=int(time[3:]))
        return reachmap.analyse(replace(beat, scenes=(replace(first, when=when),)), engine="energy", **known)

    made = at(hour)
    for time in ("13:00", "21:00", "21:30"):
        then = at(time, known=made.lies)
        hours = made.visit.hours.iloc[made.day.step_of(then.first[1].scene.when)]
        own = then.lies.scenes[first.name]["score"].loc[hours.index]
        np.testing.assert_allclose(hours, own, atol=0.01)
    assert own.max() < made.visit.hours.max().max() - 0.1, "dusk is no worse than any other hour, so this shows nothing"


def test_the_order_goes_upstream_and_forward_in_time(run):
    _, _, visit = run
    assert list(visit.order["lie"]) == sorted(visit.order["lie"])
    assert len(visit.order)


@pytest.mark.parametrize(("cast_m", "some"), [(7.0, True), (0.5, False)])
def test_the_order_leads_to_lies_that_can_be_met_or_says_that_none_can(run, cast_m, some):
    """From a bank alone and with a short cast, out of water that is a guess."""
    ch, made, _ = run
    beat = replace(ch.beat, visitor=replace(ch.beat.visitor, cast_m=cast_m))
    visit = plan_visit(replace(ch, beat=beat, depth_guessed=True), made.outlooks, made.lies, made.days)
    for name, order in visit.orders.items():
        known = set(visit.stances.loc[visit.stances["dark"] == (name == "night"), "lie"])
        assert bool(known) == some
        ranks = made.lies.scenes[name]["rank"]
        assert set(ranks.index[ranks > 0]) - known
        assert len(order)
        assert known.issuperset(order["lie"]) == some
        assert order["why"].str.endswith("; no place to stand was found").all() == (not some)


def lit(day: DayLight, altitude_deg: Callable[[float], float]) -> DayLight:
    """A day with the sun as high as a function of the hour says."""
    sun = tuple(Body(altitude_deg(when.hour + when.minute / 60), 180.0, 1e4) for when in day.times)
    return replace(day, sun=sun)


@pytest.mark.parametrize(
    ("scene", "inside", "outside", "first", "last"),
    [
        # Dark for three hours and never long enough for the eye, twilight about it.
        ("night", -8.0, 20.0, 0.5, 3.5),
        # Dark for an hour and a half: too short for all lies.
        ("night", -8.0, 20.0, 0.5, 2.0),
        # A winter's noon without a sun, but no darkness.
        ("sunny noon", -3.0, -20.0, 10.0, 14.0),
    ],
)
def test_an_order_keeps_to_the_light_of_its_scene_however_short_that_is(run, scene, inside, outside, first, last):
    """As long as the lies can be met in it, and as many of them as can be where they can't."""
    ch, made, _ = run
    one = light_of_scenes(ch, [s for s in ch.beat.scenes if s.name == scene])[scene]
    day = lit(one, lambda hour: inside if first <= hour < last else outside)
    outlook = made.outlooks[scene]
    sun = replace(outlook.light.sun, altitude_deg=inside)
    outlooks = {scene: replace(outlook, light=replace(outlook.light, sun=sun))}
    order = plan_visit(ch, outlooks, made.lies, {scene: day}).orders[scene]
    hours = order["step"].to_numpy() / 6
    met = int(((hours >= first) & (hours < last)).sum())
    assert hours[0] >= first
    # A lie takes twenty minutes, and one walks beside 120 m of water between them.
    assert met >= min(len(hours), (last - first) * 60 // 20.6)


@pytest.mark.parametrize(("share", "says"), [(255, "in the sun then"), (0, "in shade then")])
def test_the_order_tells_sun_or_shade_of_its_hour(run, share, says):
    ch, made, _ = run
    day, noon = replace(made.day, sun_share=np.full_like(made.day.sun_share, share)), made.day.times[72]
    order = plan_visit(ch, dict([made.first]), made.lies, {made.first[0]: day}, start=noon).order
    assert len(order) > 2
    assert order["why"].str.endswith(f"; {says}").all()
    # With six oktas nobody sees a shadow.
    name, outlook = made.first
    dull = replace(outlook, light=replace(outlook.light, scene=replace(outlook.scene, cloud=6)))
    order = plan_visit(ch, {name: dull}, made.lies, {name: day}, start=noon).order
    assert not order["why"].str.contains("sun|shade").any()


def test_the_order_leaves_twenty_minutes_a_lie_and_half_a_metre_a_second_between_them(run):
    """60 m upstream are two minutes of walking."""
    ch, made, _ = run
    start = made.day.times[48]
    order = plan_visit(ch, made.outlooks, made.lies, made.days, start=start).order
    along = made.lies.table.loc[order["lie"], "along_m"].to_numpy()
    assert (np.diff(along) < 0).all()
    minutes = 20 * np.arange(len(order)) + (along[0] - along) / 0.5 / 60
    assert order["when"].tolist() == [f"{start + timedelta(minutes=m):%H:%M}" for m in minutes]
    assert order["step"].tolist() == (48 + np.rint(minutes / 10)).astype(int).tolist()


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
