"""Stances: where to stand for a lie without being seen, shading it or wading where nobody should."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from reachmap.channel.model import Channel
from reachmap.light.model import Body
from reachmap.sight import seen_from_below
from reachmap.trout.model import Lies
from reachmap.visit.wading import wading_class

CASTS = (0.5, 0.67, 0.83, 1.0)
"""Casting distances offered, as shares of the farthest one wanted (assumed)."""

AHEAD_DEG = 60.0
"""Nobody is placed within this angle of the way the fish looks, upstream (assumed) [deg]."""

HEIGHTS = {"kneeling": 0.5, "standing": 1.0}
"""Height above the ground, as a share of the person's (assumed)."""

LIMIT_ARCMIN = 14.0
"""A person larger than this in the window is seen (acuity of rainbow trout at 1 year: Rahmann et al. 1979)."""

KNEEL_M, BANK_M = 0.3, 0.3
"""Deepest water to kneel in and height of the bank above the water (assumed) [m]."""

BEST = 2


def shadow_line(
    x: float, y: float, height_m: float, altitude_deg: float, azimuth_deg: float
) -> shapely.LineString | None:
    """The shadow of an upright person on level ground; None when the sun is down."""
    if altitude_deg <= 0:
        return None
    length = height_m / math.tan(math.radians(altitude_deg))
    away = math.radians(azimuth_deg + 180)
    return shapely.LineString([(x, y), (x + length * math.sin(away), y + length * math.cos(away))])


@dataclass(frozen=True)
class Hour:
    """When a lie is met: the sun then, whether it is dark, and the time in words."""

    sun: Body
    dark: bool
    when: str


def stances(channel: Channel, hours: Mapping[int, Hour], lies: Lies, redd: np.ndarray) -> gpd.GeoDataFrame:
    """The best stances of every lie (see `Visit.stances`).

    Parameters
    ----------
    channel, lies : the water and its lies
    hours : lie -> the hour it is met: the sun throws the shadow, darkness makes wading harder
    redd : 1 where nobody should tread (n_wet,)
    """
    unsure = channel.beat.visitor.unsure
    classes = {
        dark: wading_class(channel["depth"], channel["speed"], night=dark, unsure=unsure) for dark in (False, True)
    }
    rows = []
    for number in lies.table.index:
        hour = hours[int(number)]
        rows += _of_lie(channel, hour, lies, int(number), classes[hour.dark], redd)
    columns = ["lie", "rank", "how", "on", "reason", "cast_m", "wading", "when", "geometry"]
    return gpd.GeoDataFrame(rows, columns=columns, geometry="geometry", crs=channel.beat.crs)


def _of_lie(
    channel: Channel, hour: Hour, lies: Lies, number: int, wading: np.ndarray, redd: np.ndarray
) -> list[dict[str, Any]]:
    """Candidates on rings round the lie, the forbidden ones dropped, the rest ranked."""
    lie, grid = lies.table.loc[number], channel.grid
    patch = lie.geometry
    cell = int(grid.locate(np.array([lie["x"]]), np.array([lie["y"]]))[0])
    upstream = math.atan2(-float(channel["flow_north"][cell]), -float(channel["flow_east"][cell]))
    depth = float(channel["depth"][cell])
    found: list[tuple[Any, ...]] = []
    visitor, sun = channel.beat.visitor, hour.sun
    for distance in (visitor.cast_m * share for share in CASTS):
        for turn in np.radians(np.arange(0, 360, 15)):
            x, y = lie["x"] + distance * math.cos(turn), lie["y"] + distance * math.sin(turn)
            ahead = math.degrees(abs((turn - upstream + math.pi) % (2 * math.pi) - math.pi))
            at = int(grid.locate(np.array([x]), np.array([y]))[0])
            on = "water" if at >= 0 else "bank"
            klass = int(wading[at]) if at >= 0 else 1
            if ahead < AHEAD_DEG or klass >= 3 or (at >= 0 and redd[at] > 0) or not _near_bank(channel, x, y, on):
                continue
            wet = float(channel["depth"][at]) if at >= 0 else 0.0
            for how, share in HEIGHTS.items():
                height = share * visitor.height_m
                if how == "kneeling" and wet > KNEEL_M:
                    continue
                shadow = shadow_line(x, y, height, sun.altitude_deg, sun.azimuth_deg)
                if shadow is not None and shadow.intersects(patch):
                    continue
                above = height - wet if at >= 0 else height + BANK_M
                found.append((x, y, how, on, distance, klass, max(above, 0.1), ahead))
    rows = []
    for (x, y, how, on, distance, klass, _, ahead), seen in zip(found, _seen(found, hour, depth), strict=True):
        cost = seen / LIMIT_ARCMIN + klass + 0.1 * distance - ahead / 90 + (0.5 if how == "kneeling" else 0)
        rows.append((cost, x, y, how, on, distance, klass, seen, ahead))
    rows.sort(key=lambda row: row[:3])
    return [_row(number, rank, row, hour) for rank, row in enumerate(_apart(rows), 1)]


def _seen(found: list[tuple[Any, ...]], hour: Hour, depth_m: float) -> list[float]:
    """How tall each candidate stands in the window of a fish this deep [arcmin], 0 in the dark."""
    if hour.dark or not found:
        return [0.0] * len(found)
    distance, above = (np.array([row[k] for row in found]) for k in (4, 6))
    return seen_from_below(np.round(above, 1), distance, round(max(depth_m, 0.1), 1)).arcmin.tolist()


def _near_bank(channel: Channel, x: float, y: float, on: str) -> bool:
    """A place on land must be within 4 m of the water, where one can cast."""
    return on == "water" or channel.beat.outline.distance(shapely.Point(x, y)) <= 4.0


def _apart(found: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """The best, and the next best at least 4 m away from it."""
    kept: list[tuple[Any, ...]] = []
    for row in found:
        if all(math.hypot(row[1] - k[1], row[2] - k[2]) >= 4 for k in kept):
            kept.append(row)
        if len(kept) == BEST:
            break
    return kept


def _row(number: int, rank: int, row: tuple[Any, ...], hour: Hour) -> dict[str, Any]:
    """One stance with its reason."""
    _, x, y, how, on, distance, klass, seen, ahead = row
    side = "behind" if ahead > 120 else "beside"
    sight = "below its line of sight" if seen < LIMIT_ARCMIN else "it may see you: move slowly"
    sight = "in the dark" if hour.dark else sight
    care = "" if klass == 1 else ", strong care wading"
    return {
        "lie": number,
        "rank": rank,
        "how": how,
        "on": on,
        "reason": f"{side} the fish, {sight}{care}",
        "cast_m": round(distance, 1),
        "wading": klass,
        "when": hour.when,
        "geometry": shapely.Point(x, y),
    }
