"""A moment that is asked for, by the clock of the place."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from reachmap.beat import Moment
from reachmap.beat.clock import by_the_clock
from reachmap.errors import SettingError
from tests import toy

LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize(
    ("told", "utc", "odd"),
    [
        ("2026-03-29 00:59", "2026-03-29 00:59", ""),
        ("2026-03-29 01:30", "2026-03-29 01:30", "skipped"),
        ("2026-03-29 02:00", "2026-03-29 01:00", ""),
        ("2026-10-25 00:59", "2026-10-24 23:59", ""),
        ("2026-10-25 01:30", "2026-10-25 00:30", "told twice"),
        ("2026-10-25 02:00", "2026-10-25 02:00", ""),
        ("2026-10-25 01:30+00:00", "2026-10-25 01:30", ""),
    ],
)
def test_the_clocks_change_at_one_in_the_morning_utc(told, utc, odd):
    """The Summer Time Order 2002 (SI 2002/262): from 01:00 GMT on the last Sunday in March to that in October."""
    when, found = by_the_clock(datetime.fromisoformat(told), LONDON)
    assert when.astimezone(UTC) == datetime.fromisoformat(utc).replace(tzinfo=UTC)
    assert found == odd
    assert when.tzinfo is LONDON


def test_without_a_word_on_the_cloud_a_clear_and_an_overcast_sky_are_shown():
    beat = toy.beat()
    beat = replace(beat, scenes=(replace(beat.scenes[0], town_glow_lux=0.02, leaf_on=True),))
    clear, overcast = Moment(datetime(2026, 10, 10, 18, 30)).scenes(beat)
    assert (clear.cloud, overcast.cloud) == (0, 8)
    assert (clear.name, overcast.name) == ("clear sky", "overcast")
    assert clear.when == overcast.when == datetime(2026, 10, 10, 18, 30, tzinfo=ZoneInfo(beat.time_zone))
    # The town glows on any night; the leaves are those of the day.
    assert clear.town_glow_lux == 0.02
    assert clear.leaf_on is None
    assert clear.water == beat.water


def test_the_water_is_as_asked_and_else_as_in_the_settings():
    beat = toy.beat()
    beat = replace(beat, water=replace(beat.water, bed_visible=True, temperature_c=9.0))
    (scene,) = Moment(datetime(2026, 10, 10, 18, 30, tzinfo=UTC), 3, 0.7).scenes(beat)
    assert scene.cloud == 3
    assert scene.water == replace(beat.water, clarity_m=0.7, bed_visible=False)
    (scene,) = Moment(datetime(2026, 10, 10, 18, 30), 3, temperature_c=12.0).scenes(beat)
    assert scene.water == replace(beat.water, temperature_c=12.0)


@pytest.mark.parametrize(
    "asked",
    [
        {"cloud": 9},
        {"cloud": -1},
        {"cloud": 2.5},
        {"clarity_m": 900.0},
        {"clarity_m": 0.0},
        {"temperature_c": 99.0},
        {"temperature_c": float("nan")},
    ],
)
def test_a_sky_or_water_that_cannot_be_is_refused(asked):
    (key,) = asked
    with pytest.raises(SettingError, match=key):
        Moment(datetime(2026, 10, 10, 18, 30), **asked).scenes(toy.beat())


@pytest.mark.parametrize(("told", "what"), [("2026-03-29 01:30", "skip"), ("1899-12-31 12:00", "year")])
def test_a_moment_that_is_none_is_refused(told, what):
    with pytest.raises(SettingError, match=what):
        Moment(datetime.fromisoformat(told)).scenes(toy.beat(time_zone="Europe/London"))
