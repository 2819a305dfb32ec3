"""NMEA 0183 logs: depths (DBT, DPT) laid on the positions (GGA, RMC) written before and after them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import reduce
from itertools import compress
from statistics import mode

import numpy as np
import shapely

from reachmap.beat.columns import LENGTH
from reachmap.beat.messages import Report, some_rows, stop
from reachmap.beat.place import WGS84
from reachmap.beat.source import Source
from reachmap.beat.tables import LONGEST_LINE, Table

MOST_LINES = 20_000_000
LONG = 5
"""Times the usual number of depths between two fixes after which the receiver has fallen silent; assumed."""


@dataclass
class _Log:
    """What the sentences said: fixes and depths with the line each stood on."""

    fix_line: list[int] = field(default_factory=list)
    fix: list[tuple[float, float]] = field(default_factory=list)
    fix_time: list[str] = field(default_factory=list)
    fix_kind: list[str] = field(default_factory=list)
    depth_line: list[int] = field(default_factory=list)
    depth: list[float] = field(default_factory=list)
    depth_kind: list[str] = field(default_factory=list)
    depth_lost: list[bool] = field(default_factory=list)
    lost: bool = False
    """Whether the receiver has said since its last fix that it has none. Another kind of sentence, which may not tell
    quality, doesn't count."""
    offset_m: float = 0.0
    """How far the transducer lies below the waterline, as the last DPT that tells it has it."""
    bad: list[int] = field(default_factory=list)
    bad_count: int = 0
    unchecked: int = 0
    blind: int = 0


def checksum(body: str) -> int:
    """Exclusive or of the characters between $ and *, as the standard has it."""
    return reduce(lambda total, c: total ^ ord(c), body, 0)


def read_nmea(source: Source, report: Report) -> Table:
    """Read a log as soundings; a depth's position is taken between the fixes around it.

    Raises
    ------
    InputError : no depth or no position in it
    """
    log = _Log()
    for line, body in _sentences(source, log):
        _take(line, body, log)
    if not log.depth:
        raise stop("nmea-no-depth", source.name)
    if not log.fix:
        raise stop("nmea-no-fix", source.name)
    if log.bad_count:
        report.say("nmea-checksum", source.name, f"line {log.bad[0]}", count=log.bad_count)
    if log.unchecked:
        report.say("nmea-unchecked", source.name, count=log.unchecked)
    if log.blind:
        report.say("nmea-no-satellites", source.name, count=log.blind)
    _keep_one_of_two(log, source, report)
    spoken, depth = np.array(log.depth_line), np.array(log.depth)
    before, when, silent = _between(np.array(log.fix_line), spoken)
    lost = np.array(log.depth_lost) | silent
    if lost.any():
        report.say("nmea-lost", source.name, some_rows(spoken[lost], "line"), count=int(lost.sum()))
    places = np.array(log.fix)
    xy = [np.interp(when[~lost], np.arange(len(places)), places[:, k]) for k in (0, 1)]
    kept = zip(spoken[~lost].tolist(), depth[~lost].tolist(), before[~lost], strict=True)
    rows = ((row, (value, log.fix_time[k])) for row, value, k in kept)
    return Table(source.name, ("depth_m", "time"), rows, "line", shapely.points(*xy), WGS84)


def _keep_one_of_two(log: _Log, source: Source, report: Report) -> None:
    """Of a depth said twice, as DBT and as DPT between the same two fixes, the one from the waterline.

    Else that of the more usual kind. A depth said once stays, DBT from the waterline too where a DPT tells how.
    """
    known, kinds = np.isfinite(log.depth), np.array(log.depth_kind)
    count = {kind: int((known & (kinds == kind)).sum()) for kind in ("DPT", "DBT")}
    if not all(count.values()):
        return
    kept = "DPT" if log.offset_m else max(count, key=lambda kind: count[kind])
    other = "DBT" if kept == "DPT" else "DPT"
    # One moment may have a fix of either kind, with a depth after each.
    fixes = [line for line, kind in zip(log.fix_line, log.fix_kind, strict=True) if kind == mode(log.fix_kind)]
    last = np.searchsorted(fixes, log.depth_line)
    twice = (kinds == other) & np.isin(last, last[known & (kinds == kept)])
    if twice.any():
        report.say("nmea-twice", source.name, count=int((known & twice).sum()), other=other, kept=kept)
    if log.offset_m:
        deeper = (kinds == "DBT") & ~twice
        log.depth = (np.array(log.depth) + np.where(deeper, log.offset_m, 0.0)).tolist()
        if deeper.any():
            report.say("nmea-offset", source.name, count=int((known & deeper).sum()), offset=f"{log.offset_m:g}")
    log.depth_line, log.depth = list(compress(log.depth_line, ~twice)), list(compress(log.depth, ~twice))
    log.depth_lost = list(compress(log.depth_lost, ~twice))


def _between(fix_line: np.ndarray, depth_line: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Number of the fix before each depth, and the depth's place between the fixes as a fraction of that number.

    The first depth after a fix belongs to it; n depths before the next fix are spread evenly over the way to it. With
    them, whether so many depths came since the fix that the receiver must have fallen silent.
    """
    last = np.searchsorted(fix_line, depth_line, side="right") - 1
    _, first, count = np.unique(last, return_index=True, return_counts=True)
    place = np.arange(len(last)) - np.repeat(first, count)
    when = np.where(last < 0, 0, last + place / np.repeat(count, count))
    return np.clip(last, 0, None), when, place >= LONG * np.median(count)


def _sentences(source: Source, log: _Log) -> Iterator[tuple[int, str]]:
    """Sentences whose checksum is right or absent, with the line they stand on."""
    with source.path.open(encoding=source.encoding, errors="replace") as file:
        number = 0
        while line := file.readline(LONGEST_LINE):
            number += 1
            if number > MOST_LINES:
                raise stop("many-rows", source.name, limit=f"{MOST_LINES:,}")
            start = line.find("$")
            if start < 0:
                continue
            body, star, given = line[start + 1 :].strip().partition("*")
            if not star:
                log.unchecked += 1
            elif not _fits(body, given):
                log.bad_count += 1
                log.bad = log.bad or [number]
                continue
            yield number, body


def _fits(body: str, given: str) -> bool:
    try:
        return int(given[:2], 16) == checksum(body)
    except ValueError:
        return False


def _take(line: int, body: str, log: _Log) -> None:
    """Keep what one sentence says, if it says something."""
    words = body.split(",")
    kind = words[0][-3:]
    try:
        if kind == "DBT":
            _depth(line, _dbt(words), kind, log)
        elif kind == "DPT":
            offset = float(words[2]) if len(words) > 2 and words[2] else 0.0
            # A positive offset is from the transducer up to the waterline; a negative one leads down to the keel.
            _depth(line, float(words[1]) + max(offset, 0.0) if words[1] else math.nan, kind, log)
            log.offset_m = offset if offset > 0 else log.offset_m
        elif kind == "GGA":
            _fix(line, kind, words[2:6], words[6] not in ("", "0"), words[1], log)
        elif kind == "RMC":
            _fix(line, kind, words[3:7], words[2] == "A", f"{words[9]} {words[1]}", log)
    except (IndexError, ValueError):
        log.bad_count += 1
        log.bad = log.bad or [line]


def _dbt(words: list[str]) -> float:
    """Metres if given, else feet, else fathoms."""
    for value, unit in ((words[3], "m"), (words[1], "ft"), (words[5], "fathom")):
        if value:
            return float(value) * LENGTH[unit]
    return math.nan


def _depth(line: int, depth: float, kind: str, log: _Log) -> None:
    log.depth_line.append(line)
    log.depth_kind.append(kind)
    log.depth_lost.append(log.lost)
    log.depth.append(depth if math.isfinite(depth) else math.nan)


def _fix(line: int, kind: str, words: list[str], good: bool, time: str, log: _Log) -> None:
    if not good:
        log.blind += 1
        log.lost |= not log.fix_kind or log.fix_kind[-1] == kind
        return
    lat, lon = _angle(words[0], 2, words[1] == "S"), _angle(words[2], 3, words[3] == "W")
    if abs(lat) > 90 or abs(lon) > 180:
        raise ValueError("no place")
    log.lost = False
    log.fix_kind.append(kind)
    log.fix_line.append(line)
    log.fix.append((lon, lat))
    log.fix_time.append(time)


def _angle(text: str, digits: int, negative: bool) -> float:
    """ddmm.mmm or dddmm.mmm as degrees."""
    degrees = int(text[:digits]) + float(text[digits:]) / 60
    return -degrees if negative else degrees
