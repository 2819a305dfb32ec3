"""Days and hours are read as they were written; what names none is said to."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat.dates import day_and_hour, read_moments

LONDON = "Europe/London"
SHAPES = [
    "%Y-%m-%d %H:%M",
    "%Y-%m-%dT%H:%M:%S",
    "%Y/%m/%d %H:%M",
    "%d.%m.%Y %H:%M",
    "%d/%m/%Y %H:%M:%S",
    "%d/%m/%Y, %H:%M",
    "%d-%m-%Y %I:%M %p",
    "%d/%m/%y %I:%M%p",
]
MINUTES = st.datetimes(datetime(2000, 1, 1), datetime(2060, 1, 1)).map(lambda one: one.replace(second=0, microsecond=0))


@pytest.mark.parametrize("shape", SHAPES)
@given(when=MINUTES)
def test_what_the_standard_library_writes_is_read_back(shape, when):
    """strftime of Python's standard library; the 25th of a month tells which number is the day."""
    found = read_moments([when.strftime(shape), datetime(2026, 5, 25, 9, 30).strftime(shape)], "UTC")
    assert found.when == (when.replace(tzinfo=UTC), datetime(2026, 5, 25, 9, 30, tzinfo=UTC))
    assert found.day == (when.date(), date(2026, 5, 25))
    assert found.guessed == ""


@given(when=MINUTES)
def test_the_month_first_where_another_row_can_be_read_no_other_way(when):
    rows = [moment.strftime("%m/%d/%Y %I:%M %p") for moment in (when, datetime(2026, 5, 25, 21, 5))]
    assert read_moments(rows, "UTC").when[0] == when.replace(tzinfo=UTC)


def test_the_day_is_taken_as_first_where_nothing_tells_and_that_is_said():
    found = read_moments(["2026-06-14 10:00", "6/7/2026 19:30"], LONDON)
    # British Summer Time is an hour ahead of UTC.
    assert found.when[1] == datetime(2026, 7, 6, 18, 30, tzinfo=UTC)
    assert found.guessed == "6/7/2026 19:30"
    assert read_moments(["7/7/2026 19:30"], LONDON).guessed == ""


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2026-06-14", date(2026, 6, 14)),
        ("14.6.2026", date(2026, 6, 14)),
        ("14/06/2026 dusk", None),
        ("evening", None),
        ("19:30", None),
        ("31/02/2026 10:00", None),
        ("14/06/0026 10:00", None),
        ("14/06/2026 13:00 pm", None),
        ("14/06/2026 25:00", None),
        ("", None),
    ],
)
def test_a_day_alone_is_no_moment(text, day):
    found = read_moments([text], LONDON)
    assert (found.when, found.day) == ((None,), (day,))


def test_a_column_of_midnights_is_a_column_of_days():
    found = read_moments(["2026-06-14T00:00:00", "2026-06-15 00:00"], LONDON)
    assert found.when == (None, None)
    assert found.day == (date(2026, 6, 14), date(2026, 6, 15))
    assert read_moments(["2026-06-14 00:00", "2026-06-15 00:10"], LONDON).when[0] is not None


def test_a_text_with_an_offset_keeps_it():
    told = datetime(2026, 6, 14, 19, 30, tzinfo=ZoneInfo("America/Denver"))
    assert read_moments([told.isoformat()], LONDON).when == (told,)
    assert read_moments(["2026-06-15T01:30:00Z"], LONDON).when == (told,)


@pytest.mark.parametrize(
    ("day", "hour", "want"),
    [
        ("14/06/2026", "7:30 PM", "14/06/2026 7:30 PM"),
        ("2026-06-14T00:00:00", "19:30:00", "2026-06-14 19:30:00"),
        ("2026-06-14", "", "2026-06-14"),
        ("", "2026-06-14 19:30", "2026-06-14 19:30"),
        ("2026-06-14", "2026-06-14 19:30", "2026-06-14 19:30"),
        ("soon", "19:30", "19:30"),
        ("2026-06-14 19:30", "2", "2026-06-14 19:30"),
        ("14/06/2026", "evening", "14/06/2026"),
    ],
)
def test_a_day_and_an_hour_in_two_columns(day, hour, want):
    assert day_and_hour(day, hour) == want
