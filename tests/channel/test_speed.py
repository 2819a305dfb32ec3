"""Speed of a whole reach against a truth written down in closed form, and every source of the flow."""

from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from unittest import mock

import geopandas as gpd
import numpy as np
import pytest
import shapely

from reachmap.channel import build_channel
from reachmap.channel.choice import AVERAGE, FITTED, KRIGING, Choice, choose
from reachmap.channel.ground import lay_ground
from reachmap.channel.passing import Passing
from reachmap.channel.reach import Reach
from reachmap.channel.speed import find_speed
from tests import toy
from tests.benchmarks.speed import FLOW_M3_S, WAYS, errors, surveyed, true_speed
from tests.channel.rivers import River, beat, survey

RIVER = River.make()


@cache
def laid(style: str, share: float):
    """What `find_speed` is given for a surveyed river; the depth is worked out once for all tests."""
    with mock.patch("reachmap.channel.build.find_speed", side_effect=find_speed) as called:
        build_channel(surveyed(RIVER, style, share, seed=1, gps=0.05), cell_m=1.0)
    return called.call_args


def made(style="sections", share=0.0, points=None, **change):
    """Speeds of a surveyed river with something changed, and the true speed."""
    one, reach, soundings, *rest = (call := laid(style, share)).args
    result = find_speed(replace(one, **change), reach, points or soundings, *rest, **call.kwargs)
    return result, true_speed(RIVER, *RIVER.channel(reach.grid.x, reach.grid.y))


def rmse(a, b):
    return float(np.sqrt(np.mean((a - b) ** 2)))


def test_depths_and_a_flow_alone_give_the_speed():
    ch, truth = made()
    assert ch.report["flow_from"] == "given"
    assert ch.flow_m3_s == FLOW_M3_S
    assert not ch.relative
    assert np.corrcoef(ch.speed, truth)[0, 1] > 0.9
    assert rmse(ch.speed, truth) < 0.25 * truth.mean()
    assert np.mean(np.abs(ch.speed - truth) <= 1.645 * ch.speed_sd) > 0.85


def test_measured_speeds_give_the_flow_where_none_is_known():
    # Points without a line make no cross-section, so the flow can only be fitted.
    ch, truth = made("zigzag", 0.3, flow_m3_s=None)
    assert ch.report["flow_from"] == "measured speeds"
    assert ch.flow_m3_s == pytest.approx(FLOW_M3_S, rel=0.15)
    assert rmse(ch.speed, truth) < 0.25 * truth.mean()


@pytest.mark.parametrize(("style", "share"), [("zigzag", 0.3), ("wading", 1.0)])
def test_where_speeds_were_measured_their_error_is_no_smaller_than_said_and_not_much_larger(style, share):
    """Wading is judged by the upper end of the band: nine tenths of the truth lie in it, and it isn't twice as wide."""
    ch, truth = made(style, share)
    assert ch.report["speed_kriging_weight"] > 0
    assert np.mean(np.abs(ch.speed - truth) <= 1.645 * ch.speed_sd) > 0.9
    assert 1.0 < np.sqrt(np.mean(ch.speed_sd**2)) / rmse(ch.speed, truth) < 2.0


@pytest.mark.parametrize("cell_m", [0.5, 2.0])
def test_speeds_that_fit_the_depths_are_not_called_at_odds_whatever_the_cells(cell_m):
    ch = build_channel(replace(surveyed(RIVER, "zigzag", 0.3, seed=1, gps=0.05), flow_m3_s=None), cell_m=cell_m)
    assert ch.report["flow_from"] == "measured speeds"
    assert not any(f.code == "flow-at-odds" for f in ch.findings)


def test_as_much_water_runs_through_a_neck_as_elsewhere_though_no_speed_was_measured_in_it():
    """Continuity. Along one bank the water is faster than the solve has it, so that kriging is chosen."""
    rng = np.random.default_rng(1)
    half = {"xp": [0, 52, 56, 64, 68, 120], "fp": [6, 6, 2.5, 2.5, 6, 6]}
    shape = 1 - np.linspace(-1, 1, 2001) ** 4

    def bed(x, share):
        return 0.7 * (1 - np.abs(share) ** 4)

    def pattern(share):
        return (1 + 0.55 * share) * (1 - np.abs(share) ** 4)

    x, share = (a.ravel() for a in np.meshgrid(np.arange(4.0, 120, 6), np.linspace(-0.9, 0.9, 9), indexing="ij"))
    y, depth = share * np.interp(x, **half), bed(x, share)
    fast = FLOW_M3_S / (12 * 0.7 * np.mean(shape * pattern(np.linspace(-1, 1, 2001))))
    timed = (np.arange(len(x)) // 9 % 2 == 0) & ((x < 50) | (x > 70))
    speed = np.where(timed, fast * pattern(share) * rng.normal(1, 0.03, len(x)), np.nan)
    sides = np.linspace(0, 120, 121)
    outline = shapely.Polygon(
        [
            *zip(sides, np.interp(sides, **half), strict=True),
            *zip(sides[::-1], -np.interp(sides[::-1], **half), strict=True),
        ]
    )
    line = [f"x{at:.0f}" for at in x]
    ch = build_channel(beat(outline, x, y, depth, line, speed, head=(0.0, 0.0)), cell_m=0.25)
    assert ch.report["speed_choice"] == KRIGING
    carried = ch["speed"] * ch["flow_east"] * ch["depth"] * ch.grid.cell_m
    for low, high in ((20, 40), (58, 62), (80, 100)):
        within = (ch.grid.x > low) & (ch.grid.x < high)
        assert carried[within].sum() * ch.grid.cell_m / (high - low) == pytest.approx(FLOW_M3_S, rel=0.12), low


def in_wakes(share: float):
    """`lay_ground` with this wake everywhere."""

    def laid_with(*args):
        ground = lay_ground(*args)
        return replace(ground, wake=np.full_like(ground.wake, share))

    return mock.patch("reachmap.channel.speed.lay_ground", laid_with)


def test_a_wake_slows_the_water_and_makes_it_less_sure():
    """By a known flow alone speeds are unsure by 0.35 of themselves, and a wake by 0.3 of what it takes."""
    plain, _ = made()
    with in_wakes(0.5):
        slowed, _ = made()
    assert plain.speed_sd == pytest.approx(0.35 * plain.speed)
    assert slowed.speed == pytest.approx(0.5 * plain.speed)
    assert slowed.speed_sd == pytest.approx(np.hypot(0.35 * 0.5, 0.3 * 0.5) * plain.speed)


def test_what_the_choice_is_told_of_every_speed():
    """The solve at 1 m3/s by Manning's law at the depth of the map, the depth sounded and that without its section;
    the wake divided out; and its section by continuity, with as much more room as the section's own depths made.
    Water is a centimetre deep at least."""
    call = laid("zigzag", 0.3)
    reach, points, depth, unseen_m = (*call.args, *call.kwargs.values())[1:]
    with in_wakes(0.2), mock.patch("reachmap.channel.speed.choose", side_effect=choose) as called:
        ground = made("zigzag", 0.3)[0].ground
    told, used = called.call_args.args[0], np.isfinite(points.speed_m_s)
    cell, place = reach.grid.locate(points.x, points.y)[used], points.places
    for solved, deep in ((told.sounded, points.depth_m), (told.unseen, unseen_m)):
        law = np.maximum(deep[used], 0.01) ** (2 / 3) / ground.manning_n
        assert solved == pytest.approx(ground.root[cell] * law, rel=1e-4)
    assert told.here == pytest.approx(ground.unit_speed[cell])
    assert told.speed == pytest.approx(points.speed_m_s[used] / 0.8)
    section = Passing.make(reach, ground, depth, place.along).at(place.along[used])
    assert np.ptp(section) > 0.3
    assert told.section == pytest.approx(section)
    for group in np.unique(told.groups):
        own = told.groups == group
        room = depth[cell][own].mean() / unseen_m[used][own].mean()
        assert told.unseen_section[own] == pytest.approx(section[own] * room)
    assert told.share == pytest.approx(used.mean())


def chosen(choice: Choice):
    return mock.patch("reachmap.channel.speed.choose", return_value=choice)


def test_nine_in_ten_of_the_held_out_speeds_lie_in_the_band_that_is_laid():
    """A share of the speed and a floor: 1.645 standard errors hold 90 of 100."""
    rng, n = np.random.default_rng(3), int(np.isfinite(laid("zigzag", 0.3).args[2].speed_m_s).sum())
    predicted = rng.uniform(0.2, 1.2, n)
    error = rng.normal(0, 0.15, n) * (predicted + 0.25 * predicted.mean())
    with chosen(Choice(FITTED, FLOW_M3_S, error=error, predicted=predicted)):
        ch, _ = made("zigzag", 0.3)
    share, rest = np.polyfit(ch.speed, ch.speed_sd, 1)
    assert ch.speed_sd == pytest.approx(share * ch.speed + rest, abs=1e-4)
    assert np.mean(np.abs(error) <= 1.645 * (share * predicted + rest)) == pytest.approx(0.9, abs=0.01)
    assert share == pytest.approx(0.15, rel=0.1)


@pytest.mark.parametrize("kriged", [0.4, 50.0])
def test_speeds_are_laid_by_the_way_that_was_chosen(kriged):
    """A quarter kriged over its section, the rest solve and residual, neither where the water stands; and none faster
    than 1.3 times what was measured or solved."""
    call = laid("zigzag", 0.3)
    reach, points, depth = call.args[1:4]
    own = points.speed_m_s[np.isfinite(points.speed_m_s)]
    fields = [
        SimpleNamespace(laid=(np.full(len(depth), value), np.full(len(depth), sd)), setting={})
        for value, sd in ((0.2, 0.1), (kriged, 0.3))
    ]
    choice = Choice(AVERAGE, 2.0, *fields, 0.25, error=0 * own, predicted=own)
    with chosen(choice), mock.patch.object(Reach, "interpolate", lambda self, field: field.laid):
        ch, _ = made("zigzag", 0.3)
    unit = ch.ground.unit_speed
    section = Passing.make(reach, ch.ground, depth, points.places.along).at(reach.cells.along)
    moving = np.clip(unit / (0.1 * np.median(unit[unit > 0])), 0.0, 1.0)
    assert moving.min() < 0.9
    speed = 0.25 * section * moving * kriged + 0.75 * (2.0 * unit + moving * 0.2)
    most = 1.3 * max(np.nanmax(points.speed_m_s), 2.0 * unit.max())
    assert (speed > most).any() == (kriged > 1)
    assert ch.speed == pytest.approx(np.minimum(speed, most), rel=1e-4)
    assert ch.speed_sd == pytest.approx(0.25 * section * 0.3 + 0.75 * 0.1, rel=1e-4)


def test_slack_water_does_not_outvote_the_one_speed_in_a_wake():
    """Readings in a wake are set aside only while others show water that moves."""
    _, reach, soundings, *_ = laid("zigzag", 0.3).args
    speed, moving = np.full(len(soundings), np.nan), 70
    speed[::7] = 0.0
    cell = reach.grid.locate(soundings.x[[moving]], soundings.y[[moving]])

    def in_a_wake(*args):
        ground = lay_ground(*args)
        wake = ground.wake.copy()
        wake[cell] = 0.8
        return replace(ground, wake=wake)

    with mock.patch("reachmap.channel.speed.lay_ground", in_a_wake):
        still, _ = made("zigzag", 0.3, replace(soundings, speed_m_s=speed), flow_m3_s=None)
        speed[moving] = 0.15
        moved, _ = made("zigzag", 0.3, replace(soundings, speed_m_s=speed), flow_m3_s=None)
    assert still.relative
    assert moved.report["flow_from"] == "measured speeds"
    assert moved.flow_m3_s > 0


def test_measured_cross_sections_give_the_flow():
    ch, _ = made("sections", 1.0, flow_m3_s=None)
    assert ch.report["flow_from"] == "sections"
    assert len(ch.report["sections"]) >= 15
    assert ch.flow_m3_s == pytest.approx(FLOW_M3_S, rel=0.1)


def test_a_slope_alone_gives_manning_speeds():
    ch, _ = made(flow_m3_s=None, slope=0.002)
    assert ch.report["flow_from"] == "slope"
    # Manning over the mean depth with the n of the report, reach-averaged: within a factor of the section shape.
    depth = laid("sections", 0.0).args[3]
    plain = np.mean(depth ** (2 / 3)) * np.sqrt(0.002) / ch.report["manning_n"]
    assert ch.speed.mean() == pytest.approx(plain, rel=0.35)
    assert ch.speed_sd == pytest.approx(0.5 * ch.speed)


def test_with_nothing_known_the_speed_is_relative_and_says_so():
    ch, truth = made(flow_m3_s=None)
    assert ch.relative
    assert ch.flow_m3_s is None
    assert any(f.code == "speed-relative" for f in ch.findings)
    assert ch.speed_sd == pytest.approx(ch.speed)
    assert np.corrcoef(ch.speed, truth)[0, 1] > 0.9


def test_speeds_that_are_all_nought_are_told_of_and_not_called_missing():
    ch, _ = made("zigzag", 0.3, flow_m3_s=None)
    assert not any(f.code == "speed-still" for f in ch.findings)
    points = laid("zigzag", 0.3).args[2]
    still = replace(points, speed_m_s=np.where(np.isfinite(points.speed_m_s), 0.0, np.nan))
    ch, _ = made("zigzag", 0.3, points=still, flow_m3_s=None)
    assert ch.relative
    [told] = [f.what for f in ch.findings if f.code == "speed-still"]
    assert told.startswith(f"all {np.isfinite(points.speed_m_s).sum()} speeds are 0")


def test_a_flow_that_does_not_settle_is_said(monkeypatch):
    settled, _ = made()
    assert not any(f.code == "flow-unsettled" for f in settled.findings)
    assert 1 < settled.report["flow_rounds"] < 20
    monkeypatch.setattr("reachmap.channel.flow.MAX_ROUNDS", 1)
    ended, _ = made()
    assert any(f.code == "flow-unsettled" for f in ended.findings)
    assert np.isfinite(ended.speed).all()


def test_a_flow_that_contradicts_the_speeds_is_said():
    ch, _ = made("zigzag", 0.3, flow_m3_s=2.5 * FLOW_M3_S)
    assert any(f.code == "flow-disagrees" and "7.50" in f.what for f in ch.findings)


def test_a_flow_that_these_depths_cannot_pass_is_said():
    """Twenty times what the river carries: a slip of the decimal point."""
    plain, _ = made()
    assert not any(f.code == "speed-too-fast" for f in plain.findings)
    ch, _ = made(flow_m3_s=20 * FLOW_M3_S)
    (told,) = [f for f in ch.findings if f.code == "speed-too-fast"]
    assert told.where == "[survey] flow_m3_s"
    assert f"{np.mean(ch.speed > 5.0):.1%} of the water faster than 5 m/s, up to {ch.speed.max():.3g} m/s" in told.what
    assert told.remedy.startswith("Check the flow,")


def test_a_flow_fitted_to_the_speeds_is_not_called_the_given_one():
    """Speeds ten times too fast beside the right flow: what is told of them is told of the soundings."""
    points = laid("zigzag", 0.3).args[2]
    ch, _ = made("zigzag", 0.3, points=replace(points, speed_m_s=10 * points.speed_m_s))
    assert ch.flow_m3_s == FLOW_M3_S
    assert (ch.report["flow_from"], ch.report["flow_m3_s"]) == ("given", FLOW_M3_S)
    assert ch.report["flow_fitted_m3_s"] == pytest.approx(10 * FLOW_M3_S, rel=0.15)
    (told,) = [f for f in ch.findings if f.code == "speed-too-fast"]
    assert (told.file, told.where) == ("soundings", "")
    assert "as the measured speeds tell it" in told.what
    assert "their units" in told.remedy
    assert any(f.code == "flow-disagrees" and f"the flow given is {FLOW_M3_S:.2f} m3/s" in f.what for f in ch.findings)


def test_float_readings_are_slowed_to_the_depth_mean():
    points = laid("zigzag", 0.3).args[2]
    floats = replace(points, speed_how=np.full(len(points), "surface float"))
    mean, _ = made("zigzag", 0.3, flow_m3_s=None)
    slowed, _ = made("zigzag", 0.3, points=floats, flow_m3_s=None)
    # The toy bed has D84 0.09 m: at h/D84 of 6 to 20, where most of this river lies, U / u_surface is 0.655-0.841
    # (Mazi et al., rows V9).
    assert 0.655 < slowed.flow_m3_s / mean.flow_m3_s < 0.841


def test_readings_too_shallow_for_their_rule_are_counted_and_said():
    points = laid("zigzag", 0.3).args[2]
    floats = replace(points, speed_how=np.full(len(points), "surface float"))
    ch, _ = made("zigzag", 0.3, points=floats)
    # A float needs h/D84 of at least 5 (Mazi et al.); the toy bed has D84 0.09 m.
    shallow = np.isfinite(points.speed_m_s) & (points.depth_m < 5 * 0.09)
    assert ch.report["speeds_unsure"] == shallow.sum() > 0
    assert any(f.code == "speed-shallow" for f in ch.findings)


@pytest.mark.slow
@pytest.mark.parametrize("style", ["zigzag", "sections", "wading"])
def test_what_held_out_speeds_choose_is_near_the_best_way(style):
    out = errors(style, 1.0, seed=2)
    assert out["chosen"] <= 1.1 * min(out[way] for way in WAYS)


def test_no_speed_is_negative_or_beyond_reason():
    ch, truth = made("wading", 1.0)
    assert ch.speed.min() >= 0
    assert ch.speed.max() < 2.5 * truth.max()
    assert np.all(ch.speed_sd >= 0)
    assert np.hypot(ch.flow_east, ch.flow_north) == pytest.approx(1.0, abs=1e-4)


def test_the_current_runs_downstream():
    ch, _ = made()
    grid = laid("sections", 0.0).args[1].grid
    s, _ = RIVER.channel(grid.x, grid.y)
    heading = np.interp(s, RIVER.s, RIVER.heading)
    along = ch.flow_east * np.cos(heading) + ch.flow_north * np.sin(heading)
    assert np.mean(along > 0.9) > 0.9


def test_a_slough_stays_still_however_fast_the_river_was_measured():
    main, slough = shapely.box(0, 0, 200, 14), shapely.box(100, 14, 110, 60)
    rng = np.random.default_rng(2)
    x, y = rng.uniform(3, 197, 150), rng.uniform(1, 13, 150)
    one = beat(main.union(slough), x, y, np.full(150, 0.7), speed=np.full(150, 0.8), head=(0.0, 7.0))
    ch = build_channel(one, cell_m=1.0)
    deep_in = ch.grid.y > 35
    assert ch["speed"][deep_in].max() < 0.08
    assert ch["speed"][(ch.grid.y > 4) & (ch.grid.y < 10)].mean() == pytest.approx(0.8, abs=0.1)


def test_a_boulder_of_the_cover_file_shelters_water_behind_it():
    x, y, depth, line = survey(RIVER, "sections", 1, 0.05)
    stone = RIVER.at(np.array([150.0]), np.array([0.0]))[0]
    cover = gpd.GeoDataFrame(
        {"kind": ["boulder"], "size_m": [1.45], "height_m": [np.nan], "note": [""]},
        geometry=[shapely.Point(*stone)],
        crs=toy.CRS_LOCAL,
    )
    base = beat(RIVER.outline, x, y, depth, line, head=tuple(RIVER.line[0]), caps=RIVER.caps, flow_m3_s=FLOW_M3_S)
    bare, stony = (build_channel(b, cell_m=0.5) for b in (base, replace(base, cover=cover)))
    behind = RIVER.at(np.array([152.0]), np.array([0.0]))[0]
    cell = int(bare.grid.locate(*behind[:, None])[0])
    assert stony["speed"][cell] < 0.6 * bare["speed"][cell]
    assert stony["speed_sd"][cell] > 0
    far = RIVER.at(np.array([120.0]), np.array([0.0]))[0]
    cell = int(bare.grid.locate(*far[:, None])[0])
    assert stony["speed"][cell] == pytest.approx(bare["speed"][cell], rel=1e-3)


def test_missing_readings_do_no_harm():
    points = laid("zigzag", 0.3).args[2]
    gone = replace(points, speed_m_s=np.where(np.arange(len(points)) % 2 == 0, points.speed_m_s, np.nan))
    ch, _ = made("zigzag", 0.3, points=gone)
    assert np.all(np.isfinite(ch.speed))
    assert ch.report["speeds_measured"] == np.isfinite(gone.speed_m_s).sum()


def test_speeds_that_no_flow_through_these_depths_can_have_are_said():
    """Fast where it is deep and slow where it is shallow: what continuity forbids."""
    settled, _ = made("zigzag", 0.3, flow_m3_s=None)
    assert not any(f.code == "flow-at-odds" for f in settled.findings)
    soundings = laid("zigzag", 0.3).args[2]
    speed = np.where(np.isfinite(soundings.speed_m_s), 2.0 * soundings.depth_m**4, np.nan)
    ch, _ = made("zigzag", 0.3, points=replace(soundings, speed_m_s=speed), flow_m3_s=None)
    (odd,) = [f for f in ch.findings if f.code == "flow-at-odds"]
    assert f"{ch.flow_m3_s:.2g} m3/s" in odd.what
