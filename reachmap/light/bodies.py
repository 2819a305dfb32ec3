"""Where sun and moon stand, and when they rise and set.

Positions by PyEphem, seen from the place itself (the moon's parallax is up to a degree), without refraction.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import ephem
import numpy as np

from reachmap.light.lux import moon_lux, sun_lux
from reachmap.light.model import Body

EARTH_RADIUS_KM, AU_KM = 6378.137, 149597870.7
"""Equatorial radius of the Earth (WGS 84) and the astronomical unit (IAU 2012) [km]."""

RISE_DEG = -0.833
"""Altitude of the centre when the upper limb shows: 34' of refraction and 16' of radius [deg]; usual almanac value."""

DOWN_DEG = -1.0
"""Below this a body is down, whatever refraction does [deg]."""

DARK_DEG = -6.0
"""Sun's altitude at the end of civil twilight [deg]."""

SUN_EVENTS = {
    "nautical_dawn": (-12.0, True),
    "civil_dawn": (DARK_DEG, True),
    "sunrise": (RISE_DEG, True),
    "sunset": (RISE_DEG, False),
    "civil_dusk": (DARK_DEG, False),
    "nautical_dusk": (-12.0, False),
}
"""Event -> (altitude of the sun [deg], rising)."""

MOON_EVENTS = {"moonrise": (RISE_DEG, True), "moonset": (RISE_DEG, False)}
"""Event -> (altitude of the moon [deg], rising)."""


def sun_and_moon(when: datetime, lat: float, lon: float) -> tuple[Body, Body]:
    """Sun and moon from a place [deg] at a time-zone-aware moment."""
    return suns_and_moons([when], lat, lon)[0]


def suns_and_moons(times: Sequence[datetime], lat: float, lon: float) -> list[tuple[Body, Body]]:
    """Sun and moon from a place [deg] at several time-zone-aware moments."""
    suns, moons = [], []
    for when in times:
        place = _place(when, lat, lon)
        sun, moon = ephem.Sun(place), ephem.Moon(place)
        # Seen from the Earth's centre: the phase law and the parallax are about the whole moon, not about the place.
        centre = ephem.Moon(place.date)
        suns.append((sun.alt, sun.az))
        moons.append((moon.alt, moon.az, centre.elong, centre.earth_distance, centre.moon_phase))
    altitude, azimuth = np.degrees(np.array(suns).T)
    moon_alt, moon_az, elongation, distance, phase = np.array(moons).T
    parallax = np.degrees(np.arcsin(EARTH_RADIUS_KM / (distance * AU_KM)))
    moon_alt, moon_az, elongation = np.degrees((moon_alt, moon_az, elongation))
    of_sun = altitude, azimuth, sun_lux(altitude)
    of_moon = moon_alt, moon_az, moon_lux(moon_alt, elongation, parallax), phase
    sun_rows, moon_rows = (np.column_stack(values).tolist() for values in (of_sun, of_moon))
    return [(Body(*sun), Body(*moon)) for sun, moon in zip(sun_rows, moon_rows, strict=True)]


def casts(body: Body, sun: Body) -> bool:
    """Whether a body, the sun or the moon, casts a shade that counts.

    It has to be up, and for the moon the sun has to be down: beside its light and its twilight the moon's comes to
    less than a thousandth.
    """
    return body.altitude_deg > DOWN_DEG and (body is sun or sun.altitude_deg <= DOWN_DEG)


def is_dark(sun: Body) -> bool:
    """True after civil dusk, when one no longer sees where one treads."""
    return sun.altitude_deg < DARK_DEG


def steps_of(day: date, zone: str, step_min: int) -> tuple[datetime, ...]:
    """Moments from one local midnight to the next; 23 or 25 hours long where the clocks change."""
    tz = ZoneInfo(zone)
    start = datetime.combine(day, time(), tz).astimezone(UTC)
    end = datetime.combine(day + timedelta(days=1), time(), tz).astimezone(UTC)
    count = math.ceil((end - start) / timedelta(minutes=step_min))
    return tuple((start + timedelta(minutes=step_min * k)).astimezone(tz) for k in range(count))


def day_events(
    times: Sequence[datetime], bodies: Sequence[tuple[Body, Body]], lat: float, lon: float
) -> dict[str, datetime]:
    """The named moments between the first step and the last plus one step; those that don't happen are left out.

    The first of its kind where one happens twice. Found where the altitude crosses its mark between two steps, to a
    second.

    Parameters
    ----------
    times, bodies : the steps, and sun and moon at each
    lat, lon : of the place [deg]
    """
    # In UTC: differences of local times do not see a change of clocks.
    ends = [moment.astimezone(UTC) for moment in times]
    ends.append(ends[-1] + (ends[1] - ends[0]))
    found: dict[str, datetime] = {}
    for body, at_steps, marks in zip(
        (ephem.Sun, ephem.Moon), zip(*bodies, strict=True), (SUN_EVENTS, MOON_EVENTS), strict=True
    ):
        heights = [*(one.altitude_deg for one in at_steps), _altitude(body, ends[-1], lat, lon)]
        for name, (mark, rising) in marks.items():
            for k in range(len(times)):
                low, high = heights[k] - mark, heights[k + 1] - mark
                if (low < 0.0 <= high) if rising else (high < 0.0 <= low):
                    found[name] = _crossing(body, ends[k], ends[k + 1], mark, lat, lon).astimezone(times[0].tzinfo)
                    break
    return dict(sorted(found.items(), key=lambda item: item[1]))


def _crossing(
    body: Callable[..., Any], start: datetime, end: datetime, mark: float, lat: float, lon: float
) -> datetime:
    span = (end - start) / timedelta(days=1)
    # To half a second, in days.
    days = ephem.newton(lambda d: _altitude(body, start + timedelta(days=d), lat, lon) - mark, 0.0, span)
    return start + timedelta(seconds=round(86400.0 * days))


def _altitude(body: Callable[..., Any], when: datetime, lat: float, lon: float) -> float:
    return math.degrees(body(_place(when, lat, lon)).alt)


def _place(when: datetime, lat: float, lon: float) -> Any:
    place = ephem.Observer()
    place.lat, place.lon = math.radians(lat), math.radians(lon)
    # PyEphem bends light by default and reads times as UTC; both made explicit here.
    place.pressure = 0.0
    place.date = ephem.Date(when.astimezone(UTC).replace(tzinfo=None))
    return place
