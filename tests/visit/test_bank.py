"""How one gets to where one stands: not across deep water, nor on water that goes on beyond the ends of the reach."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scipy import ndimage as ndi

from reachmap.beat.model import Terrain, Visitor
from reachmap.channel.model import Channel, Grid
from reachmap.constants import Z90
from reachmap.light.model import Body
from reachmap.visit import plan_visit
from reachmap.visit.bank import BANKS, Ways, find_ways
from reachmap.visit.land import Land
from reachmap.visit.stand import Hour, find_ground, stances
from reachmap.visit.wading import wading_class
from tests import toy

MAR_ARCMIN = 14.0

ISLAND = shapely.box(-8, -2, 8, 2)
HOURS = {False: Hour(Body(58.0, 180.0, 1e5), False, "12:00"), True: Hour(Body(-20.0, 0.0, 0.0), True, "00:00")}


def water_round_an_island(depth_m: float) -> Channel:
    """The toy water, slow and knee-deep, round an island in a moat 3 m wide and this deep, shallow again beside it."""
    old = toy.channel()
    away = shapely.distance(ISLAND, shapely.points(old.grid.points(slice(None))))
    kept = away > 0
    wet = np.zeros(old.grid.shape, bool)
    wet[tuple(index[kept] for index in old.grid.cells)] = True
    layers = {name: old[name][kept] for name in old.layers}
    away = away[kept]
    layers["bank_distance"] = np.minimum(layers["bank_distance"], away).astype(np.float32)
    layers["depth"] = np.where((away > 1.5) & (away < 4.5), depth_m, 0.4).astype(np.float32)
    layers["speed"] = np.full_like(layers["depth"], 0.2)
    outline = shapely.MultiPolygon([shapely.difference(old.beat.outline.geoms[0], ISLAND)])
    grid = Grid(old.grid.x0, old.grid.y1, old.grid.cell_m, wet)
    return replace(old, beat=replace(old.beat, outline=outline), grid=grid, layers=layers)


def stood(channel: Channel, x: float, y: float, dark: bool) -> pd.DataFrame:
    """Stances for a lie in one place."""
    lies = toy.result().lies
    table = lies.table.iloc[:1].assign(x=x, y=y).set_geometry([shapely.Point(x, y).buffer(1)], crs=lies.table.crs)
    none = np.zeros(channel.grid.n_wet, bool)
    ground = find_ground(channel, none, replace(lies, table=table), MAR_ARCMIN)
    return stances(ground, {int(table.index[0]): [[HOURS[dark]]]}, {})


def ways_of(channel: Channel) -> Ways:
    """The ways outside the spawning season."""
    return find_ways(channel, np.zeros(channel.grid.n_wet, bool))


@pytest.mark.parametrize("dark", [False, True])
def test_nobody_stands_where_only_deep_water_leads(dark):
    """On an island behind a moat, or in the shallows round it: by labels of the whole map."""
    channel = water_round_an_island(1.3)
    grid = channel.grid
    deep, fast = (channel[name] + Z90 * channel[f"{name}_sd"] for name in ("depth", "speed"))
    ground = grid.spread(wading_class(deep, fast, dark) < 3, 1.0) > 0
    label = ndi.label(ground)[0]
    cut_off = ground & (label != label[0, 0])
    way = ways_of(channel).wading(dark).klass
    assert cut_off[grid.cells].any()
    assert ((way == 3) == ~(label == label[0, 0])[grid.cells]).all()
    for x in np.arange(-8.0, 9.0, 4.0):
        found = stood(channel, x, 4.0, dark)
        assert len(found)
        for place in found.geometry:
            row, col = int((grid.y1 - place.y) // grid.cell_m), int((place.x - grid.x0) // grid.cell_m)
            inside = 0 <= row < grid.shape[0] and 0 <= col < grid.shape[1]
            assert not inside or label[row, col] == label[0, 0]


def test_a_way_is_as_hard_as_its_hardest_step():
    """Knee-deep round the island, thigh-deep in the moat: strong care to get there."""
    channel = water_round_an_island(0.8)
    channel = channel.with_layers(speed=np.where(channel["depth"] > 0.5, 0.4, 0.2).astype(np.float32))
    ways, away = ways_of(channel), shapely.distance(ISLAND, shapely.points(channel.grid.points(slice(None))))
    assert set(ways.by_day.klass[away < 1.5]) == {2}
    assert set(ways.by_day.klass[away > 4.5]) == {1}
    unsure = replace(channel, beat=replace(channel.beat, visitor=Visitor(unsure=True)))
    assert (ways_of(unsure).by_day.klass == ways.in_the_dark.klass).all()


def deep_in_the_middle() -> Channel:
    """The toy water, slow and knee-deep along both banks, too deep to wade between."""
    made = toy.channel()
    depth = np.where(np.abs(made.grid.y) < 3, 1.5, 0.4).astype(np.float32)
    return made.with_layers(depth=depth, speed=np.full_like(depth, 0.2))


@pytest.mark.parametrize("dark", [False, True])
def test_each_bank_has_its_own_shallows_where_nobody_gets_across(dark):
    """The toy water flows east, so its true left bank lies north."""
    made = deep_in_the_middle()
    x, y = made.grid.x, made.grid.y
    ways = ways_of(made)
    assert not ways.crossed(dark)
    assert (ways.wading(dark).banks == np.select([y > 3, y < -3], [BANKS["left"], BANKS["right"]], 0)).all()
    ford = made.with_layers(depth=np.where(np.abs(x) < 5, np.float32(0.4), made["depth"]))
    assert ways_of(ford).crossed(dark)
    assert (ways_of(ford).wading(dark).banks[np.abs(y) > 3] == BANKS["either"]).all()
    rows = {"kind": ["bridge"], "height_m": [3.0], "base_m": [2.5], "radius_m": [np.nan], "leaf": [""], "note": [""]}
    bridge = gpd.GeoDataFrame(rows, geometry=[shapely.LineString([(0, -9), (0, 9)])], crs=toy.CRS_LOCAL)
    bridged = replace(made, beat=replace(made.beat, shade=bridge))
    assert ways_of(bridged).crossed(dark)
    assert (ways_of(bridged).wading(dark).banks == ways.wading(dark).banks).all()


@pytest.mark.parametrize(("height_m", "barred"), [(6.0, True), (1.2, False)])
def test_nobody_steps_in_from_a_bluff(height_m, barred):
    """One drawn along half of the north side, half a metre off the water."""
    made = toy.channel()
    rows = {"kind": ["bank"], "height_m": [height_m], "base_m": [0.0], "radius_m": [np.nan], "leaf": [""], "note": [""]}
    bluff = gpd.GeoDataFrame(rows, geometry=[shapely.LineString([(0, 8.5), (60, 8.5)])], crs=toy.CRS_LOCAL)
    before, after = (
        ways_of(replace(made, beat=replace(made.beat, shade=shade))).bank > 0
        for shade in (made.beat.shade.iloc[:0], bluff)
    )
    x, y = made.grid.x, made.grid.y
    assert (before & (x > 1) & (y > 0)).any()
    assert (after & (x > 1) & (y > 0)).any() == (not barred)
    elsewhere = (x < -2) | (y < 0)
    assert (before == after)[elsewhere].all()


def test_a_bridge_that_reaches_one_bank_alone_is_no_way_across():
    """Along the water's edge, as a landing stage; over all of it."""
    made = deep_in_the_middle()
    rows = {"kind": ["bridge"], "height_m": [3.0], "base_m": [2.5], "radius_m": [np.nan], "leaf": [""], "note": [""]}
    for line, across in (([(-4, 8), (4, 8)], False), ([(0, 9), (0, 1)], False), ([(0, 8.2), (0, -8.2)], True)):
        bridge = gpd.GeoDataFrame(rows, geometry=[shapely.LineString(line)], crs=toy.CRS_LOCAL)
        assert ways_of(replace(made, beat=replace(made.beat, shade=bridge))).bridged == across


def falling(channel: Channel, slope: float, north_m: float) -> Channel:
    """With a surface model of water that falls so, with land so high over it on the north side and 0.6 m on the other.

    As heights over the water at the foot, which is what its level was given for.
    """
    x, y = np.meshgrid(-80 + 0.25 + 0.5 * np.arange(320), 30 - 0.25 - 0.5 * np.arange(120))
    over = np.select([y > 8.5, y < -8.5], [north_m, 0.6], 0.0)
    terrain = Terrain(np.float32(over + slope * (60 - x)), -80.0, 30.0, 0.5)
    return replace(channel, beat=replace(channel.beat, terrain=terrain))


@pytest.mark.parametrize("slope", [0.0, 0.02])
def test_banks_are_as_high_as_they_stand_over_the_water_beside_them(slope):
    """Under 2.4 m of fall over the beat; at a level 0.4 m higher they are lower by that."""
    made = falling(toy.channel(), slope, 0.6)
    x = np.arange(-55.0, 56.0, 5.0)
    for y in (-10.5, 10.5):
        cell = made.grid.nearest(np.column_stack([x, np.full(len(x), y)]))
        for stage in (0.0, 0.2):
            rise = Land(replace(made, stage_m=stage)).rise(x, np.full(len(x), y), cell)
            # The water falls by up to 0.4 m along the 20 m for which one level is taken.
            assert rise == pytest.approx(0.6 - stage, abs=slope * 20 + 0.01)


@pytest.mark.parametrize("slope", [0.0, 0.02])
def test_nobody_steps_in_from_a_cliff_that_a_surface_model_shows(slope):
    made = falling(toy.channel(), slope, 4.0)
    ways = ways_of(made)
    x, y = made.grid.points(np.flatnonzero(ways.bank)).T
    assert (y < 0).all()
    assert len(x)
    assert ways.shut == pytest.approx(0.5, abs=0.01)
    caution = [one.text for one in plan_visit(made, *planned()).cautions if one.key == "bank"]
    assert ["50% of the banks stand more than 1.5 m above the water" in text for text in caution] == [True]
    assert not [one for one in plan_visit(toy.channel(), *planned()).cautions if one.key == "bank"]


def planned():
    """What a visit is planned from."""
    made = toy.result()
    return made.outlooks, made.lies


@pytest.mark.parametrize("dark", [False, True])
def test_no_way_leads_over_redds(dark):
    """Knee-deep water round an island, redds all round it: "wade nowhere near a redd", as the caution says."""
    channel = water_round_an_island(0.4)
    away = shapely.distance(ISLAND, shapely.points(channel.grid.points(slice(None))))
    assert (ways_of(channel).wading(dark).klass < 3).all()
    way = find_ways(channel, (away > 1.5) & (away < 4.5)).wading(dark).klass
    assert (way[away < 4.5] == 3).all()
    assert (way[away > 4.5] < 3).all()


def test_one_steps_in_from_the_banks_not_from_an_island_nor_where_the_river_goes_on():
    channel = water_round_an_island(0.8)
    bank = ways_of(channel).bank
    x, y = channel.grid.points(np.flatnonzero(bank)).T
    assert (np.abs(y) == 7.75).all()
    assert len(x) == 2 * channel.grid.shape[1] - 8


@pytest.mark.parametrize("dark", [False, True])
def test_the_river_beyond_the_end_of_the_reach_is_no_bank(dark):
    """In the middle of the last metres, where the nearest dry cell of the map is the river itself."""
    found = stood(toy.channel(), 57.0, 0.0, dark)
    assert len(found)
    on_land = found[found["on"] == "bank"]
    assert (on_land.geometry.y.abs() >= toy.HALF).all()


def test_a_river_without_banks_has_no_way_in(toy_channel):
    """All of it in the middle of wider water: nothing to stand on."""
    wide = toy_channel.with_layers(bank_distance=np.full(toy_channel.grid.n_wet, 20.0, np.float32))
    assert (ways_of(wide).by_day.klass == 3).all()


def test_nobody_stands_on_a_boulder_by_the_bank():
    made = toy.channel()
    first = stood(made, 0.0, 0.0, dark=True)
    (spot,) = first.geometry[(first["on"] == "bank") & (first["rank"] == 1)]
    rows = {"kind": ["boulder"], "size_m": [5.0], "height_m": [np.nan], "note": [""]}
    cover = gpd.GeoDataFrame(rows, geometry=[spot], crs=toy.CRS_LOCAL)
    found = stood(replace(made, beat=replace(made.beat, cover=cover)), 0.0, 0.0, dark=True)
    assert len(found)
    assert not found.within(spot.buffer(2.4)).any()
