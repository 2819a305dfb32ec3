"""The order to fish the lies in: when it begins, where it leads, what it says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
import shapely

from reachmap.light import light_of_scenes
from reachmap.light.model import Body, DayLight
from reachmap.visit import plan_visit
from reachmap.visit.order import best_start
from reachmap.visit.span import Span
from reachmap.write.summary import order_words


def lit(day: DayLight, altitude_deg: Callable[[float], float]) -> DayLight:
    """A day with the sun as high as a function of the hour says."""
    sun = tuple(Body(altitude_deg(when.hour + when.minute / 60), 180.0, 1e4) for when in day.times)
    return replace(day, sun=sun)


def test_after_dark_one_begins_once_the_eye_has_switched_over(run):
    """Dark from six in the evening, when a fish's eye is still a day's; forty minutes later it is a night's."""
    _, made, _ = run
    steps = np.arange(144)
    day = lit(made.days["night"], lambda hour: -14.0 if hour >= 18 else 30.0)
    # Every minute later scores less, so that nothing but the eye speaks against beginning at once.
    score = pd.DataFrame(dict.fromkeys((1, 2, 3), 1.0 - steps / 200), index=pd.Index(day.times))
    eye = pd.Series(np.clip((112 - steps) / 4, 0, 1), index=score.index)
    span = Span(made.outlooks["night"].light, day, score, score, eye)
    assert best_start(span, [1, 2, 3], np.array([0, 2, 4])) == 6 * 18 + 4
    # By daylight as soon as the sun is up.
    noon = lit(made.day, lambda hour: 30.0 if 8 <= hour < 18 else -3.0)
    by_day = replace(span, light=made.first[1].light, day=noon)
    assert best_start(by_day, [1, 2, 3], np.array([0, 2, 4])) == 6 * 8


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


def test_where_nobody_gets_across_an_order_keeps_to_the_bank_that_more_can_be_met_from(run):
    """The toy water flows east, so its true left bank lies north."""
    ch, made, _ = run
    middle = np.abs(ch.grid.y) < 2
    deep = ch.with_layers(depth=np.where(middle, np.float32(2.0), ch["depth"]))
    visit = plan_visit(deep, made.outlooks, made.lies, made.days)
    for name, order in visit.orders.items():
        stands = visit.stances[visit.stances["dark"] == (name == "night")]
        there = np.where(stands.geometry.y > 0, "left", "right")
        assert (
            stands["reason"]
            == [
                f"{why.partition(', from')[0]}, from the {bank} bank"
                for why, bank in zip(stands["reason"], there, strict=True)
            ]
        ).all()
        ordered = stands["lie"].isin(order["lie"])
        assert set(there[ordered]) == {order.attrs["bank"]}
        assert set(stands["lie"][ordered]) == set(order["lie"])
        assert f"all from the {order.attrs['bank']} bank" in order_words(replace(made, visit=visit), name).lower()
        # Turned upside down the other bank is the better one.
        mirrored = deep.with_layers(across=-deep["across"])
        other = plan_visit(mirrored, made.outlooks, made.lies, made.days).orders[name]
        assert list(other["lie"]) == list(order["lie"])
        assert {other.attrs["bank"], order.attrs["bank"]} == {"left", "right"}
    assert not any("bank" in order_words(made, name) for name in made.visit.orders)


def test_an_order_that_runs_into_the_dark_crosses_no_water_that_nobody_should_wade_then(run):
    """Thigh-deep at half a metre a second: strong care by day, not to be waded in the dark."""
    ch, made, _ = run
    middle = np.abs(ch.grid.y) < 2
    deep = ch.with_layers(
        depth=np.where(middle, np.float32(0.9), np.minimum(ch["depth"], np.float32(0.3))),
        speed=np.where(middle, np.float32(0.5), np.float32(0.2)),
        **{name: np.zeros(ch.grid.n_wet, np.float32) for name in ("depth_sd", "speed_sd")},
    )
    day = made.days["sunny noon"]
    dusk = next(when for when, sun in zip(day.times, day.sun, strict=True) if when.hour > 12 and sun.altitude_deg < -4)
    for start, bank in ((day.times[72], {"either"}), (dusk, {"left", "right"})):
        order = plan_visit(deep, made.outlooks, made.lies, made.days, start=start).orders["sunny noon"]
        assert len(order) > 2
        assert order.attrs["bank"] in bank


@pytest.mark.parametrize(("north_m", "bank"), [(8.0, "right"), (-13.0, "left")])
def test_the_order_is_met_from_the_bank_that_is_open(run, north_m, bank):
    """A hedge along all of the other, out of water that is a guess."""
    ch, made, _ = run
    hedge = ch.beat.shade.iloc[:1].assign(kind="hedge", base_m=0.0, radius_m=np.nan)
    hedge = hedge.set_geometry([shapely.box(-70, north_m, 70, north_m + 5)], crs=ch.beat.shade.crs)
    behind = replace(ch, beat=replace(ch.beat, shade=hedge), depth_guessed=True)
    for order in plan_visit(behind, made.outlooks, made.lies, made.days).orders.values():
        assert order.attrs["bank"] == bank


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
