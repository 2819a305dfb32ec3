"""Every message of this room in one table (messages.toml), and a report that collects them file by file."""

from __future__ import annotations

import tomllib
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reachmap.errors import Finding, InputError, Severity

if TYPE_CHECKING:
    import numpy as np

SHOWN = 20
"""Findings listed for one file and severity before the rest is only counted."""

JOINERS = "\u200c\u200d"
"""Invisible, but part of words: between letters of Persian and other scripts, and between the parts of a picture."""

TEXT_LIMIT = 160
"""Characters of a user's value repeated in a message."""


@dataclass(frozen=True)
class Message:
    """One kind of message: its severity, its two sentences as format strings, and values to show it with."""

    severity: Severity
    what: str
    remedy: str
    example: Mapping[str, Any]


@cache
def messages() -> dict[str, Message]:
    """The table of messages by code."""
    rows = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
    return {
        code: Message(row["severity"], row["what"], row["remedy"], row.get("example", {})) for code, row in rows.items()
    }


def say(code: str, file: str = "", where: str = "", **values: Any) -> Finding:
    """One finding from the table, the user's values made safe to show; a hint is our own text and stays as it is."""
    message = messages()[code]
    shown = {key: plain(value) if isinstance(value, str) and key != "hint" else value for key, value in values.items()}
    what, remedy = message.what.format(**shown), message.remedy.format(**shown)
    return Finding(message.severity, plain(file), plain(where), what, remedy, code)


def plain(text: object, limit: int = TEXT_LIMIT) -> str:
    """Text on one line, without control, bidirectional or invisible characters but for `JOINERS`.

    Its middle is cut out if it is long.
    """
    if type(text) is str and len(text) <= limit and text.isprintable() and "  " not in text:
        return text.strip()
    shown = "".join(c if unicodedata.category(c)[0] != "C" or c in JOINERS else " " for c in str(text)[: 50 * limit])
    shown = " ".join(shown.split())
    if len(shown) <= limit:
        return shown
    return f"{shown[: limit * 2 // 3]}...{shown[-limit // 4 :]}"


def some_rows(rows: Sequence[int] | np.ndarray, word: str = "row") -> str:
    """The first few of some rows, for a message."""
    shown = ", ".join(str(row) for row in rows[:5])
    return f"{word}{'s' if len(rows) > 1 else ''} {shown}{', ...' if len(rows) > 5 else ''}"


class Report:
    """Findings in the order met, at most `SHOWN` of one file and severity, then a count.

    Memory stays bounded however many rows are bad.
    """

    def __init__(self) -> None:
        self._kept: list[Finding] = []
        self._count: dict[tuple[str, Severity], int] = {}

    def say(self, code: str, file: str = "", where: str = "", **values: Any) -> None:
        """Add one finding from the table."""
        self.add([say(code, file, where, **values)])

    def add(self, findings: Iterable[Finding]) -> None:
        """Add findings made elsewhere."""
        for finding in findings:
            key = finding.file, finding.severity
            self._count[key] = self._count.get(key, 0) + 1
            if self._count[key] <= SHOWN:
                self._kept.append(finding)

    @contextmanager
    def collecting(self) -> Iterator[None]:
        """Take up an InputError raised inside, so that the next file is still looked at."""
        try:
            yield
        except InputError as error:
            self.add(error.findings)

    @property
    def errors(self) -> int:
        """How many errors there are so far."""
        return sum(count for (_, severity), count in self._count.items() if severity == "error")

    @property
    def failed(self) -> bool:
        """Whether any finding is an error."""
        return self.errors > 0

    def findings(self) -> tuple[Finding, ...]:
        """What was found, each file's overflow as a count at the end."""
        more = [
            Finding(
                severity, file, "", f"and {count - SHOWN} more like these", "Mend the ones above first.", "and-more"
            )
            for (file, severity), count in self._count.items()
            if count > SHOWN
        ]
        return (*self._kept, *more)


def stop(code: str, file: str = "", where: str = "", **values: Any) -> InputError:
    """An InputError with one finding from the table, to be raised."""
    return InputError([say(code, file, where, **values)])
