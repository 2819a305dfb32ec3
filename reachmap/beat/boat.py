"""Is a column called speed the current, or the boat's own speed over ground? Its movement tells."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime

import numpy as np

from reachmap.beat.dates import DAY
from reachmap.beat.place import local_crs, to_local

LOOKED_AT = 20_000
STEP_S = 4.0
"""Movement is taken over steps of at least this length, since positions come to decimetres [s], assumed."""

HALF = re.compile(r"\s*[ap]\.?m\.?$", re.IGNORECASE)

FEWEST = 15
ALIKE = 0.2
"""The two speeds count as the same if they usually differ by less than this share (assumed)."""


def follows_movement(degrees: np.ndarray, speed_m_s: np.ndarray, time: Sequence[str]) -> float | None:
    """The usual difference of a speed column from the boat's own movement, as a share, if that is small.

    Parameters
    ----------
    degrees : (n, 2) longitude, latitude in the order of the file
    speed_m_s : (n,)
    time : (n,) as written

    Returns
    -------
    Median of |movement - speed| / movement if it is below `ALIKE` and there are steps enough to tell, else None.
    """
    seconds = np.array([_seconds(text) for text in time[:LOOKED_AT]], float)
    good = np.flatnonzero(np.isfinite(seconds) & np.isfinite(speed_m_s[:LOOKED_AT]))
    if len(good) < 2 * FEWEST:
        return None
    lon, lat = np.median(degrees[good], axis=0)
    xy = to_local(degrees[good], local_crs(float(lat), float(lon)))
    seconds, speed = seconds[good], speed_m_s[good]
    picks = [0]
    for i in range(1, len(seconds)):
        if seconds[i] - seconds[picks[-1]] >= STEP_S:
            picks.append(i)
    if len(picks) <= FEWEST:
        return None
    moved = np.hypot(*np.diff(xy[picks], axis=0).T) / np.diff(seconds[picks])
    said = np.array([speed[a : b + 1].mean() for a, b in itertools.pairwise(picks)])
    under_way = moved > 0.2
    if under_way.sum() < FEWEST:
        return None
    off = float(np.median(np.abs(moved - said)[under_way] / moved[under_way]))
    return off if off < ALIKE else None


def _seconds(text: str) -> float:
    """A time as seconds from some moment; NaN if it is none."""
    text = text.strip()
    for read in (_calendar, _clock):
        with suppress(ValueError, OverflowError, OSError):
            return read(text)
    return np.nan


def _calendar(text: str) -> float:
    """A day and hour as ISO 8601 has them."""
    if "-" not in text:
        raise ValueError(text)
    return datetime.fromisoformat(text).timestamp()


def _clock(text: str) -> float:
    """hh:mm:ss or plain seconds; a day before it and the half of the day are left out, as only steps are looked at."""
    day = DAY.match(text)
    text = HALF.sub("", text[day.end() :] if day else text)
    total = 0.0
    for part in text.split(":"):
        total = 60 * total + float(part)
    return total
