"""Local times, which a change of the clocks may skip or tell twice."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Literal
from zoneinfo import ZoneInfo

YEARS = range(1900, 2101)
"""Those a day may lie in: others are slips of the pen; assumed."""


def by_the_clock(when: datetime, zone: ZoneInfo) -> tuple[datetime, Literal["", "skipped", "told twice"]]:
    """A moment by the clock of a place, and what is odd about it.

    One told by another clock is turned to this one. A local time that is skipped counts on from before the change, of
    one told twice the first is taken.
    """
    if when.tzinfo:
        return when.astimezone(zone), ""
    local = when.replace(tzinfo=zone)
    back = local.astimezone(UTC).astimezone(zone)
    if back.replace(tzinfo=None) != when:
        return back, "skipped"
    return local, "told twice" if local.utcoffset() != local.replace(fold=1).utcoffset() else ""
