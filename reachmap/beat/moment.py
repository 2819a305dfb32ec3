"""One moment that somebody asks for, instead of the scenes that stand in the beat's settings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from reachmap.beat.catalogue import SECTIONS
from reachmap.beat.clock import YEARS, by_the_clock
from reachmap.beat.messages import say
from reachmap.beat.model import Beat, Scene, Water
from reachmap.errors import Finding, SettingError

CLEAR, OVERCAST = 0, 8
"""A sky without cloud and one full of it [oktas]."""


def check_scene(**given: float | None) -> None:
    """Hold what is asked for a scene to the limits of the settings in beat.toml, by their names; None asks nothing.

    Raises
    ------
    SettingError : a value beyond them
    """
    for key, value in given.items():
        setting = SECTIONS["scenes"][key]
        if value is None or (setting.allows(value) and (setting.kind != "whole" or value == int(value))):
            continue
        kind = "a whole number" if setting.kind == "whole" else "a number"
        raise SettingError(f"{key} {value:g}: it must be {kind} from {setting.low:g} to {setting.high:g}")


def water_then(water: Water, clarity_m: float | None, temperature_c: float | None) -> Water:
    """Water with another clarity [m] and temperature [degC]; None keeps it.

    Raises
    ------
    SettingError : no water is like that
    """
    check_scene(clarity_m=clarity_m, temperature_c=temperature_c)
    if clarity_m is not None:
        water = replace(water, clarity_m=clarity_m, bed_visible=False)
    return water if temperature_c is None else replace(water, temperature_c=temperature_c)


@dataclass(frozen=True)
class Moment:
    """A moment, and what the sky and the water are like then.

    Parameters
    ----------
    when : by the clock of the beat, if it names no time zone of its own
    cloud : oktas; None asks for a clear sky and for an overcast one
    clarity_m, temperature_c : of the water [m], [degC]; None as in the beat's settings
    """

    when: datetime
    cloud: int | None = None
    clarity_m: float | None = None
    temperature_c: float | None = None

    def scenes(self, beat: Beat) -> tuple[Scene, ...]:
        """The scenes of this moment on a beat, one for each sky asked for, by whose name they go.

        Raises
        ------
        SettingError : no such moment by the clock of the beat, no such sky or water
        """
        check_scene(cloud=self.cloud)
        if self.when.year not in YEARS:
            raise SettingError(f"{self.when.isoformat(' ')}: the year can't be. Use {YEARS[0]} to {YEARS[-1]}")
        when, odd = by_the_clock(self.when, ZoneInfo(beat.time_zone))
        if odd == "skipped":
            raise SettingError(
                f"{self.when:%d %B %Y %H:%M}: the clocks of {beat.time_zone} skip this time. Use another"
            )
        skies = {"clear sky": CLEAR, "overcast": OVERCAST}
        if self.cloud is not None:
            skies = {f"cloud {self.cloud}/8": self.cloud}
        water = water_then(beat.water, self.clarity_m, self.temperature_c)
        return tuple(Scene(sky, when, cloud, water, beat.town_glow_lux) for sky, cloud in skies.items())

    def findings(self, beat: Beat) -> tuple[Finding, ...]:
        """What is odd about it on a beat, as of a scene in the beat's settings: that its clocks tell it twice."""
        if by_the_clock(self.when, ZoneInfo(beat.time_zone))[1] != "told twice":
            return ()
        told = {"value": self.when.isoformat(sep=" "), "zone": beat.time_zone}
        return (say("scene-twice-told", where="the moment asked for", **told),)
