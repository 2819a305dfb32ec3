"""The table of messages: every one is used, shows well with its example, and says what to do.

Print it with: pytest tests/beat/test_messages.py -k printed -s
"""

from __future__ import annotations

import re
import string
from pathlib import Path

import pytest

import reachmap.beat
from reachmap.beat.messages import Report, messages, plain, say

CODE = "\n".join(path.read_text(encoding="utf-8") for path in Path(reachmap.beat.__file__).parent.glob("*.py"))
SILENT = {
    "track-closed",
    "depth-from-levels",
    "speed-timed",
    "nmea-unchecked",
    "nmea-no-satellites",
    "flag-duplicate",
    "tiff-coarser",
    "tiff-gaps",
}
"""Messages that only tell and leave nothing to do."""


@pytest.mark.parametrize("code", messages())
def test_a_message_shows_with_its_example(code):
    message = messages()[code]
    fields = {
        name for text in (message.what, message.remedy) for _, name, _, _ in string.Formatter().parse(text) if name
    }
    assert fields == set(message.example), "the example has exactly the values the message needs"
    shown = say(code, "file.csv", "row 3", **message.example)
    assert shown.severity in ("error", "warning", "note")
    assert str(shown).startswith("file.csv, row 3: ")
    assert shown.remedy or code in SILENT
    assert not shown.what.endswith("."), "the full stop comes with the remedy"


@pytest.mark.parametrize("code", messages())
def test_a_message_is_used(code):
    assert re.search(rf'"{code}"', CODE)


def test_the_table_printed():
    lines = []
    for code, message in sorted(messages().items()):
        lines.append(f"{message.severity:8}{code:20}{say(code, 'FILE', 'ROW', **message.example)}")
    print("\n" + "\n".join(lines))
    assert len(lines) > 100


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("two\nlines\tand\x00nul", "two lines and nul"),
        ("right\u202eto\u2066left", "right to left"),
        ("zero\u200bwidth", "zero width"),
        (
            "\u0645\u06cc\u200c\u0631\u0648\u062f  \U0001f468\u200d\U0001f467",
            "\u0645\u06cc\u200c\u0631\u0648\u062f \U0001f468\u200d\U0001f467",
        ),
        ("  edges  ", "edges"),
        ("d\u00e9j\u00e0 vu \u6c34", "d\u00e9j\u00e0 vu \u6c34"),
    ],
)
def test_text_is_made_plain(text, shown):
    assert plain(text) == shown


def test_long_text_is_cut():
    assert len(plain("x" * 10_000, 100)) <= 100


def test_a_users_braces_stay_text():
    assert "{0.__class__}" in say("cell-text", "a.csv", "row 2", column="{0.__class__}", value="{x}").what


def test_a_report_keeps_twenty_of_a_kind_and_counts_the_rest():
    report = Report()
    for row in range(1000):
        report.say("cell-text", "a.csv", f"row {row}", column="d", value="x")
    report.say("encoding-guessed", "a.csv")
    found = report.findings()
    assert len(found) == 22
    assert found[-1].what == "and 980 more like these"
    assert found[-1].severity == "error"
    assert report.errors == 1000
