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
    """The user's scenes, or three: sunny noon, overcast noon, the night of the nearest full moon."""
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
    """Sunny noon, overcast noon and the night of the full moon, on the survey date or about the longest day.

    Without a survey date it is the coming 20 June north of the equator, 20 December south of it.
    """
    day = survey or coming_solstice(date.today(), lat)
    noon = _transit(ephem.Sun(), datetime(day.year, day.month, day.day, tzinfo=UTC), lat, lon)
    near = ephem.Date(noon.replace(tzinfo=None))
    moons = [ephem.previous_full_moon(near), ephem.next_full_moon(near)]
    full = min(moons, key=lambda moon: abs(moon - near)).datetime().replace(tzinfo=UTC)
    night = _transit(ephem.Moon(), full - timedelta(hours=12), lat, lon)
    tz = ZoneInfo(zone)
    return (
        Scene("sunny noon", noon.astimezone(tz), 1, water),
        Scene("overcast noon", noon.astimezone(tz), 8, water),
        Scene("full moon night", night.astimezone(tz), 0, water),
    )


def coming_solstice(today: date, lat: float) -> date:
    """The next 20 June (north) or 20 December (south) from a day on."""
    month = 6 if lat >= 0 else 12
    this_year = date(today.year, month, 20)
    return this_year if this_year >= today else date(today.year + 1, month, 20)


def _transit(body: Any, start: datetime, lat: float, lon: float) -> datetime:
    """The first time after a start that a body stands highest, to five minutes.

    The start is shifted by the longitude, so that the transit falls on the local day.
    """
    place = ephem.Observer()
    place.lat, place.lon, place.elevation = math.radians(lat), math.radians(lon), 0
    place.date = ephem.Date((start - timedelta(hours=lon / 15)).replace(tzinfo=None))
    found = place.next_transit(body).datetime().replace(tzinfo=UTC)
    minutes = round((found - found.replace(hour=0, minute=0, second=0, microsecond=0)).total_seconds() / 300) * 5
    return found.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(minutes=minutes)
