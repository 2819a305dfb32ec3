"""What one types after an option: measures with or without their unit, moments."""

from __future__ import annotations

import re
import time
from datetime import UTC, date, datetime
from typing import Any

import click

from reachmap.constants import STEP_MIN


class Measure(click.ParamType):
    """A length, flow or temperature in SI (degC), typed plainly or with a unit: 0.6, 2ft, 110cfs, 55F."""

    def __init__(self, quantity: str, low: float, high: float) -> None:
        self.name, self.low, self.high = quantity, low, high

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number, within its limits."""
        if isinstance(value, float):  # a default, or converted already
            return value
        from reachmap.beat.numbers import measure

        unit, others = MEASURES[self.name]
        more = f"Write a number in {unit}, or with its unit: {others}."
        try:
            number = measure(value, self.name)
        except ValueError:
            self.fail(f"{value!r} is no {self.name}. {more}", param, ctx)
        if not self.low <= number <= self.high:
            self.fail(f"{value!r} is not between {self.low:g} and {self.high:g} {unit}. {more}", param, ctx)
        return number


MEASURES = {
    "length": ("m", "0.6m, 2ft, 2'6\", 14in"),
    "flow": ("m3/s", "3.1m3/s, 110cfs"),
    "temperature": ("C", "13C, 55F"),
}
"""Our unit, and how one may type it."""

CLARITY, LENGTH, CELL = Measure("length", 0.02, 60.0), Measure("length", 0.05, 1.5), Measure("length", 0.02, 50.0)
STAGE, FLOW = Measure("length", -30.0, 30.0), Measure("flow", 0.001, 20000.0)
WARMTH = Measure("temperature", -1.0, 40.0)
"""What may be asked for: where a setting of beat.toml says the same, within its limits (repeated here, as the beat room
takes a second to load). The level is held to the water by the chain itself."""


class PlaceType(click.ParamType):
    """A place as latitude,longitude in degrees."""

    name = "place"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        """Latitude and longitude."""
        try:
            lat, lon = (float(part) for part in value.split(","))
        except ValueError:
            self.fail(f"{value!r}: expected latitude,longitude in degrees, such as 54.6204,-2.3127", param, ctx)
        if not (abs(lat) <= 90 and abs(lon) <= 180):
            words = "latitude goes to 90 and longitude to 180 degrees; latitude stands first"
            self.fail(f"{value!r}: {words}", param, ctx)
        return lat, lon


class WhenType(click.ParamType):
    """A day and hour, an hour of today, or now."""

    name = "when"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        """The moment, without a time zone unless it is now or names one."""
        text = value.strip()
        if text == "now":
            # To the steps of the map's hour, so that the list and the map tell of the same.
            step_s = 60 * STEP_MIN
            return datetime.fromtimestamp(round(time.time() / step_s) * step_s, UTC)
        today = f"{date.today()} {text:0>5}" if re.fullmatch(r"\d\d?:\d\d", text) else text
        try:
            # A day alone says no hour; Python would take its midnight.
            return datetime.fromisoformat(today if ":" in text else "")
        except ValueError:
            words = f"{value!r} is no day and hour. Write 2026-10-10 18:30, or 18:30 for today, or now."
            raise click.BadParameter(words, ctx, param) from None
