"""Settings files in which every number stands beside its source, and which can say the line of each entry."""

from __future__ import annotations

import math
import re
import reprlib
import sys
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from reachmap.errors import SettingError

MAX_BYTES = 1_000_000
"""A settings file is a few kilobytes; anything far larger is the wrong file."""


@dataclass(frozen=True)
class Sourced:
    """A TOML text, parsed: `name` as the user knows it, `text` as written, `data` by section."""

    name: str
    text: str
    data: Mapping[str, Any]

    def line(self, section: str, key: str = "") -> int:
        """Line of a key in a section (of the section's heading when the key isn't found), counted from 1."""
        heading, found = re.compile(r"^\s*\[\s*([^\]]+?)\s*\]"), 1
        inside = False
        for number, text in enumerate(self.text.splitlines(), 1):
            if match := heading.match(text):
                inside = match[1].replace(" ", "").replace('"', "") == section
                found = number if inside else found
            elif inside and key and re.match(rf'^\s*"?{re.escape(key)}"?\s*=', text):
                return number
        return found

    def refuse(self, section: str, key: str, what: str, remedy: str) -> NoReturn:
        """Raise SettingError naming the file, the line, what is wrong and what to do."""
        place = f"[{section}] {key}".strip()
        raise SettingError(f"{self.name}, line {self.line(section, key)}, {place}: {what}. {remedy}")

    def number(self, section: str, key: str, low: float, high: float) -> float:
        """A number of a section, checked against its limits."""
        value = self.entry(section, key)
        if not _is_number(value):
            self.refuse(
                section, key, f"expected a number, got {_short(value)}", f"Write a number from {low:g} to {high:g}"
            )
        if not low <= value <= high:
            self.refuse(section, key, f"{value:g} is out of range", f"Write a number from {low:g} to {high:g}")
        return float(value)

    def sourced(self, section: str, key: str, low: float, high: float) -> float:
        """`number` of a section that names its source, or is refused."""
        self.source(section)
        return self.number(section, key, low, high)

    def points(self, section: str, key: str, low: float, high: float) -> tuple[tuple[float, float], ...]:
        """Points of a curve: rising first values, second values within limits."""
        value, remedy = self.entry(section, key), "Write pairs like [[0.1, 0.0], [0.6, 1.0]]"
        if not isinstance(value, list) or not value:
            self.refuse(section, key, f"expected a list of pairs, got {_short(value)}", remedy)
        last = -math.inf
        for pair in value:
            if not isinstance(pair, list) or len(pair) != 2 or not all(_is_number(v) for v in pair):
                self.refuse(section, key, f"{_short(pair)} is not a pair of numbers", remedy)
            if pair[0] <= last:
                self.refuse(section, key, f"{pair[0]:g} follows {last:g}", "Put the pairs in rising order, each once")
            if not low <= pair[1] <= high:
                self.refuse(
                    section, key, f"{pair[1]:g} is out of range", f"Keep the second of each pair {low:g} to {high:g}"
                )
            last = pair[0]
        return tuple((float(a), float(b)) for a, b in value)

    def source(self, section: str) -> str:
        """The source of a section; refused when it is missing or empty."""
        value = self.entry(section, "source")
        if not isinstance(value, str) or not value.strip():
            self.refuse(
                section, "source", f"expected words, got {_short(value)}", 'Say whose numbers these are, or "assumed"'
            )
        return value

    def table(self, section: str) -> Mapping[str, Any]:
        """The entries of a section by key; refused when there is no such section."""
        place: Any = self.data
        for part in section.split("."):
            place = place.get(part) if isinstance(place, Mapping) else None
        if not isinstance(place, Mapping):
            self.refuse(section, "", "this section is missing", f"Write it under a heading [{section}]")
        return place

    def entry(self, section: str, key: str) -> Any:
        """One entry; refused when the section or the key is missing."""
        place = self.table(section)
        if key not in place:
            remedy = 'Say whose numbers these are, or "assumed"' if key == "source" else "Add it"
            self.refuse(section, key, "this entry is missing", remedy)
        return place[key]

    def sections(self) -> tuple[str, ...]:
        """Every section that holds entries, by its dotted name."""
        return tuple(_leaves(self.data, ""))


def overlay(user: Sourced | None, packaged: Sourced, *, within: tuple[str, ...]) -> Callable[[str], Sourced]:
    """Where to read each section: in the user's file if it stands there, else in the packaged one.

    Parameters
    ----------
    user : the user's file, None if there is none
    packaged : the file that comes with the package, complete
    within : first names of the sections looked after here; others in the user's file are left alone

    Raises
    ------
    SettingError : a section or key of the user's that doesn't exist
    """
    if user is None:
        return lambda section: packaged
    theirs = [s for s in user.sections() if s.split(".")[0] in within]
    for section in theirs:
        if section not in packaged.sections():
            known = ", ".join(packaged.sections())
            user.refuse(section, "", "no such section", f"There are: {known}")
        for key in user.table(section):
            if key not in packaged.table(section):
                user.refuse(section, key, "no such entry", f"There are: {', '.join(packaged.table(section))}")
    return lambda section: user if section in theirs else packaged


def keep_rising(place: Callable[[str], Sourced], user: Sourced | None, less: str, more: str) -> None:
    """Refuse the values of two sections, numbers both, unless that of `less` is below that of `more`.

    Parameters
    ----------
    place, user : where each section stands, see `overlay`
    less, more : the sections; the user's own is refused, where only one of the two is

    Raises
    ------
    SettingError : they are equal or the other way round
    """
    values = {section: place(section).entry(section, "value") for section in (less, more)}
    if values[less] >= values[more]:
        own, other, word = (less, more, "below") if place(less) is user else (more, less, "above")
        what = f"{values[own]:g} is not {word} [{other}], which is {values[other]:g}"
        place(own).refuse(own, "value", what, f"Make [{less}] the smaller of the two")


def parse_sourced(text: str, name: str) -> Sourced:
    """Parse a TOML text; a mistake in it is refused with its line."""
    try:
        parsed = Sourced(name, text, tomllib.loads(text))
        parsed.sections()
    except tomllib.TOMLDecodeError as error:
        raise SettingError(f"{name}: {error}. Mend the line; it must be valid TOML") from error
    except RecursionError as error:
        raise SettingError(f"{name}: nested far too deeply. Was another file meant?") from error
    return parsed


def read_sourced(path: str | Path) -> Sourced:
    """Read a settings file of the user's own.

    Raises
    ------
    SettingError : not there, not readable as UTF-8 text, far too large, or not TOML
    """
    path = Path(path)
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise SettingError(f"{path}: {size} bytes is too large for such a file. Was another file meant?")
        return parse_sourced(path.read_text(encoding="utf-8-sig"), str(path))
    except UnicodeDecodeError as error:
        raise SettingError(
            f"{path}: not UTF-8 text ({error.reason} at byte {error.start}). Save it as UTF-8"
        ) from error
    except OSError as error:
        raise SettingError(f"{path}: can't be read ({error.strerror}). Check the name and the rights") from error


def _leaves(table: Mapping[str, Any], prefix: str) -> Iterator[str]:
    """Dotted names of the tables that hold anything besides tables."""
    if prefix and not all(isinstance(v, Mapping) for v in table.values()):
        yield prefix
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _leaves(value, f"{prefix}.{key}" if prefix else key)


def _is_number(value: object) -> bool:
    """True for a finite int or float that isn't a bool and that a double can hold."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= sys.float_info.max


def _short(value: object) -> str:
    """A value as text, long ones cut."""
    return reprlib.repr(value)
