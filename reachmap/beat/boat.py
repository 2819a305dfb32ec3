"""Is a column called speed the current, or the boat's own speed over ground? Its movement tells."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime

import numpy as np

from reachmap.beat.place import local_crs, to_local

LOOKED_AT = 20_000
STEP_S = 4.0
"""Movement is taken over steps of at least this length, since positions come to decimetres [s], assumed."""

CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d*)?))?")
"""Hours, minutes, seconds; the day before them and the half of the day are left out, as only steps are looked at."""

MILLISECONDS = 1e11
"""A number beyond this counts milliseconds: in seconds since 1970 it would lie in the year 5138."""

SERIAL, SERIAL_SPAN = (30_000.0, 80_000.0), 2.0
"""Numbers of this size with less than this between them are the days of a spreadsheet, 1982 to 2119 (assumed)."""

FEWEST = 15
"""Steps needed to tell, and half of the rows needed to ask."""

UNDER_WAY_M_S = 0.2
"""Slower than this a boat lies still, or a wader goes on foot from place to place (assumed)."""

ALIKE = 0.2
"""The two speeds count as the same if they usually differ by less than this share (assumed)."""


def follows_movement(degrees: np.ndarray, speed_m_s: np.ndarray, time: Sequence[str]) -> float | None:
    """The usual difference of a speed column from the boat's own movement, as a share of it.

    Parameters
    ----------
    degrees : (n, 2) longitude, latitude in the order of the file
    speed_m_s : (n,)
    time : (n,) as written

    Returns
    -------
    Median of |movement - speed| / movement, infinite if there is no movement to speak of; None if the times, or too few
    rows, don't tell.
    """
    seconds = _seconds(time[:LOOKED_AT])
    good = np.flatnonzero(np.isfinite(seconds) & np.isfinite(speed_m_s[:LOOKED_AT]))
    if len(good) < 2 * FEWEST:
        return None
    lon, lat = np.median(degrees[good], axis=0)
    xy = to_local(degrees[good], local_crs(float(lat), float(lon)))
    seconds, speed = _spread(seconds[good]), speed_m_s[good]
    picks = [0]
    for i in range(1, len(seconds)):
        if seconds[i] - seconds[picks[-1]] >= STEP_S:
            picks.append(i)
    if len(picks) <= FEWEST:
        return None
    moved = np.hypot(*np.diff(xy[picks], axis=0).T) / np.diff(seconds[picks])
    said = np.array([speed[a : b + 1].mean() for a, b in itertools.pairwise(picks)])
    under_way = moved > UNDER_WAY_M_S
    if under_way.sum() < FEWEST:
        return np.inf
    return float(np.median(np.abs(moved - said)[under_way] / moved[under_way]))


def _spread(seconds: np.ndarray) -> np.ndarray:
    """Times of a clock coarser than the rows, spread evenly over the way to its next change."""
    changes = np.flatnonzero(np.append(True, np.diff(seconds) != 0))
    return np.interp(np.arange(len(seconds)), changes, seconds[changes])


def _seconds(time: Sequence[str]) -> np.ndarray:
    """Times as seconds from some moment (n,); NaN where one is none."""
    counted = np.array([_read(float, text) for text in time])
    known = counted[np.isfinite(counted)]
    if not len(known):
        return np.array([_read(_clock, text) for text in time])
    if known.min() > MILLISECONDS:
        return counted / 1000
    serial = known.min() > SERIAL[0] and known.max() < SERIAL[1] and np.ptp(known) < SERIAL_SPAN
    return counted * 24 * 3600 if serial else counted


def _read(read: Callable[[str], float], text: str) -> float:
    with suppress(ValueError, OverflowError, OSError):
        return read(text.strip())
    return np.nan


def _clock(text: str) -> float:
    """A day and hour as ISO 8601 has them, or an hour with or without a day before it."""
    if "-" in text:
        with suppress(ValueError):
            return datetime.fromisoformat(text).timestamp()
    found = CLOCK.search(text)
    if not found:
        raise ValueError(text)
    return 3600 * int(found[1]) + 60 * int(found[2]) + float(found[3] or 0)
