"""A whole day: where the alders' shade lies, its mirror in the south, clock changes, packing."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import geopandas as gpd
import numpy as np
import pytest
import shapely

from reachmap.errors import SettingError
from reachmap.light import (
    eye_through_day,
    light_at,
    light_of_scenes,
    light_through_day,
    lux_through_day,
    prepare_shade,
)
from reachmap.light.day import LIKE_DEG, SHADED
from tests import toy
from tests.light.waters import pond, tree


def lone_tree(lat):
    """Wide open water with one alder in its middle, standing on the water for the test."""
    return pond(40, 40, 1.0, [tree(0, 0, 9.0, 3.0)], lat=lat, lon=-2.4, time_zone="UTC")


def middle_of_shade(channel, day, hour):
    light = light_through_day(channel, day, step_min=60, leaf_on=True)
    dark = light.sun_share[hour] < 200
    assert dark.any()
    return channel.grid.x[dark].mean(), channel.grid.y[dark].mean()


def test_shade_moves_round_with_the_sun():
    north, south = lone_tree(54.2), lone_tree(-54.2)
    spring = date(2026, 3, 20)
    # Morning: shade to the west; noon: to the north; afternoon: to the east. Mirrored south of the equator.
    for hour, way in ((8, -1), (16, 1)):
        assert np.sign(middle_of_shade(north, spring, hour)[0]) == way
        assert np.sign(middle_of_shade(south, spring, hour)[0]) == way
    assert middle_of_shade(north, spring, 12)[1] > 4
    assert middle_of_shade(south, spring, 12)[1] < -4


def test_the_southern_copy_mirrors_the_day():
    # At an equinox sun paths at opposite latitudes mirror in the east-west line, but for half a degree.
    x_n, y_n = middle_of_shade(lone_tree(54.2), date(2026, 3, 20), 10)
    x_s, y_s = middle_of_shade(lone_tree(-54.2), date(2026, 3, 20), 10)
    assert (x_s, y_s) == pytest.approx((x_n, -y_n), abs=0.7)


def test_alders_on_the_south_bank_shade_its_water_about_noon(toy_channel):
    light = light_through_day(toy_channel, date(2026, 6, 20))
    dark = (light.sun_share[79] < 128) & (toy_channel["overhead"] == 0)
    x, y = toy_channel.grid.x[dark], toy_channel.grid.y[dark]
    # The two crowns stand at x -25 and -18, radius 3 and 2.5; nothing else casts shade on this water.
    assert dark.any()
    assert y.max() < -3
    assert x.min() > -29
    assert x.max() < -14.5
    # At 8 and 18 h by the clock in June the sun stands due east and west: shade lies along the bank, off the water.
    for step in (48, 108):
        assert not ((light.sun_share[step] < 128) & (toy_channel["overhead"] == 0)).any()


def test_packed_day_agrees_with_the_scene(toy_channel):
    shade = prepare_shade(toy_channel)
    day = light_through_day(toy_channel, date(2026, 6, 20), shade)
    noon = replace(toy.scenes()[0], when=day.times[72])
    light = light_at(toy_channel, noon, shade)
    lux = lux_through_day(toy_channel, day, noon.cloud, noon.water)
    assert lux[72] == pytest.approx(light["light_bed"], rel=5e-3, abs=200)
    few = lux_through_day(toy_channel, day, noon.cloud, noon.water, cells=np.array([3, 40]))
    assert np.array_equal(few, lux[:, [3, 40]])
    assert day.sun_share.dtype == np.uint8
    assert day.sun_share.shape == day.moon_share.shape == (144, toy_channel.grid.n_wet)
    assert not day.sun_share[[body.altitude_deg < -1 for body in day.sun]].any()


def test_the_eye_through_the_day_agrees_with_scenes(toy_channel):
    shade = prepare_shade(toy_channel)
    day = light_through_day(toy_channel, date(2026, 6, 20), shade)
    scene = replace(toy.scenes()[0], when=day.times[139])
    eye = eye_through_day(lux_through_day(toy_channel, day, scene.cloud, scene.water), 10, "brown")
    assert eye[139] == pytest.approx(light_at(toy_channel, scene, shade)["eye_day"], abs=0.02)
    assert eye[72].min() == 1
    assert eye[139].mean() < 0.9


def test_just_after_midnight_the_eye_has_had_the_evening():
    """Where clocks are three hours ahead of the sun it darkens about midnight in August."""
    west = pond(2, 2, 1.0, lat=54.2, lon=-45.0, time_zone="UTC")
    day, shade = light_through_day(west, date(2026, 8, 5)), prepare_shade(west)
    scene = replace(toy.scenes()[0], when=day.times[0])
    eye = eye_through_day(lux_through_day(west, day, scene.cloud, scene.water), 10, "brown")
    true = [light_at(west, replace(scene, when=day.times[step]), shade)["eye_day"].mean() for step in range(7)]
    assert 0.6 < true[0] < 0.7
    assert eye[:7].mean(axis=1) == pytest.approx(true, abs=0.05)


def test_long_and_short_days():
    water = pond(2, 2, 1.0)
    assert len(light_through_day(water, date(2026, 3, 29)).times) == 138
    assert len(light_through_day(water, date(2026, 10, 25), step_min=30).times) == 50


def test_polar_day_and_night():
    north = pond(2, 2, 1.0, lat=72.0, time_zone="UTC")
    summer, winter = (light_through_day(north, date(2026, month, 21)) for month in (6, 12))
    assert summer.sun_share.all()
    assert not winter.sun_share.any()
    assert not {"sunrise", "sunset"} & (set(summer.events) | set(winter.events))


def test_shade_comes_and_goes():
    # A cell 8 m north of a solid round block 9 m high is shaded about noon, and the sun is due south then.
    block = (shapely.Point(0, 0), "wall", 9.0, 0.0, 3.0, "dense")
    water = pond(20, 20, 1.0, [block], lat=54.2, lon=0.0, time_zone="UTC")
    day = light_through_day(water, date(2026, 3, 20))
    cell = water.grid.locate(np.array([0.5]), np.array([8.5]))
    up = [k for k, sun in enumerate(day.sun) if sun.altitude_deg > 0]
    shaded = day.sun_on(cell)[up].mean(axis=1) < 255 * SHADED
    gone, back = np.flatnonzero(np.diff(shaded.astype(int))) + 1
    assert shaded[gone]
    # Seen from there the block covers asin(3 / 8.5) = 20.7 deg to either side of south; the sun goes through south
    # at 12:07 UTC (equation of time) and its azimuth turns by about 18 deg an hour.
    spell = day.times[up[back]] - day.times[up[gone]]
    assert timedelta(hours=1.7) < spell < timedelta(hours=2.9)
    middle = day.times[up[gone]] + spell / 2
    assert abs((middle - middle.replace(hour=12, minute=7)).total_seconds()) < 20 * 60


def test_steps_that_cannot_be(toy_channel):
    with pytest.raises(SettingError, match="step_min 0"):
        light_through_day(toy_channel, date(2026, 6, 20), step_min=0)


def test_no_shade_at_all(toy_channel):
    bare = gpd.GeoDataFrame(toy_channel.beat.shade.iloc[:0])
    channel = replace(toy_channel, beat=replace(toy_channel.beat, shade=bare))
    day = light_through_day(channel, date(2026, 6, 20), step_min=60)
    assert np.all(day.sun_share[12][channel["overhead"] == 0] == 255)


def test_every_scene_has_the_day_it_lies_on_by_the_clock_of_the_place(toy_channel):
    """Half past eleven at night in Greenwich is half past midnight of the next day in a British summer."""
    noon, overcast, _ = toy.scenes()
    late = replace(noon, name="late", when=datetime(2026, 6, 20, 23, 30, tzinfo=UTC))
    bare = replace(noon, name="bare", leaf_on=False)
    days = light_of_scenes(toy_channel, (noon, overcast, late, bare))
    assert [day.date for day in days.values()] == [date(2026, 6, day) for day in (20, 20, 21, 20)]
    assert days["sunny noon"] is days["overcast noon"]
    assert [day.leaf_on for day in days.values()] == [True, True, True, False]
    assert days["bare"].sun_share.mean() > days["sunny noon"].sun_share.mean()
    assert f"{days['late'].times[days['late'].step_of(late.when)]:%H:%M}" == "00:30"


def test_the_step_of_a_moment_where_the_clocks_change():
    """At noon of the day that loses an hour eleven hours have passed since midnight."""
    day = light_through_day(pond(2, 2, 1.0), date(2026, 3, 29))
    noon = datetime(2026, 3, 29, 12, tzinfo=day.times[0].tzinfo)
    assert day.times[day.step_of(noon)] == noon
    assert day.step_of(noon) == 66
    assert day.step_of(noon - timedelta(days=2)) == 0
    assert day.step_of(noon + timedelta(days=2)) == 137


def test_a_day_after_one_that_lost_an_hour_has_its_own_length():
    """The longer takes the shade of the shorter where that has some, and works out the rest."""
    water = pond(6, 6, 1.0, [tree(0, -8, 9.0, 3.0)])
    short = light_through_day(water, date(2026, 3, 29))
    long = light_through_day(water, date(2026, 3, 30), like=short)
    assert (len(short.times), len(long.times)) == (138, 144)
    np.testing.assert_array_equal(long.sun_share[138:], 0)


def sun_directions(day) -> np.ndarray:
    """Unit vectors to the sun, east, north and up (n_steps, 3)."""
    altitude, azimuth = np.radians([[sun.altitude_deg, sun.azimuth_deg] for sun in day.sun]).T
    return np.column_stack([np.cos(altitude) * np.sin(azimuth), np.cos(altitude) * np.cos(azimuth), np.sin(altitude)])


def test_a_day_takes_its_shade_from_another_only_where_the_sun_stands_alike(toy_channel):
    """Ten days after midsummer most of it, within a hundredth on average; in autumn nothing."""
    shade = prepare_shade(toy_channel)
    first, near, far = (date(2026, 6, 20), date(2026, 6, 30), date(2026, 9, 10))
    june = light_through_day(toy_channel, first, shade)
    alone, beside = (light_through_day(toy_channel, near, shade, like=like) for like in (None, june))
    up = alone.sun_share.any(axis=1)
    cosine = (sun_directions(june) * sun_directions(beside)).sum(axis=1)
    alike = np.degrees(np.arccos(np.clip(cosine, -1, 1))) <= LIKE_DEG
    assert (up & alike).sum() > 80
    np.testing.assert_array_equal(beside.sun_share[up & alike], june.sun_share[up & alike])
    np.testing.assert_array_equal(beside.sun_share[~alike], alone.sun_share[~alike])
    assert np.abs(beside.sun_share[up] / 255.0 - alone.sun_share[up] / 255.0).mean() < 0.01
    np.testing.assert_array_equal(beside.moon_share, alone.moon_share)
    alone, beside = (light_through_day(toy_channel, far, shade, like=like) for like in (None, june))
    np.testing.assert_array_equal(beside.sun_share, alone.sun_share)
    bare = light_through_day(toy_channel, near, shade, leaf_on=False, like=june)
    np.testing.assert_array_equal(bare.sun_share, light_through_day(toy_channel, near, shade, leaf_on=False).sun_share)
