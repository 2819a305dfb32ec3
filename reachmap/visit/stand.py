"""Stances: where to stand for a lie without being seen, shading it or wading where nobody should."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from reachmap.channel.model import Channel, Grid
from reachmap.layers import Derived
from reachmap.light.heights import prisms
from reachmap.light.model import Body
from reachmap.sight import seen_from_below
from reachmap.trout.model import Lies
from reachmap.visit.bank import Ways, find_ways

CASTS = (0.5, 0.67, 0.83, 1.0)
"""Casting distances offered, as shares of the farthest one wanted (assumed)."""

AHEAD_DEG = 60.0
"""Nobody is placed within this angle of the way the fish looks, upstream (assumed) [deg]."""

HEIGHTS = {"kneeling": 0.5, "standing": 1.0}
"""Height above the ground, as a share of the person's (assumed)."""

KNEEL_M, BANK_M = 0.3, 0.3
"""Deepest water to kneel in and height of the bank above the water (assumed) [m]."""

TURNS_DEG = np.arange(0, 360, 15)
"""Directions from the lie in which places are tried (assumed) [deg]."""

BESIDE_WATER_M = 4.0
"""On land one has to stand this near to the water to cast (assumed) [m]."""

STEP_M = 0.5
"""A cast is looked at in steps of this along its line, whether there is water below [m]."""

HINDERS = ("tree", "hedge", "wall")
"""Kinds of shade nobody stands in or can well cast through."""

CLEAR_M = 4.0
"""Branches from this height above the water up hinder neither (assumed) [m]."""

THROUGH = 1.0
"""What a cast through branches or over a hedge or wall costs besides, as much as a class of wading or ten metres of
casting (assumed)."""

DRY_AT_NIGHT = 1.0
"""What standing in the water after dark costs besides, as much as a class of wading or ten metres of casting: from the
bank where one can (common practice; its size is assumed)."""

BEST, APART_M = 2, 4.0
"""Stances offered a lie, and how far apart they are at least (assumed) [m]."""


def shadow_lines(
    x: np.ndarray, y: np.ndarray, height_m: np.ndarray, altitude_deg: float, azimuth_deg: float
) -> np.ndarray:
    """Shadows on the water of people who rise so far above it (n,), lines; None when the sun is down."""
    if altitude_deg <= 0:
        return np.full(len(x), None)
    length = height_m / math.tan(math.radians(altitude_deg))
    away = math.radians(azimuth_deg + 180)
    foot = np.stack([x, y], axis=-1)
    tip = foot + length[:, None] * np.array([math.sin(away), math.cos(away)])
    return np.asarray(shapely.linestrings(np.stack([foot, tip], axis=1)))


@dataclass(frozen=True)
class Hour:
    """When a lie is met: the sun then, whether it is dark, and the time in words."""

    sun: Body
    dark: bool
    when: str


@dataclass(frozen=True)
class Ground:
    """Where one may tread, whichever lie is met from there, and how well one is seen there.

    Parameters
    ----------
    channel : the water
    layers : with redd, 1 where nobody should tread
    ways : how one gets there
    in_the_way : outlines of the crowns, hedges and walls of the shade file
    mar_arcmin : what the fish resolves; a person as tall in its window is seen [arcmin]
    """

    channel: Channel
    layers: Derived
    ways: Ways
    in_the_way: shapely.STRtree
    mar_arcmin: float


def find_ground(channel: Channel, layers: Derived, mar_arcmin: float) -> Ground:
    """Where one may tread; the arguments as in `Ground`."""
    shapely.prepare(channel.beat.outline)
    shade = channel.beat.shade
    blocks = prisms(shade[shade["kind"].isin(HINDERS) & (shade["base_m"] < CLEAR_M)])
    in_the_way = shapely.STRtree([shapely.Polygon(block.xy) for block in blocks])
    return Ground(channel, layers, find_ways(channel), in_the_way, mar_arcmin)


def has_place(ground: Ground, hours: Iterable[Hour], lie: pd.Series) -> bool:
    """Whether a lie of `Lies.table` can be met from anywhere at any of some hours."""
    return any(len(_candidates(ground, hour, lie).x) for hour in hours)


def stances(ground: Ground, hours: Mapping[int, Sequence[Sequence[Hour]]], lies: Lies) -> gpd.GeoDataFrame:
    """The best stances of every lie (see `Visit.stances`).

    Parameters
    ----------
    ground, lies : where one may tread, and the lies
    hours : lie -> the hours it is met at, each with others to try where there is no place at the first: the sun throws
        the shadow, darkness makes wading harder
    """
    rows = []
    for number in map(int, lies.table.index):
        for tries in hours[number]:
            found = (_of_lie(ground, hour, lies, number) for hour in tries)
            rows += next(filter(None, found), [])
    columns = ["lie", "rank", "how", "on", "reason", "cast_m", "wading", "when", "dark", "geometry"]
    return gpd.GeoDataFrame(rows, columns=columns, geometry="geometry", crs=ground.channel.beat.crs)


@dataclass(frozen=True)
class _Candidates:
    """Places and postures to meet a lie from, all of equal length.

    x, y [m]; how: posture; distance: of the cast [m]; ahead: angle from the way the fish looks [deg]; cell: the wet
    cell stood in, -1 on land; klass: wading class of the way there; seen: how tall the person stands in the fish's
    window [arcmin]; cost: the lower the better.
    """

    x: np.ndarray
    y: np.ndarray
    how: np.ndarray
    distance: np.ndarray
    ahead: np.ndarray
    cell: np.ndarray
    klass: np.ndarray
    seen: np.ndarray
    cost: np.ndarray


def _of_lie(ground: Ground, hour: Hour, lies: Lies, number: int) -> list[dict[str, Any]]:
    """Candidates on rings round the lie, the forbidden ones dropped, the rest ranked."""
    found = _candidates(ground, hour, lies.table.loc[number])
    return [_row(number, rank, found, best, hour, ground.mar_arcmin) for rank, best in enumerate(_apart(found), 1)]


def _candidates(ground: Ground, hour: Hour, lie: pd.Series) -> _Candidates:
    """Where a person may stand and cast to a lie, standing or kneeling."""
    channel, ways = ground.channel, ground.ways
    grid, visitor, sun = channel.grid, channel.beat.visitor, hour.sun
    top = int(grid.locate(np.array([lie["x"]]), np.array([lie["y"]]))[0])
    upstream = math.atan2(-float(channel["flow_north"][top]), -float(channel["flow_east"][top]))
    distance, turn = (
        a.ravel() for a in np.meshgrid(visitor.cast_m * np.array(CASTS), np.radians(TURNS_DEG), indexing="ij")
    )
    x, y = lie["x"] + distance * np.cos(turn), lie["y"] + distance * np.sin(turn)
    ahead = np.degrees(np.abs((turn - upstream + np.pi) % (2 * np.pi) - np.pi))
    cell = grid.locate(x, y)
    wet = cell >= 0
    klass = np.where(wet, ways.wading(hour.dark)[cell], 1)
    good = (ahead >= AHEAD_DEG) & (klass < 3) & ~(wet & (ground.layers.part("redd", cell) > 0))
    dry = np.flatnonzero(good & ~wet)
    spots = np.column_stack([x[dry], y[dry]])
    places = shapely.points(spots)
    beside = shapely.dwithin(channel.beat.outline, places, BESIDE_WATER_M) & ~shapely.intersects(ways.stones, places)
    good[dry] = beside & ways.bank[grid.nearest(spots)]
    good[good] = _over_land(grid, x[good], y[good], lie) <= BESIDE_WATER_M
    good[good] = ~_meets(ground.in_the_way, shapely.points(x[good], y[good]))
    depth = np.where(wet, channel["depth"][cell], 0.0)
    # Every place once in each posture.
    place, posture = (a.ravel() for a in np.meshgrid(np.flatnonzero(good), np.arange(len(HEIGHTS)), indexing="ij"))
    how, height = np.array([*HEIGHTS])[posture], visitor.height_m * np.array([*HEIGHTS.values()])[posture]
    able = (how != "kneeling") | (depth[place] <= KNEEL_M)
    above = np.maximum(np.where(wet[place], height - depth[place], height + BANK_M), 0.1)
    shadows = shadow_lines(x[place], y[place], above, sun.altitude_deg, sun.azimuth_deg)
    able &= ~shapely.intersects(shadows, lie.geometry)
    place, how, above = place[able], how[able], above[able]
    seen = _seen(above, distance[place], hour, float(channel["depth"][top]))
    cost = seen / ground.mar_arcmin + klass[place] + 0.1 * distance[place] - ahead[place] / 90
    cost += 0.5 * (how == "kneeling")
    cost += DRY_AT_NIGHT * (hour.dark & wet[place])
    cost += THROUGH * _meets(ground.in_the_way, _casts(x[place], y[place], lie))
    return _Candidates(x[place], y[place], how, distance[place], ahead[place], cell[place], klass[place], seen, cost)


def _casts(x: np.ndarray, y: np.ndarray, lie: pd.Series) -> np.ndarray:
    """The straight lines from some places (n,) to the tag of a lie."""
    ends = np.broadcast_to([lie["x"], lie["y"]], (len(x), 2))
    return np.asarray(shapely.linestrings(np.stack([np.column_stack([x, y]), ends], axis=1)))


def _over_land(grid: Grid, x: np.ndarray, y: np.ndarray, lie: pd.Series) -> np.ndarray:
    """How much of the straight line from each place (n,) to the tag of a lie runs over land [m]."""
    east, north = lie["x"] - x, lie["y"] - y
    distance = np.hypot(east, north)
    steps = math.ceil(distance.max(initial=0.0) / STEP_M)
    share = (np.arange(steps) + 0.5)[:, None] / max(steps, 1)
    return (grid.locate(x + share * east, y + share * north) < 0).sum(axis=0) / max(steps, 1) * distance


def _meets(tree: shapely.STRtree, shapes: np.ndarray) -> np.ndarray:
    """Which of some shapes (n,) meet any in a tree, bool."""
    out = np.zeros(len(shapes), bool)
    out[tree.query(shapes, predicate="intersects")[0]] = True
    return out


def _seen(above_m: np.ndarray, distance_m: np.ndarray, hour: Hour, depth_m: float) -> np.ndarray:
    """How tall each person stands in the window of a fish this deep [arcmin], 0 in the dark."""
    if hour.dark or not len(above_m):
        return np.zeros(len(above_m))
    return seen_from_below(above_m, distance_m, max(depth_m, 0.1)).arcmin


def _apart(found: _Candidates) -> list[int]:
    """The best candidate, and the next best at least `APART_M` away from it."""
    kept: list[int] = []
    for k in np.lexsort((found.y, found.x, found.cost)).tolist():
        if all(math.hypot(found.x[k] - found.x[n], found.y[k] - found.y[n]) >= APART_M for n in kept):
            kept.append(k)
        if len(kept) == BEST:
            break
    return kept


def _row(number: int, rank: int, found: _Candidates, best: int, hour: Hour, mar_arcmin: float) -> dict[str, Any]:
    """One stance with its reason."""
    klass = int(found.klass[best])
    side = "behind" if found.ahead[best] > 120 else "beside"
    sight = "below its line of sight" if found.seen[best] < mar_arcmin else "it may see you: move slowly"
    sight = "in the dark" if hour.dark else sight
    care = "" if klass == 1 else ", strong care wading"
    return {
        "lie": number,
        "rank": rank,
        "how": str(found.how[best]),
        "on": "water" if found.cell[best] >= 0 else "bank",
        "reason": f"{side} the fish, {sight}{care}",
        "cast_m": round(float(found.distance[best]), 1),
        "wading": klass,
        "when": hour.when,
        "dark": hour.dark,
        "geometry": shapely.Point(found.x[best], found.y[best]),
    }
