"""Our own sentences in feet, for those who measure in them; what the user typed stays as it is."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache

from reachmap.beat.warmth import printed_fahrenheit
from reachmap.constants import FOOT_M, MILE_PER_HOUR_M_S

_NUMBER = r"(?<![\w.])(-?\d+(?:\.\d+)?)"
_TO = r"( to )(-?\d+(?:\.\d+)?)"


def _length(metres: float) -> str:
    feet = metres / FOOT_M
    return f"{feet:.1f}" if feet < 30 else f"{feet:.0f}"


UNITS: tuple[tuple[str, str, Callable[[float], str]], ...] = (
    ("m3/s", "cfs", lambda v: f"{v / FOOT_M**3:.0f}"),
    ("m/s", "mph", lambda v: f"{v / MILE_PER_HOUR_M_S:.1f}"),
    ("m2", "sq ft", lambda v: f"{v / FOOT_M**2:.0f}"),
    ("cm", "in", lambda v: f"{v / 100 / FOOT_M * 12:.0f}"),
    ("mm", "in", lambda v: f"{v / 1000 / FOOT_M * 12:.2f}"),
    ("m", "ft", _length),
    ("C", "F", lambda v: f"{printed_fahrenheit(v)}"),
)
"""Our unit after a number and a space, the other unit, and the number in it. International foot and mile, exact.

Centimetres are whole ones, of a fish, so inches are too, as on the map's page: 14 in typed come back from 36 cm."""


@cache
def _patterns() -> list[tuple[re.Pattern[str], str, Callable[[float], str]]]:
    """How numbers with each unit are found; not before they are asked for, as few runs measure in feet."""
    return [
        (re.compile(rf"{_NUMBER}(?:{_TO})? {re.escape(unit)}(?![\w/])"), other, turn) for unit, other, turn in UNITS
    ]


BEGIN, END = "\x02", "\x03"
"""Control characters that stand around what the user typed until a text is printed."""


def as_typed(text: str) -> str:
    """What the user typed, marked so that no number in it is turned."""
    return f"{BEGIN}{in_metres(text)}{END}"


def in_metres(text: str) -> str:
    """A text of ours as it stands, without the marks of what the user typed."""
    return text.replace(BEGIN, "").replace(END, "")


def in_units(text: str, units: str) -> str:
    """A text of ours as it is printed for a beat that asks for "metric" or "imperial" units."""
    return in_feet(text) if units == "imperial" else in_metres(text)


def in_feet(text: str) -> str:
    """A text of ours, plain or html, with its numbers in feet, inches, miles an hour and degrees Fahrenheit."""
    parts = re.split(f"({BEGIN}[^{END}]*{END})", text)
    return "".join(in_metres(part) if part.startswith(BEGIN) else _all_turned(part) for part in parts)


def _all_turned(text: str) -> str:
    for pattern, other, turn in _patterns():
        text = pattern.sub(lambda found, other=other, turn=turn: _turned(found, other, turn), text)  # type: ignore[misc]
    return text


def _turned(found: re.Match[str], other: str, turn: Callable[[float], str]) -> str:
    """One number, or a span of two that don't print alike, with its unit."""
    first, to, second = found.groups()
    low, high = turn(float(first)), turn(float(second or first))
    return f"{low if low == high else low + to + high} {other}"
