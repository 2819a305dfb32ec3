"""Depth and speed out of the columns that hold them, as the rest of the project takes them: depths positive, in SI."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from reachmap.beat.boat import ALIKE, FEWEST, follows_movement
from reachmap.beat.columns import Column, tidy
from reachmap.beat.messages import Report, some_rows, stop
from reachmap.beat.settings import Settings
from reachmap.beat.tables import Table

HOW_WORDS = {
    "surface float": ("surface float", "float", "surface", "orange", "stick", "drogue at surface", "surface speed"),
    "0.6 depth": (
        "0.6 depth",
        "0.6",
        "0.6d",
        "0.6 of depth",
        "60%",
        "60 %",
        "meter",
        "current meter",
        "six tenths",
        "adv",
    ),
    "mean": ("mean", "average", "depth mean", "depth-averaged", "depth averaged", "two point", "0.2 0.8", "adcp"),
    "near bed": ("near bed", "bed", "bottom", "nose", "at bed", "near-bed"),
}
"""Words for how a speed was measured."""

_HOW = {word: how for how, words in HOW_WORDS.items() for word in words}


def depth_of(
    numbers: Mapping[str, np.ndarray], columns: Mapping[str, Column], flag: np.ndarray, table: Table,
    settings: Settings, report: Report,
) -> np.ndarray:  # fmt: skip
    """Depth below the water of the outline (n,) [m], from depths or from levels.

    Dry and missing ones become NaN, and `flag` says why.
    """
    given = table.settings
    if "depth" in numbers:
        depth = _signed(numbers["depth"].copy(), flag, numbers["row"], given, table, report)
        _say_unit(columns["depth"], given, table, report)
        _refuse_levels(depth, settings, table)
    else:
        water = numbers["water_level"] if "water_level" in numbers else given["water_level_m"]
        depth = water - numbers["bed_level"]
        dry = ~np.isfinite(depth) | (depth <= 0)
        flag[dry] = "dry"
        depth[dry] = np.nan
        report.say("depth-from-levels", table.file, count=int((~dry).sum()), dry=int(dry.sum()))
        for key in ("bed_level", "water_level"):
            if key in columns:
                _say_unit(columns[key], given, table, report)
    flag[~np.isfinite(depth) & (flag == "")] = "no depth"
    return _to_outline(depth, flag, numbers["row"], table, settings, report)


def say_missing(flag: np.ndarray, rows: np.ndarray, speed: np.ndarray, table: Table, report: Report) -> None:
    """Tell of rows without a depth (n,), and how many speeds measured there go with them."""
    lost = flag == "no depth"
    if lost.any():
        timed = int(np.isfinite(speed[lost]).sum())
        also = f", and with them {timed} speed(s): a speed counts only beside a depth" if timed else ""
        report.say("depth-missing", table.file, some_rows(rows[lost], table.word), count=int(lost.sum()), also=also)


def _signed(
    depth: np.ndarray, flag: np.ndarray, rows: np.ndarray, given: Mapping[str, Any], table: Table, report: Report
) -> np.ndarray:
    """Depths counted downward as positive; those of the other sign become NaN, and `flag` says so."""
    turned = "depth_sign" in given
    depth = -depth if turned else depth
    known = depth[np.isfinite(depth)]
    if not turned and len(known) and (known < 0).sum() > 0.5 * len(known):
        raise stop("depth-negative-all", table.file, value=f"{known[known < 0][0]:g}", count=int((known < 0).sum()))
    below = np.isfinite(depth) & (depth < 0)
    if below.any():
        code = "depth-positive" if turned else "depth-negative"
        report.say(code, table.file, some_rows(rows[below], table.word), count=int(below.sum()))
        depth[below] = np.nan
        flag[below] = "positive depth" if turned else "negative depth"
    return depth


def _to_outline(
    depth: np.ndarray, flag: np.ndarray, rows: np.ndarray, table: Table, settings: Settings, report: Report
) -> np.ndarray:
    """Depths below the water of the outline; of those that a lower water leaves dry NaN, and `flag` says so."""
    wet = depth > 0
    for key in ("transducer_depth_m", "stage_m"):
        depth = depth + np.where(wet, table.settings.get(key, settings.get("survey", key, 0.0)), 0.0)
    dry = wet & (depth <= 0)
    if dry.any():
        report.say("depth-dry", table.file, some_rows(rows[dry], table.word), count=int(dry.sum()))
        depth[dry] = np.nan
        flag[dry] = "dry"
    return depth


def _say_unit(column: Column, given: Mapping[str, Any], table: Table, report: Report) -> None:
    if not column.unit and "depth_unit" not in given:
        report.say("unit-assumed", table.file, f"column {column.header!r}", unit="metres", setting="depth_unit")


def _refuse_levels(depth: np.ndarray, settings: Settings, table: Table) -> None:
    """Depths that no trout stream has: another unit, or levels above the sea."""
    known = depth[np.isfinite(depth) & (depth > 0)]
    deepest = settings.get("cleaning", "deepest_m", 15.0)
    if len(known) and np.median(known) > deepest:
        raise stop("depth-deep", table.file, middle=f"{np.median(known):.4g}", limit=f"{deepest:g}")


def speed_of(
    numbers: Mapping[str, np.ndarray],
    texts: Mapping[str, list[str]],
    columns: Mapping[str, Column],
    degrees: np.ndarray,
    table: Table,
    report: Report,
) -> tuple[np.ndarray, np.ndarray]:
    """Speed of the water (n,) [m/s], NaN where there is none, and how each was measured (n,), "" where unsaid.

    A boat's own speed is no current: left out with a warning, whether the header or its movement gives it away.
    """
    speed = numbers["speed"].copy() if "speed" in numbers else np.full(len(degrees), np.nan)
    how = np.array([_HOW.get(text.strip().lower(), "") for text in texts["speed_how"]], object)
    if "boat_speed" in columns:
        report.say("boat-speed", table.file, f"column {columns['boat_speed'].header!r}")
    told = "speed_how" in table.settings or (how != "").any()
    if "speed" in numbers and _is_boat(degrees, speed, texts["time"], columns["speed"], told, table, report):
        speed[:] = np.nan
    elif "speed" in numbers and not columns["speed"].unit and "speed_unit" not in table.settings:
        report.say("unit-assumed", table.file, f"column {columns['speed'].header!r}", unit="m/s", setting="speed_unit")
    if "float_distance" in numbers and "float_time" in numbers:
        timed = ~np.isfinite(speed) & (numbers["float_time"] > 0) & (numbers["float_distance"] >= 0)
        timed &= _are_floats(numbers, columns, how, table, report)
        speed[timed] = numbers["float_distance"][timed] / numbers["float_time"][timed]
        how[timed] = "surface float"
        if timed.any():
            report.say("speed-timed", table.file, count=int(timed.sum()))
    back = speed < 0
    if back.any():
        report.say("speed-negative", table.file, some_rows(numbers["row"][back], table.word), count=int(back.sum()))
        speed = np.abs(speed)
    return speed, _told_how(speed, how, texts["speed_how"], table, report)


def _are_floats(
    numbers: Mapping[str, np.ndarray], columns: Mapping[str, Column], how: np.ndarray, table: Table, report: Report
) -> np.ndarray:
    """In which rows (n,) distance and seconds are those of a float: where the file or beat.toml says so.

    A header says it, or how the speeds were measured, of the row itself or of all that are silent. A logger has columns
    of these names as well and counts in them from where it was switched on.
    """
    pair = ("float_distance", "float_time")
    if any("float" in tidy(columns[key].header) or key in (table.settings.get("columns") or {}) for key in pair):
        return np.ones(len(how), bool)
    both = np.column_stack([numbers[key] for key in pair])
    written, floats = np.isfinite(both).all(axis=1), how == "surface float"
    counted = _is_counted(both[written & ~floats])
    if not counted and table.settings.get("speed_how") == "surface float":
        floats |= how == ""
    unused = written & ~floats
    if unused.any():
        where = some_rows(numbers["row"][unused], table.word) if (written & floats).any() else ""
        distance, time = (columns[key].header for key in pair)
        report.say("float-counted" if counted else "float-unsaid", table.file, where, distance=distance, time=time)
    return floats


def _is_counted(both: np.ndarray) -> bool:
    """Whether distances and seconds (n, 2) are a logger's: enough of them, and they rise and never fall."""
    return len(both) >= FEWEST and bool((np.diff(both, axis=0) >= 0).all() and (both[-1] > both[0]).all())


def _is_boat(
    degrees: np.ndarray, speed: np.ndarray, time: list[str], column: Column, told: bool, table: Table, report: Report
) -> bool:
    """Whether a column called speed is the boat's, by what beat.toml says or by its movement.

    Where its times don't tell, that is said, unless the file tells how the speeds were measured.
    """
    if "speed_is" in table.settings:
        return table.settings["speed_is"] == "boat"
    off = follows_movement(degrees, speed, time)
    timed = [text for text, value in zip(time, speed, strict=True) if text.strip() and np.isfinite(value)]
    if off is None and not told and len(timed) >= 2 * FEWEST:
        report.say("boat-speed-untold", table.file, f"column {column.header!r}", value=timed[0])
    if off is None or off >= ALIKE:
        return False
    report.say("boat-speed-found", table.file, f"column {column.header!r}", off=f"{off:.0%}")
    return True


def _told_how(speed: np.ndarray, how: np.ndarray, written: list[str], table: Table, report: Report) -> np.ndarray:
    """How each speed was measured, the file's usual way where a row is silent."""
    known = np.isfinite(speed)
    unknown = sorted({text for text, h, s in zip(written, how, known, strict=True) if text.strip() and not h and s})
    if unknown:
        report.say("how-unknown", table.file, "speed_how", words=", ".join(unknown[:5]), known=", ".join(HOW_WORDS))
    usual = table.settings.get("speed_how", "")
    silent = known & (how == "")
    if silent.any() and not usual:
        report.say("how-missing", table.file, count=int(silent.sum()))
    return np.where(known, np.where(silent, usual, how), "").astype(object)
