"""Odd soundings: flagged with the reason, counted, kept; never changed and never dropped in silence."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from scipy.spatial import cKDTree

from reachmap.beat.catalogue import SECTIONS
from reachmap.beat.hull import alone
from reachmap.beat.messages import Report, some_rows
from reachmap.beat.settings import Settings
from reachmap.beat.soundings import Rows

DEFAULTS = {key: float(setting.example) for key, setting in SECTIONS["cleaning"].items()}
"""Thresholds where beat.toml gives none, all assumed: about a hand-held receiver's error, a wader's, a sonar's."""

NEIGHBOURS = 12
FEWEST = 5
"""Neighbours looked at for spikes, and how many must be near for a verdict."""


def clean(rows: Rows, xy: np.ndarray, water: shapely.MultiPolygon, settings: Settings, report: Report) -> None:
    """Flag odd soundings in place of dropping them.

    Parameters
    ----------
    rows : soundings; `flag` and `note` are filled in where something is odd, speeds that nothing explains blanked
    xy : (n, 2) their places [m]
    water : the outline [m]
    """
    limit = {key: settings.get("cleaning", key, default) for key, default in DEFAULTS.items()}
    shapely.prepare(water)
    places = np.asarray(shapely.points(xy), object)
    away = np.asarray(shapely.distance(water, places), float)
    _flag(rows, away > limit["outside_m"], _outside_words(water, places, away), "flag-outside", report)
    _flag(rows, _lost_echo(rows, places, water, away, limit), lambda i: "no echo (depth 0)", "flag-no-echo", report)
    deep = rows.depth_m > limit["deepest_m"]
    _flag(rows, deep, lambda i: f"deeper than {limit['deepest_m']:g} m", "flag-deep", report)
    _flag(rows, _duplicates(rows, xy), lambda i: "same place and depth as an earlier row", "flag-duplicate", report)
    spikes, middle = _spikes(rows, xy, limit)
    _flag(rows, spikes, lambda i: f"spike: neighbours are about {middle[i]:.2f} m deep", "flag-spike", report)
    _blank_speeds(rows, limit["fastest_m_s"], report)


def set_alone_aside(rows: Rows, wet: np.ndarray, xy: np.ndarray, report: Report) -> None:
    """Flag those of some wet rows that stand so far from all others that no outline should be drawn round them.

    Parameters
    ----------
    wet : (n,) rows to look at
    xy : (n, 2) places of all [m]
    """
    odd = np.zeros(len(rows), bool)
    odd[wet] = alone(*xy[wet].T)
    if odd.any():
        away = cKDTree(xy[wet & ~odd]).query(xy)[0]
        _flag(rows, odd, lambda i: f"alone, {away[i]:,.0f} m from the others", "flag-alone", report)


def _flag(rows: Rows, odd: np.ndarray, words: Callable[[int], str], code: str, report: Report) -> None:
    """Write a reason on rows that have none yet, and report them file by file."""
    odd = odd & (rows.flag == "")
    for i in np.flatnonzero(odd):
        rows.flag[i] = words(int(i))
    for file in np.unique(rows.file[odd].astype(str)):
        of_file = odd & (rows.file == file)
        total = int((rows.file == file).sum())
        report.say(code, file, some_rows(rows.row[of_file]), count=int(of_file.sum()), total=total)


def _outside_words(water: shapely.MultiPolygon, places: np.ndarray, away: np.ndarray) -> Callable[[int], str]:
    islands = shapely.union_all([shapely.Polygon(ring) for part in water.geoms for ring in part.interiors])
    shapely.prepare(islands)
    on_island = shapely.contains(islands, places)
    return lambda i: f"{'on an island' if on_island[i] else 'outside the water'}, {away[i]:.1f} m from it"


def _lost_echo(
    rows: Rows, places: np.ndarray, water: shapely.MultiPolygon, away: np.ndarray, limit: dict[str, float]
) -> np.ndarray:
    """Zero depths well inside the water: the sonar lost the bed; at the edge a zero is the waterline itself."""
    zero = (rows.depth_m == 0) & (away == 0)
    out = np.zeros(len(rows), bool)
    if zero.any():
        out[zero] = shapely.distance(water.boundary, places[zero]) > limit["edge_m"]
    return out


def _duplicates(rows: Rows, xy: np.ndarray) -> np.ndarray:
    """Rows that repeat an earlier one: same place to a centimetre, same depth and speed to a millimetre."""
    key = np.column_stack(
        [np.round(xy, 2), np.round(rows.depth_m, 3), np.round(np.nan_to_num(rows.speed_m_s, nan=-1), 3)]
    )
    usable = np.flatnonzero((rows.flag == "") & np.isfinite(rows.depth_m))
    out = np.zeros(len(rows), bool)
    if len(usable):
        _, first = np.unique(key[usable], axis=0, return_index=True)
        again = np.ones(len(usable), bool)
        again[first] = False
        out[usable[again]] = True
    return out


def _spikes(rows: Rows, xy: np.ndarray, limit: dict[str, float]) -> tuple[np.ndarray, np.ndarray]:
    """Depths far from the middle of their neighbours, by a fixed length and by the neighbours' own spread.

    The spread is the median absolute deviation times 1.4826, the standard deviation of a normal law; three times
    the sounding's own share of it guards against pools and boulders, which several soundings see.
    """
    odd, middle = np.zeros(len(rows), bool), np.full(len(rows), np.nan)
    usable = np.flatnonzero((rows.flag == "") & np.isfinite(rows.depth_m))
    if len(usable) <= FEWEST:
        return odd, middle
    tree = cKDTree(xy[usable])
    step = 50_000
    for start in range(0, len(usable), step):
        part = usable[start : start + step]
        reach, index = tree.query(
            xy[part], k=min(NEIGHBOURS + 1, len(usable)), distance_upper_bound=limit["spike_reach_m"]
        )
        near = np.isfinite(reach[:, 1:])
        depth = np.where(near, rows.depth_m[usable[np.minimum(index[:, 1:], len(usable) - 1)]], np.nan)
        enough = near.sum(axis=1) >= FEWEST
        if not enough.any():
            continue
        chosen = part[enough]
        middle[chosen] = np.nanmedian(depth[enough], axis=1)
        spread = 1.4826 * np.nanmedian(np.abs(depth[enough] - middle[chosen][:, None]), axis=1)
        off = np.abs(rows.depth_m[chosen] - middle[chosen])
        odd[chosen] = (off > limit["spike_m"]) & (off > limit["spike_ratio"] * spread)
    return odd, middle


def _blank_speeds(rows: Rows, fastest: float, report: Report) -> None:
    """Speeds that can't be are taken off; the depth stays good. Those beyond any wadable water are kept in the note."""
    fast = rows.speed_m_s > fastest
    for file in np.unique(rows.file[fast].astype(str)):
        of_file = fast & (rows.file == file)
        most = float(rows.speed_m_s[of_file].max())
        report.say(
            "speed-fast",
            file,
            some_rows(rows.row[of_file]),
            count=int(of_file.sum()),
            most=f"{most:.3g}",
            limit=f"{fastest:g}",
        )
    for i in np.flatnonzero(fast):
        rows.note[i] = f"{rows.note[i]} (speed {rows.speed_m_s[i]:.2f} m/s left out)".strip()
        rows.speed_m_s[i] = np.nan
        rows.speed_how[i] = ""
    still = rows.speed_m_s == 0
    if still.any() and not (rows.speed_m_s > 0).any():
        report.say("speed-still", str(rows.file[still][0]), some_rows(rows.row[still]), count=int(still.sum()))
        rows.speed_m_s[still] = np.nan
        rows.speed_how[still] = ""
