"""Sun and moon against worked examples, pvlib's SPA and Skyfield."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pandas as pd
import pytest

from reachmap.light.bodies import DOWN_DEG, casts, day_events, steps_of, sun_and_moon, suns_and_moons
from reachmap.light.lux import moon_lux, sun_lux
from reachmap.light.model import Body
from tests.published import load

ROWS = load("light")
P1, P3 = datetime(2025, 6, 21, 12, tzinfo=UTC), datetime(2025, 1, 13, 22, 30, tzinfo=UTC)


def angles(body):
    return [body.altitude_deg, body.azimuth_deg]


def test_worked_example():
    when = datetime(2003, 10, 17, 12, 30, 30, tzinfo=timezone(timedelta(hours=-7)))
    sun, _ = sun_and_moon(when, 39.742476, -105.1786)
    ROWS["A1"].check([90 - sun.altitude_deg, sun.azimuth_deg])


def test_reference_positions():
    ROWS["A2"].check(angles(sun_and_moon(P1, 54, -2.5)[0]))
    moon = sun_and_moon(P3, 54, -2.5)[1]
    ROWS["A3"].check(angles(moon))
    ROWS["A3-lit"].check(moon.lit)
    ROWS["B9"].check(moon.clear_lux)
    sun, moon = sun_and_moon(datetime(2025, 12, 4, 20, 30, tzinfo=UTC), -41.5, 172.8)
    ROWS["A4"].check([*angles(sun), moon.altitude_deg])
    ROWS["A5"].check(sun_and_moon(datetime(2025, 6, 21, 21, tzinfo=UTC), 54, -2.5)[0].altitude_deg)
    ROWS["A6"].check(sun_and_moon(datetime(2025, 9, 10, 13, tzinfo=UTC), 45.67, -111.05)[1].altitude_deg)


def random_places(count, seed):
    rng = np.random.default_rng(seed)
    lat, lon = rng.uniform(-75, 75, count), rng.uniform(-180, 180, count)
    minutes = rng.integers(0, 25 * 365 * 24 * 60, count)
    return lat, lon, [datetime(2010, 1, 1, tzinfo=UTC) + timedelta(minutes=int(m)) for m in minutes]


def apart(one, other):
    """Angle between two directions (altitude, azimuth) [deg]."""
    a, b = (np.radians(np.asarray(v, float)) for v in (one, other))
    dot = np.sin(a[0]) * np.sin(b[0]) + np.cos(a[0]) * np.cos(b[0]) * np.cos(a[1] - b[1])
    return np.degrees(np.arccos(np.clip(dot, -1, 1)))


def test_sun_against_spa():
    from pvlib import spa
    from pvlib.solarposition import spa_python

    lat, lon, when = random_places(10_000, 1)
    ours = np.array([angles(sun_and_moon(*row)[0]) for row in zip(when, lat, lon, strict=True)]).T
    unix = np.array([moment.timestamp() for moment in when])
    delta_t = spa.calculate_deltat(np.array([w.year for w in when]), np.array([w.month for w in when]))
    theirs = spa.solar_position_numpy(unix, lat, lon, 0, 1013.25, 12, delta_t, 0.0, 1)
    off = apart(ours, (theirs[3], theirs[4]))
    assert off.max() < 0.01, off.max()
    # The array form is used as its makers use it: their own front door gives the same.
    one = spa_python(pd.DatetimeIndex(when[:1]), lat[0], lon[0], altitude=0)
    assert theirs[3][0] == pytest.approx(one["elevation"].iloc[0], abs=1e-3)


def test_moon_against_skyfield():
    from skyfield.api import Loader, wgs84
    from skyfield_data import get_skyfield_data_path

    lat, lon, when = random_places(250, 2)
    load_from = Loader(get_skyfield_data_path())
    scale, planets = load_from.timescale(builtin=True), load_from("de421.bsp")
    off = []
    for moment, north, east in zip(when, lat, lon, strict=True):
        here = planets["earth"] + wgs84.latlon(north, east)
        altitude, azimuth, _ = here.at(scale.from_datetime(moment)).observe(planets["moon"]).apparent().altaz()
        off.append(apart(angles(sun_and_moon(moment, north, east)[1]), (altitude.degrees, azimuth.degrees)))
    assert max(off) < 0.02, max(off)


def test_a_day_by_the_clock():
    assert len(steps_of(date(2026, 6, 20), "Europe/London", 10)) == 144
    # Summer time begins and ends: 23 and 25 hours.
    assert len(steps_of(date(2026, 3, 29), "Europe/London", 10)) == 138
    assert len(steps_of(date(2026, 10, 25), "Europe/London", 10)) == 150
    times = steps_of(date(2026, 10, 25), "Europe/London", 10)
    assert all(b.astimezone(UTC) - a.astimezone(UTC) == timedelta(minutes=10) for a, b in itertools.pairwise(times))


def events_of(times, lat, lon):
    return day_events(times, suns_and_moons(times, lat, lon), lat, lon)


def test_events_of_a_northern_day():
    events = events_of(steps_of(date(2025, 6, 21), "UTC", 10), 54, -2.5)
    ROWS["A7"].check((events["civil_dusk"] - datetime(2025, 6, 21, tzinfo=UTC)).total_seconds())
    assert "nautical_dawn" in events
    assert list(events.values()) == sorted(events.values())


@pytest.mark.parametrize(
    ("day", "lat", "missing"),
    [(date(2026, 6, 21), 70.0, {"sunrise", "sunset", "civil_dusk"}), (date(2026, 12, 21), 70.0, {"sunrise", "sunset"})],
)
def test_polar_day_and_night_have_no_sunrise(day, lat, missing):
    assert not missing & set(events_of(steps_of(day, "UTC", 10), lat, 25.0))


def test_events_against_skyfield_on_both_sides_of_the_date_line():
    from skyfield import almanac
    from skyfield.api import Loader, wgs84
    from skyfield_data import get_skyfield_data_path

    load_from = Loader(get_skyfield_data_path())
    scale, planets = load_from.timescale(builtin=True), load_from("de421.bsp")
    for zone, lat, lon in (("Pacific/Auckland", -39.0, 178.0), ("Pacific/Honolulu", 20.0, -156.0)):
        times = steps_of(date(2026, 11, 25), zone, 10)
        events = events_of(times, lat, lon)
        t0, t1 = (scale.from_datetime(t) for t in (times[0], times[0] + timedelta(days=1)))
        place = planets["earth"] + wgs84.latlon(lat, lon)
        for name, find in (("sunrise", almanac.find_risings), ("sunset", almanac.find_settings)):
            theirs = find(place, planets["sun"], t0, t1)[0][0].utc_datetime()
            assert abs((events[name] - theirs).total_seconds()) < 30


def test_the_zone_of_the_clock_does_not_move_the_sun():
    there = P1.astimezone(timezone(timedelta(hours=13)))
    assert sun_and_moon(P1, 54, -2.5) == sun_and_moon(there, 54, -2.5)
    east, west = (sun_and_moon(P1, -17.0, lon)[0] for lon in (179.9999, -179.9999))
    assert east.altitude_deg == pytest.approx(west.altitude_deg, abs=1e-3)


def test_the_moon_casts_its_shade_once_the_sun_is_down():
    """Beside the dimmest sun that still casts, the brightest moon adds less than a thousandth."""
    moon = Body(80.0, 180.0, float(moon_lux(80.0, 180.0, 1.02)))
    low, down = (Body(altitude, 300.0, float(sun_lux(altitude))) for altitude in (DOWN_DEG + 1e-6, DOWN_DEG - 1e-6))
    assert casts(low, low)
    assert not casts(moon, low)
    assert moon.clear_lux < 1e-3 * low.clear_lux
    assert casts(moon, down)
    assert not casts(down, down)
