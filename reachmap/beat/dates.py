"""Days and hours as people write them in a log or a note."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from reachmap.beat.clock import YEARS, by_the_clock

DAY = re.compile(r"\s*(\d{1,4})([-/.])(\d{1,2})\2(\d{1,4})(?!\d)")
HOUR = re.compile(r"[\sT,]*(\d{1,2})[:.h](\d{2})(?:[:.](\d{2})(?:\.\d+)?)?\s*(?:([ap])\.?m\.?)?\s*$", re.IGNORECASE)


@dataclass(frozen=True)
class Moments:
    """What some texts say.

    Parameters
    ----------
    when : UTC; None where a text names no day or no hour
    day : by the clock of the place; None where a text names none
    guessed : a text whose day and month could be told apart by nothing, "" if there is none
    """

    when: tuple[datetime | None, ...]
    day: tuple[date | None, ...]
    guessed: str = ""


def read_moments(texts: Sequence[str], time_zone: str) -> Moments:
    """Read days and hours, local ones where they name no offset.

    In 6/7/2026 the day stands first, unless another of the texts can only be read the other way. Where all stand at
    midnight, as a spreadsheet writes days, none names an hour.

    Parameters
    ----------
    texts : of one column, which one hand has written
    time_zone : IANA name of the place
    """
    day_first, month_first = ([_read(text, first) for text in texts] for first in (True, False))
    chosen, other = day_first, month_first
    if sum(one is not None for one in month_first) > sum(one is not None for one in day_first):
        chosen, other = month_first, day_first
    undecided = all((a is None) == (b is None) for a, b in zip(chosen, other, strict=True))
    told = [text for text, a, b in zip(texts, chosen, other, strict=True) if a != b] if undecided else []
    named = [one for one in chosen if one is not None]
    only_days = len(named) > 1 and all(not isinstance(one, datetime) or one.time() == time() for one in named)
    zone = ZoneInfo(time_zone)
    when, day = [], []
    for one in chosen:
        local = by_the_clock(one, zone)[0] if isinstance(one, datetime) else None
        when.append(local.astimezone(UTC) if local and not only_days else None)
        day.append(local.date() if local else one)
    return Moments(tuple(when), tuple(day), told[0] if told else "")


def day_and_hour(day: str, hour: str) -> str:
    """What two columns say together, of which either may say all; what is no hour beside a day says nothing."""
    found = DAY.match(day)
    if found and not DAY.match(hour):
        return f"{found[0].strip()} {hour.strip()}" if HOUR.match(hour) else day
    return hour or day


def _read(text: str, day_first: bool) -> datetime | date | None:
    """A day, with its hour if it names one; None if it is no day."""
    try:
        moment = datetime.fromisoformat(text.strip())
        if moment.year not in YEARS:
            return None
        return moment if ":" in text or "T" in text else moment.date()
    except ValueError:
        pass
    found = DAY.match(text)
    if not found:
        return None
    rest = text[found.end() :]
    try:
        day = _day(found, day_first)
        hour = _hour(rest) if rest.strip() else None
    except ValueError:
        return None
    return day if hour is None else datetime.combine(day, hour)


def _day(found: re.Match[str], day_first: bool) -> date:
    first, middle, last = int(found[1]), int(found[3]), int(found[4])
    if len(found[1]) == 4:
        year, month, day = first, middle, last
    else:
        year = last if len(found[4]) == 4 else 2000 + last
        # With dots the day stands first everywhere (common practice).
        day, month = (first, middle) if day_first or found[2] == "." else (middle, first)
    if year not in YEARS:
        raise ValueError(year)
    return date(year, month, day)


def _hour(text: str) -> time:
    found = HOUR.match(text)
    if not found:
        raise ValueError(text)
    hour, half = int(found[1]), (found[4] or "").lower()
    if half:
        if not 1 <= hour <= 12:
            raise ValueError(text)
        hour = hour % 12 + (12 if half == "p" else 0)
    return time(hour, int(found[2]), int(found[3] or 0))
