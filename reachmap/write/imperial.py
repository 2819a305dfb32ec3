"""Our own sentences in feet, for those who measure in them; what the user typed stays as it is."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from functools import cache

from reachmap.constants import FOOT_M

_NUMBER = r"(?<![\w.])(-?\d+(?:\.\d+)?)"
_TO = r"( to )(-?\d+(?:\.\d+)?)"


def _length(metres: float) -> str:
    feet = metres / FOOT_M
    return f"{feet:.1f}" if feet < 30 else f"{feet:.0f}"


UNITS: tuple[tuple[str, str, Callable[[float], str]], ...] = (
    ("m3/s", "cfs", lambda v: f"{v / FOOT_M**3:.0f}"),
    ("m/s", "ft/s", lambda v: f"{v / FOOT_M:.1f}"),
    ("m2", "ft2", lambda v: f"{v / FOOT_M**2:.0f}"),
    ("cm", "in", lambda v: f"{v / 100 / FOOT_M * 12:.1f}"),
    ("mm", "in", lambda v: f"{v / 1000 / FOOT_M * 12:.2f}"),
    ("m", "ft", _length),
    ("C", "F", lambda v: f"{v * 9 / 5 + 32:.0f}"),
)
"""Our unit after a number and a space, the other unit, and the number in it. The international foot, exact."""


@cache
def _patterns() -> list[tuple[re.Pattern[str], str, Callable[[float], str]]]:
    """How numbers with each unit are found; not before they are asked for, as few runs measure in feet."""
    return [
        (re.compile(rf"{_NUMBER}(?:{_TO})? {re.escape(unit)}(?![\w/])"), other, turn) for unit, other, turn in UNITS
    ]


def in_feet(text: str, typed: Iterable[str] = ()) -> str:
    """A text of ours with its numbers in feet, inches, cubic feet and degrees Fahrenheit.

    Parameters
    ----------
    text : plain text or html
    typed : what the user typed that stands in it; left as it is
    """
    kept = sorted({word for word in typed if word}, key=len, reverse=True)
    for k, word in enumerate(kept):
        text = text.replace(word, f"\x00{k}\x00")
    for pattern, other, turn in _patterns():
        text = pattern.sub(lambda found, other=other, turn=turn: _turned(found, other, turn), text)  # type: ignore[misc]
    for k, word in enumerate(kept):
        text = text.replace(f"\x00{k}\x00", word)
    return text


def _turned(found: re.Match[str], other: str, turn: Callable[[float], str]) -> str:
    """One number, or a span of two, with its unit."""
    first, to, second = found.groups()
    return f"{turn(float(first))}{to + turn(float(second)) if to else ''} {other}"
