"""Where to stand, whatever the sun, the person and the water: never in red water, on a redd, before the fish's eyes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

import reachmap
from reachmap.beat.model import Terrain, Visitor
from reachmap.constants import WATER_INDEX
from reachmap.light.model import Body
from reachmap.run import with_fish
from reachmap.visit.drift import lanes
from reachmap.visit.land import BANK_M
from reachmap.visit.stand import AHEAD_DEG, HEIGHTS, OFF_REDD_M, Hour, find_ground, stances
from reachmap.visit.wading import redds, wading_class
from tests import toy

MAR_ARCMIN = 14.0


@pytest.fixture(scope="module")
def made():
    return toy.result(toy.channel(1.0))


def shadow(x: float, y: float, height: float, sun: Body) -> shapely.LineString:
    """The shadow of an upright person by trigonometry, away from the sun, height / tan(altitude) long."""
    long = height / math.tan(math.radians(sun.altitude_deg))
    east, north = -math.sin(math.radians(sun.azimuth_deg)), -math.cos(math.radians(sun.azimuth_deg))
    return shapely.LineString([(x, y), (x + long * east, y + long * north)])


@pytest.mark.parametrize("guessed", ["depth_guessed", "speed_relative"])
def test_nobody_is_sent_into_water_that_is_a_guess(made, guessed):
    hours = {int(n): [[Hour(Body(58.0, 180.0, 1e5), False, "12:00")]] for n in made.lies.table.index}
    none = np.zeros(made.channel.grid.n_wet, bool)
    assert (stances(find_ground(made.channel, none, made.lies, MAR_ARCMIN), hours, {})["on"] == "water").any()
    channel = replace(made.channel, **{guessed: True})
    found = stances(find_ground(channel, none, made.lies, MAR_ARCMIN), hours, {})
    assert len(found)
    assert (found["on"] == "bank").all()
    assert (found["how"] == "kneeling").any()


def test_after_dark_one_stands_on_the_bank_where_that_will_do(made):
    """Common practice: who does not see where they tread stays out of the water where they can."""
    none = np.zeros(made.channel.grid.n_wet, bool)
    on = {}
    for dark, sun in ((False, Body(58.0, 180.0, 1e5)), (True, Body(-20.0, 0.0, 0.0))):
        hours = {int(n): [[Hour(sun, dark, "12:00")]] for n in made.lies.table.index}
        found = stances(find_ground(made.channel, none, made.lies, MAR_ARCMIN), hours, {})
        best = found[found["rank"] == 1]
        assert len(best)
        on[dark] = (best["on"] == "bank").mean()
    assert on[True] > on[False]


@settings(max_examples=25, deadline=None)
@given(
    altitude=st.floats(1, 85),
    azimuth=st.floats(0, 360),
    dark=st.booleans(),
    unsure=st.booleans(),
    cast=st.floats(4, 18),
    height=st.floats(1.2, 2.1),
    month=st.sampled_from([6, 10]),
)
def test_no_stance_breaks_a_rule(made, altitude, azimuth, dark, unsure, cast, height, month):
    visitor = Visitor(unsure=unsure, height_m=height, cast_m=cast)
    channel = replace(made.channel, beat=replace(made.channel.beat, visitor=visitor))
    sun = Body(-12.0 if dark else altitude, azimuth, 1.0)
    scene = replace(toy.scenes()[0], when=toy.NOON.replace(month=month))
    redd = redds(channel, [scene])
    assert redd.any() == (month == 10)
    hours = {int(n): [[Hour(sun, dark, "12:00")]] for n in made.lies.table.index}
    wading = wading_class(channel["depth"], channel["speed"], night=dark, unsure=unsure)
    ground = find_ground(channel, redd > 0, made.lies, MAR_ARCMIN)
    for stance in stances(ground, hours, {}).itertuples():
        x, y, lie = stance.geometry.x, stance.geometry.y, made.lies.table.loc[stance.lie]
        away = math.hypot(x - lie["x"], y - lie["y"])
        assert away <= cast + 1e-6
        cell = int(channel.grid.locate(np.array([x]), np.array([y]))[0])
        if cell >= 0:
            assert wading[cell] < 3
            off = np.hypot(channel.grid.x - x, channel.grid.y - y)[redd > 0]
            assert off.min(initial=np.inf) > OFF_REDD_M - channel.grid.cell_m
        else:
            assert channel.beat.outline.distance(stance.geometry) <= 4.0
        # The toy river flows east, so its fish look west.
        ahead = abs(math.degrees(math.atan2(y - lie["y"], lie["x"] - x)))
        assert ahead >= AHEAD_DEG - 1e-6
        if not dark:
            above = HEIGHTS[stance.how] * height + (BANK_M if cell < 0 else -channel["depth"][cell])
            assert not shadow(x, y, above, sun).intersects(lie.geometry)


def band_arcmin(above: float, distance: float, depth: float) -> float:
    """How tall somebody stands at the edge of the window of a fish, by Snell's law with n = 1.333."""

    def beyond(air: float) -> float:
        return above * math.tan(air) + depth * math.tan(math.asin(math.sin(air) / 1.333)) - distance

    air = brentq(beyond, 0.0, math.pi / 2 - 1e-9)
    return 60 * math.degrees(math.asin(1 / 1.333) - math.asin(math.sin(air) / 1.333))


def test_the_reason_says_what_the_place_is(made):
    """Behind or beside the fish, which looks west here; seen if more than 14 minutes of arc of one stand in its window
    (Rahmann et al. 1979); how hard the way there is to wade."""
    none = np.zeros(made.channel.grid.n_wet, bool)
    hours = {int(n): [[Hour(Body(58.0, 180.0, 1e5), False, "12:00")]] for n in made.lies.table.index}
    told = set()
    for cast in (6.0, 12.0, 18.0):
        visitor = Visitor(cast_m=cast)
        channel = replace(made.channel, beat=replace(made.channel.beat, visitor=visitor))
        for stance in stances(find_ground(channel, none, made.lies, MAR_ARCMIN), hours, {}).itertuples():
            x, y, lie = stance.geometry.x, stance.geometry.y, made.lies.table.loc[stance.lie]
            side, sight, *care = stance.reason.split(", ")
            assert stance.cast_m == pytest.approx(math.hypot(x - lie["x"], y - lie["y"]), abs=0.06)
            turn = abs(math.degrees(math.atan2(y - lie["y"], lie["x"] - x)))
            if abs(turn - 120) > 1:
                assert side == ("behind the fish" if turn > 120 else "beside the fish")
            cell, own = channel.grid.locate(np.array([x, lie["x"]]), np.array([y, lie["y"]]))
            assert stance.on == ("water" if cell >= 0 else "bank")
            above = HEIGHTS[stance.how] * visitor.height_m + (BANK_M if cell < 0 else -channel["depth"][cell])
            assert stance.how == "standing" or cell < 0 or channel["depth"][cell] <= 0.3
            band = band_arcmin(above, stance.cast_m, channel["depth"][own])
            if abs(band - MAR_ARCMIN) > 2:  # heights are taken to a tenth of a metre
                assert sight == ("below its line of sight" if band < MAR_ARCMIN else "it may see you: move slowly")
            assert care == (["strong care wading"] if stance.wading == 2 else [])
            told |= {side, sight, *care}
    assert len(told) == 5


@pytest.mark.parametrize("turn_deg", [45.0, 90.0, 180.0, 270.0])
def test_nobody_stands_before_the_fish_whichever_way_the_river_runs(made, turn_deg):
    """A fish looks upstream."""
    none = np.zeros(made.channel.grid.n_wet, bool)
    hours = {int(n): [[Hour(Body(58.0, 180.0, 1e5), False, "12:00")]] for n in made.lies.table.index}
    turn, ones = math.radians(turn_deg), np.ones(made.channel.grid.n_wet, np.float32)
    channel = made.channel.with_layers(flow_east=ones * math.cos(turn), flow_north=ones * math.sin(turn))
    found, ahead = stances(find_ground(channel, none, made.lies, MAR_ARCMIN), hours, {}), []
    for stance in found.itertuples():
        lie = made.lies.table.loc[stance.lie]
        way = math.atan2(stance.geometry.y - lie["y"], stance.geometry.x - lie["x"])
        cosine = -math.cos(way) * math.cos(turn) - math.sin(way) * math.sin(turn)
        ahead.append(math.degrees(math.acos(max(-1.0, min(1.0, cosine)))))
        assert ahead[-1] >= AHEAD_DEG - 1e-6
        if abs(ahead[-1] - 120) > 1:
            assert stance.reason.startswith("behind" if ahead[-1] > 120 else "beside")
    assert len(ahead) > 4


def test_of_places_alike_the_one_behind_the_fish_is_taken(made):
    """From below one comes up to a fish unseen (common practice). On the bank, by one cast, under one sun."""
    none = np.zeros(made.channel.grid.n_wet, bool)
    guessed = replace(made.channel, depth_guessed=True)  # so that nobody is sent into the water
    hours = {int(n): [[Hour(Body(-20.0, 0.0, 0.0), True, "00:00")]] for n in made.lies.table.index}
    best = stances(find_ground(guessed, none, made.lies, MAR_ARCMIN), hours, {}).query("rank == 1")
    lies = made.lies.table.loc[best["lie"]]
    middle = np.abs(lies["x"].to_numpy()) < 40
    assert middle.any()
    # The toy river flows east.
    assert (best.geometry.x.to_numpy() > lies["x"].to_numpy())[middle].all()


@pytest.mark.parametrize(
    ("y", "places"), [(0.0, [(8.53, -8.53), (8.53, 8.53)]), (-4.0, [(7.79, -8.5), (17.39, -8.66)])]
)
def test_the_places_taken_are_those_worked_out_by_hand(made, y, places):
    """From the banks of a river 16 m wide at night, 9, 12.06, 14.94 or 18 m off at every 15 degrees: of places alike
    the one behind, a metre nearer being as good as 9 degrees farther round.

    To the middle 12.06 m at 135 degrees (1.206 - 1.5) come before 9 m at 105 (0.9 - 1.17), 12.06 at 120, 14.94 at 135
    and 18 at 150. To a lie 4 m off one bank 9 m at 150 degrees come first; from there casts of 12.06 and 14.94 m at
    150 go over more than 4 m of land, and at 165 all but that of 18 m are from the water. Nobody is seen, so nobody
    kneels.
    """
    none = np.zeros(made.channel.grid.n_wet, bool)
    beat = replace(made.channel.beat, visitor=Visitor(cast_m=18.0))
    lie = made.lies.table.iloc[:1].assign(x=0.0, y=y).set_geometry([shapely.Point(0, y).buffer(1)], crs=beat.crs)
    ground = find_ground(replace(made.channel, beat=beat), none, replace(made.lies, table=lie), MAR_ARCMIN)
    found = stances(ground, {int(lie.index[0]): [[Hour(Body(-20.0, 0.0, 0.0), True, "00:00")]]}, {})
    assert sorted((round(at.x, 2), round(at.y, 2)) for at in found.geometry) == places
    assert set(found["on"]) == {"bank"}
    assert set(found["how"]) == {"standing"}


@pytest.mark.parametrize("bank_m", [BANK_M, 1.0])
def test_from_the_bank_the_shadow_is_as_long_as_one_stands_above_the_water(made, bank_m):
    """All round with a sun of 6.4 degrees, which throws 0.3 m of bank 2.7 m further by trigonometry."""
    none = np.zeros(made.channel.grid.n_wet, bool)
    channel = made.channel if bank_m == BANK_M else land(made.channel, bank_m, bank_m)
    channel = replace(channel, depth_guessed=True)  # so that nobody is sent into the water
    tall, stood = channel.beat.visitor.height_m, 0
    for azimuth in range(0, 360, 15):
        sun = Body(6.4, float(azimuth), 1.0)
        hours = {int(n): [[Hour(sun, False, "12:00")]] for n in made.lies.table.index}
        for stance in stances(find_ground(channel, none, made.lies, MAR_ARCMIN), hours, {}).itertuples():
            at, above = stance.geometry, HEIGHTS[stance.how] * tall + bank_m
            assert not shadow(at.x, at.y, above, sun).intersects(made.lies.table.geometry[stance.lie])
            stood += 1
    assert stood > 100


@pytest.mark.parametrize(("length_m", "acuity_arcmin"), [(0.36, 14), (0.36, 8), (0.15, 14)])
def test_who_is_said_to_be_below_its_line_of_sight_is_too_low_for_this_fish(
    sample_folder, tmp_path, length_m, acuity_arcmin
):
    """By the ray from the top of a person to the fish, bent once: of all ways that light could take the quickest."""
    own = tmp_path / "curves.toml"
    own.write_text(f"[eyes.acuity_arcmin]\nvalue = {acuity_arcmin}\nsource = 'assumed'\n")
    result = reachmap.analyse(with_fish(reachmap.read_beat(sample_folder), length_m=length_m), curves=own)
    channel, curves, hidden = result.channel, result.curves, 0
    for stance in result.visit.stances[~result.visit.stances["dark"]].itertuples():
        lie = result.lies.table.loc[stance.lie]
        x, y = (np.array([a, b]) for a, b in ((lie["x"], stance.geometry.x), (lie["y"], stance.geometry.y)))
        top, cell = channel.grid.locate(x, y)
        above = HEIGHTS[stance.how] * channel.beat.visitor.height_m
        above += BANK_M if cell < 0 else -float(channel["depth"][cell])
        depth, away = float(channel["depth"][top]), math.hypot(x[1] - x[0], y[1] - y[0])
        over = np.linspace(0, away, 200001)
        way = np.hypot(above, away - over) + WATER_INDEX * np.hypot(depth, over)
        at = over[way.argmin()]
        band = 60 * math.degrees(math.asin(1 / WATER_INDEX) - math.atan(at / depth))
        below = "below its line of sight" in stance.reason
        assert below == (band < curves.eyes.mar_arcmin(channel.beat.fish))
        hidden += below
    assert hidden


def amid(channel, kind: str, base_m: float, shapes: list[shapely.Geometry]):
    """The toy water with these things beside it and no others; points 1 m round."""
    old = channel.beat.shade
    shade = old.iloc[[0] * len(shapes)].assign(kind=kind, base_m=base_m, height_m=9.0, radius_m=1.0)
    shade = shade.set_geometry(shapes, crs=old.crs)
    return replace(channel, beat=replace(channel.beat, shade=shade))


def stood(channel, lies, dark=False):
    sun = Body(-20.0, 0.0, 0.0) if dark else Body(58.0, 180.0, 1e5)
    none = np.zeros(channel.grid.n_wet, bool)
    hours = {int(n): [[Hour(sun, dark, "12:00")]] for n in lies.table.index}
    return stances(find_ground(channel, none, lies, MAR_ARCMIN), hours, {})


@pytest.mark.parametrize(
    ("kind", "base_m", "in_the_way"),
    [
        ("tree", 1.5, True),
        ("hedge", 0.0, True),
        ("wall", 0.0, True),
        ("tree", 5.0, False),
        ("bridge", 2.0, False),
        ("bank", 0.0, True),
    ],
)
def test_nobody_stands_in_a_crown_a_hedge_or_a_wall(made, kind, base_m, in_the_way):
    """Nor on a high bank, where one would stand without; high branches and bridges are in nobody's way."""
    bare = stood(amid(made.channel, kind, base_m, []), made.lies)
    spots = list(bare.geometry)
    if kind in ("hedge", "wall"):
        spots = [shapely.LineString([(spot.x - 5, spot.y), (spot.x + 5, spot.y)]) for spot in spots]
    found = stood(amid(made.channel, kind, base_m, spots), made.lies)
    assert len(found)
    assert found.equals(bare) == (not in_the_way)
    if in_the_way:
        assert found.distance(shapely.union_all(spots)).min() > (0.9 if kind in ("tree", "bank") else 0.1)


def land(channel, north_m: float, south_m: float):
    """The toy water with land so high on either side of it, from half a metre off the water on."""
    y = 30.0 - 0.25 - 0.5 * np.arange(120)
    height = np.where(y > 8.5, north_m, np.where(y < -8.5, south_m, 0.0))
    terrain = Terrain(np.repeat(np.float32(height)[:, None], 400, axis=1), -100.0, 30.0, 0.5)
    return replace(channel, beat=replace(channel.beat, terrain=terrain))


def test_nobody_is_sent_onto_a_cliff(made):
    """A surface model that shows one on the north side, where nobody is to wade, by day and in the dark."""
    dry = replace(made.channel, depth_guessed=True)
    for dark in (False, True):
        cliff, flat = (stood(land(dry, north_m, 0.3), made.lies, dark) for north_m in (12.0, 0.3))
        assert (flat.geometry.y > 8).any()
        assert (cliff.geometry.y < -8).any()
        assert not (cliff.geometry.y > 8).any()


def test_no_cast_goes_through_a_bank_or_a_pier(made):
    """From land, where they would without: a pier half way to the lie, a bluff as a line along the water's edge."""
    bare = amid(replace(made.channel, depth_guessed=True), "bank", 0.0, [])
    casts = lines(stood(bare, made.lies), made.lies)
    half = [cast.interpolate(0.5, normalized=True).buffer(1.0) for cast in casts]
    old = bare.beat.cover
    piers = old.iloc[[0] * len(half)].assign(kind="pier").set_geometry(half, crs=old.crs)
    edge = [shapely.LineString([(-60, 8.5), (60, 8.5)])]
    for beat, solid in ((replace(bare.beat, cover=piers), half), (amid(made.channel, "bank", 0.0, edge).beat, edge)):
        in_the_way = shapely.union_all(solid)
        assert shapely.intersects(casts, in_the_way).any()
        found = lines(stood(replace(bare, beat=beat), made.lies), made.lies)
        assert len(found)
        assert not shapely.intersects(found, in_the_way).any()


def test_nobody_stands_in_the_lie_itself_however_large(made):
    table = made.lies.table
    large = replace(made.lies, table=table.set_geometry(table.buffer(8.0)))
    for dark in (False, True):
        found = stood(made.channel, large, dark)
        assert len(found)
        for stance in found.itertuples():
            assert not stance.geometry.within(large.table.geometry[stance.lie])


def lines(found, lies) -> np.ndarray:
    """The casts of some stances."""
    tags = lies.table.loc[found["lie"], ["x", "y"]].itertuples(index=False)
    return np.array([shapely.LineString([at, tag]) for at, tag in zip(found.geometry, tags, strict=True)])


def test_a_cast_goes_past_a_crown_rather_than_through_it(made):
    bare = stood(amid(made.channel, "tree", 1.5, []), made.lies)
    crowns = [cast.interpolate(0.5, normalized=True) for cast in lines(bare, made.lies)]
    found = stood(amid(made.channel, "tree", 1.5, crowns), made.lies)
    assert len(found)
    reach = shapely.union_all(crowns).buffer(0.9)
    assert shapely.intersects(lines(found, made.lies), reach).mean() < 0.5


def test_no_cast_goes_over_more_land_than_one_may_stand_from_the_water(sample_folder):
    """By shapes; to a step along the line at either end."""
    sample = reachmap.analyse(sample_folder)
    outline, table = sample.channel.beat.outline, sample.lies.table
    over = [
        shapely.LineString([stance.geometry, table.loc[stance.lie, ["x", "y"]]]).difference(outline).length
        for stance in sample.visit.stances.itertuples()
    ]
    assert 1.0 < max(over) <= 4.0 + 1.0


@settings(max_examples=25, deadline=None)
@given(turn=st.floats(-40, 40), view=st.floats(10, 60), sink=st.floats(0.05, 0.4))
def test_no_lane_leaves_the_water_whatever_the_current(made, turn, view, sink):
    """The current turned against the banks: lanes end where the water ends, and each runs with the current."""
    channel, angle = made.channel, math.radians(turn)
    beat = replace(channel.beat, visitor=Visitor(sink_m_s=sink))
    ones = np.ones(channel.grid.n_wet, np.float32)
    channel = replace(channel, beat=beat).with_layers(
        flow_east=ones * np.float32(math.cos(angle)), flow_north=ones * np.float32(math.sin(angle))
    )
    sight = made.first[1].sight
    for lane in lanes(channel, sight, made.lies, view).itertuples():
        assert (channel.grid.locate(*shapely.get_coordinates(lane.geometry).T) >= 0).all()
        (x0, y0), (x1, y1) = lane.geometry.coords[0], lane.geometry.coords[-1]
        assert math.degrees(math.atan2(y1 - y0, x1 - x0)) == pytest.approx(turn, abs=0.5)
        assert lane.lead_least_m <= lane.lead_m <= lane.lead_most_m


def test_without_lies_or_seams_there_is_nothing_to_cross(made):
    sight, channel = made.first[1].sight, made.channel
    none = lanes(channel, sight, replace(made.lies, table=made.lies.table.iloc[:0]), 30.0)
    assert len(none) == 0
    assert list(none.columns) == list(lanes(channel, sight, made.lies, 30.0).columns)
    bare = replace(channel, seams=channel.seams.iloc[:0])
    assert not lanes(bare, sight, made.lies, 30.0).crosses_seam.any()


def test_a_lane_that_crosses_a_seam_says_so(made):
    sight, channel = made.first[1].sight, made.channel
    for lane in lanes(channel, sight, made.lies, 30.0).itertuples():
        (x0, y0), (x1, y1) = lane.geometry.coords[0], lane.geometry.coords[-1]
        x, y = (x0 + x1) / 2, (y0 + y1) / 2
        seam = shapely.LineString([(x - (y1 - y0), y + (x1 - x0)), (x + (y1 - y0), y - (x1 - x0))])
        seams = channel.seams.iloc[[0]].set_geometry([seam], crs=channel.seams.crs)
        found = lanes(replace(channel, seams=seams), sight, made.lies, 30.0)
        want = shapely.crosses(found.geometry.to_numpy(), seam)
        assert want.any()
        assert (found.crosses_seam.to_numpy() == want).all()
