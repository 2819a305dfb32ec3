"""Scenes and water out of the settings; three usual scenes where none are given."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import ephem

from reachmap.beat.clock import by_the_clock
from reachmap.beat.messages import Report
from reachmap.beat.model import Scene, Water
from reachmap.beat.settings import FILE, Settings

MOST_SCENES = 50

DARK_SKY_DEG = -12.0
"""Sun's altitude at the end of nautical twilight, at which a night counts as the moon's (assumed) [deg]."""

MOON_LEAST_DEG = 5.0
"""A full moon that stands lower at its highest lights no night [deg]; assumed."""


def water_of(given: Mapping[str, Any], default: Water | None = None) -> Water:
    """Water out of settings; what they leave open is taken from the default."""
    base = default or Water()
    return Water(
        given.get("clarity_m", base.clarity_m),
        given.get("clarity_how", base.how),
        given.get("colour", base.colour),
        given.get("temperature_c", base.temperature_c),
        given.get("bed_visible", base.bed_visible),
    )


def zone_of(settings: Settings, report: Report) -> str:
    """The time zone, checked; UTC with a word where none is given."""
    name = settings.get("", "time_zone")
    if name is None:
        report.say("zone-missing", FILE, "time_zone")
        return "UTC"
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        report.say("zone-unknown", FILE, "time_zone", value=name)
        return "UTC"
    return name


def scenes_of(
    settings: Settings, water: Water, lat: float, lon: float, survey: date | None, zone: str, report: Report
) -> tuple[Scene, ...]:
    """The user's scenes, or three: sunny noon, overcast noon, a night of the full moon."""
    scenes: list[Scene] = []
    given = settings.scenes[:MOST_SCENES]
    # A town stands by the water in every scene, whichever tells of it.
    glow_lux = max((table["town_glow_lux"] for table in given if "town_glow_lux" in table), default=0.0)
    if len(settings.scenes) > MOST_SCENES:
        report.say("scenes-many", FILE, "[[scenes]]", count=len(settings.scenes), limit=MOST_SCENES)
    for i, table in enumerate(given):
        where = f"[[scenes]] number {i + 1}"
        when = table.get("when")
        if when is None:
            if "when" not in (settings.raw.get("scenes") or [{}] * (i + 1))[i]:
                report.say("scene-no-time", FILE, where)
            continue
        name = table.get("name") or f"scene {i + 1}"
        # A column for each goes into lies.gpkg, where capitals don't tell names apart.
        if any(scene.name.casefold() == name.casefold() for scene in scenes):
            report.say("scene-twice", FILE, where, name=name)
            continue
        moment = _in_zone(when, zone, where, report)
        scenes.append(
            Scene(
                name,
                moment,
                table.get("cloud", 1),
                water_of(table, water),
                table.get("town_glow_lux", glow_lux),
                table.get("leaf_on"),
            )
        )
    if scenes or report.failed:
        return tuple(scenes)
    made = usual_scenes(survey, water, lat, lon, zone)
    report.say("scenes-made", FILE, "[[scenes]]", names=", ".join(f"{s.name} ({s.when:%d %B %Y %H:%M})" for s in made))
    return made


def _in_zone(when: datetime, zone: str, where: str, report: Report) -> datetime:
    """A moment by the clock of the place; a local time that the change of clocks skips or repeats is named."""
    local, odd = by_the_clock(when, ZoneInfo(zone))
    if odd:
        message = "scene-skipped" if odd == "skipped" else "scene-twice-told"
        report.say(message, FILE, where, value=when.isoformat(sep=" "), zone=zone)
    return local


def usual_scenes(survey: date | None, water: Water, lat: float, lon: float, zone: str) -> tuple[Scene, ...]:
    """Sunny noon, overcast noon and a night of the full moon, on the survey date or about the longest day.

    Without a survey date it is the coming 20 June north of the equator, 20 December south of it. The night is that of
    the nearest full moon which stands in a dark sky: far north no night about midsummer has one.
    """
    day = survey or coming_solstice(date.today(), lat)
    noon = _transit(ephem.Sun(), datetime(day.year, day.month, day.day, tzinfo=UTC), lat, lon)
    nights = [_transit(ephem.Moon(), full - timedelta(hours=12), lat, lon) for full in _full_moons(noon)]
    night = min(nights, key=lambda when: (not _moonlit(when, lat, lon), abs(when - noon)))
    tz = ZoneInfo(zone)
    return (
        Scene("sunny noon", noon.astimezone(tz), 1, water),
        Scene("overcast noon", noon.astimezone(tz), 8, water),
        Scene("full moon night", night.astimezone(tz), 0, water),
    )


def _full_moons(about: datetime) -> list[datetime]:
    """The full moons of half a year to either side of a moment."""
    moons = [ephem.next_full_moon(ephem.Date((about - timedelta(days=190)).replace(tzinfo=None)))]
    while len(moons) < 13:
        moons.append(ephem.next_full_moon(moons[-1]))
    return [moon.datetime().replace(tzinfo=UTC) for moon in moons]


def _moonlit(when: datetime, lat: float, lon: float) -> bool:
    """Whether a full moon at its highest gives light of its own: dark by the sun, and above the trees."""
    place = _place(when, lat, lon)
    sun, moon = (math.degrees(body.alt) for body in (ephem.Sun(place), ephem.Moon(place)))
    return sun < DARK_SKY_DEG and moon > MOON_LEAST_DEG


def coming_solstice(today: date, lat: float) -> date:
    """The next 20 June (north) or 20 December (south) from a day on."""
    month = 6 if lat >= 0 else 12
    this_year = date(today.year, month, 20)
    return this_year if this_year >= today else date(today.year + 1, month, 20)


def _transit(body: Any, start: datetime, lat: float, lon: float) -> datetime:
    """The first time after a start that a body stands highest, to five minutes.

    The start is shifted by the longitude, so that the transit falls on the local day.
    """
    place = _place(start - timedelta(hours=lon / 15), lat, lon)
    found = place.next_transit(body).datetime().replace(tzinfo=UTC)
    minutes = round((found - found.replace(hour=0, minute=0, second=0, microsecond=0)).total_seconds() / 300) * 5
    return found.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(minutes=minutes)


def _place(when: datetime, lat: float, lon: float) -> ephem.Observer:
    """A place and a moment to look at the sky from, without refraction."""
    place = ephem.Observer()
    place.lat, place.lon, place.elevation, place.pressure = math.radians(lat), math.radians(lon), 0, 0
    place.date = ephem.Date(when.astimezone(UTC).replace(tzinfo=None))
    return place
