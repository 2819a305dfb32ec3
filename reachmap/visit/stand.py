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
from scipy.spatial import cKDTree

from reachmap.channel.model import Channel, Grid
from reachmap.light.model import Body
from reachmap.sight import seen_from_below
from reachmap.trout.model import Lies
from reachmap.visit.bank import BANKS, Ways, find_ways
from reachmap.visit.land import HIGHEST_M

CASTS = (0.5, 0.67, 0.83, 1.0)
"""Casting distances offered, as shares of the farthest one wanted (assumed)."""

AHEAD_DEG = 60.0
"""Nobody is placed within this angle of the way the fish looks, upstream (assumed) [deg]."""

HEIGHTS = {"kneeling": 0.5, "standing": 1.0}
"""Height above the ground, as a share of the person's (assumed)."""

KNEEL_M = 0.3
"""Deepest water to kneel in (assumed) [m]."""

TURNS_DEG = np.arange(0, 360, 15)
"""Directions from the lie in which places are tried (assumed) [deg]."""

OFF_REDD_M = 1.5
"""In the spawning season nobody stands nearer to a redd than this (assumed) [m]."""

BESIDE_WATER_M = 4.0
"""On land one has to stand this near to the water to cast (assumed) [m]."""

STEP_M = 0.5
"""A cast is looked at in steps of this along its line, whether there is water below [m]."""

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
class Spots:
    """Places round a lie to meet it from at some hour, all of equal length.

    x, y [m]; distance: of the cast [m]; ahead: angle from the way the fish looks [deg]; cell: the wet cell stood in, -1
    on land; bank: the one stood on, as in `BANKS`, 0 in the water; ground: how high one's feet stand above the water,
    below 0 in it [m]; clear, through: whether nothing stands there, and whether the cast goes through branches or over
    a hedge or wall; lie: its row of `Lies.table`; lie_depth_m: of the water over its tag.
    """

    x: np.ndarray
    y: np.ndarray
    distance: np.ndarray
    ahead: np.ndarray
    cell: np.ndarray
    bank: np.ndarray
    ground: np.ndarray
    clear: np.ndarray
    through: np.ndarray
    lie: pd.Series
    lie_depth_m: float


@dataclass(frozen=True)
class Ground:
    """Where one may tread to meet the lies, and how well one is seen there.

    Parameters
    ----------
    channel : the water
    ways : how one gets there
    spots : lie -> places round it
    mar_arcmin : what the fish resolves; a person as tall in its window is seen [arcmin]
    """

    channel: Channel
    ways: Ways
    spots: Mapping[int, Spots]
    mar_arcmin: float


def find_ground(channel: Channel, redd: np.ndarray, lies: Lies, mar_arcmin: float) -> Ground:
    """Where one may tread.

    Parameters
    ----------
    channel, mar_arcmin : as in `Ground`
    redd : (n_wet,) bool, where nobody should tread
    lies : to be met
    """
    shapely.prepare(channel.beat.outline)
    ways = find_ways(channel, redd)
    return Ground(channel, ways, _find_spots(channel, redd, lies, ways), mar_arcmin)


def _find_spots(channel: Channel, redd: np.ndarray, lies: Lies, ways: Ways) -> dict[int, Spots]:
    """Places on rings round every lie, the forbidden ones dropped; of all lies at once, as each has only some hundred.

    Parameters as for `find_ground` and in `Ground`; redd (n_wet,) bool.
    """
    grid, land = channel.grid, ways.land
    east, north = (lies.table[[name]].to_numpy(float) for name in ("x", "y"))
    top = grid.locate(east, north)
    upstream = np.arctan2(*(-channel[name][top].astype(float) for name in ("flow_north", "flow_east")))
    distance, turn = (
        a.ravel()
        for a in np.meshgrid(channel.beat.visitor.cast_m * np.array(CASTS), np.radians(TURNS_DEG), indexing="ij")
    )
    x, y = east + distance * np.cos(turn), north + distance * np.sin(turn)
    ahead = np.degrees(np.abs((turn - upstream + np.pi) % (2 * np.pi) - np.pi))
    cell = grid.locate(x, y)
    wet = cell >= 0
    inside = shapely.contains_xy(lies.table.geometry.to_numpy()[:, None], x, y)
    good = (ahead >= AHEAD_DEG) & ~inside & ~(wet & _by_a_redd(grid, redd, x, y))
    dry = good & ~wet
    spots = np.column_stack([x[dry], y[dry]])
    places = shapely.points(spots)
    beside = shapely.dwithin(channel.beat.outline, places, BESIDE_WATER_M) & ~shapely.intersects(ways.stones, places)
    nearest = grid.nearest(spots)
    rise = land.rise(spots[:, 0], spots[:, 1], nearest)
    bank = np.zeros(good.shape, np.int8)
    bank[dry] = ways.bank[nearest]
    good[dry] = beside & (bank[dry] > 0) & (rise <= HIGHEST_M)
    ground = np.where(wet, -channel["depth"][cell].astype(float), 0.0)
    ground[dry] = rise
    tags = np.broadcast_to(np.stack([east, north], axis=-1), (*x.shape, 2))
    casts = _casts(np.stack([x, y], axis=-1)[good], tags[good])
    free = ~_meets(land.solid, casts)
    good[good], casts = free, casts[free]
    clear, through = np.zeros(good.shape, bool), np.zeros(good.shape, bool)
    clear[good] = ~_meets(land.growth, shapely.points(x[good], y[good]))
    through[good] = _meets(land.growth, casts)
    out, tops = {}, channel["depth"][top[:, 0]].tolist()
    for k, (number, lie) in enumerate(lies.table.iterrows()):
        own = good[k]
        out[int(number)] = Spots(
            x[k, own],
            y[k, own],
            distance[own],
            ahead[k, own],
            cell[k, own],
            bank[k, own],
            ground[k, own],
            clear[k, own],
            through[k, own],
            lie,
            tops[k],
        )
    return out


def _by_a_redd(grid: Grid, redd: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Whether a redd, of cells (n_wet,) bool, has its middle within `OFF_REDD_M` of some places [m]."""
    tree = cKDTree(grid.points(np.flatnonzero(redd)).reshape(-1, 2))
    return np.isfinite(tree.query(np.stack([x, y], axis=-1), distance_upper_bound=OFF_REDD_M)[0])


def has_place(ground: Ground, hours: Iterable[Hour], number: int, banks: int) -> bool:
    """Whether a lie can be met from any of some banks (as in `BANKS`) at any of some hours."""
    return any(len(_candidates(ground, hour, number, banks).place) for hour in hours)


def stances(
    ground: Ground, hours: Mapping[int, Sequence[Sequence[Hour]]], banks: Mapping[tuple[int, bool], int]
) -> gpd.GeoDataFrame:
    """The best stances of every lie (see `Visit.stances`).

    Parameters
    ----------
    ground : where one may tread
    hours : lie -> the hours it is met at, each with others to try where there is no place at the first: the sun throws
        the shadow, darkness makes wading harder
    banks : lie, dark -> the banks one comes from then, as in `BANKS`; either where nothing is said
    """
    rows = []
    for number in ground.spots:
        for tries in hours[number]:
            found = (_of_lie(ground, hour, number, banks.get((number, hour.dark), BANKS["either"])) for hour in tries)
            rows += next(filter(None, found), [])
    columns = ["lie", "rank", "how", "on", "reason", "cast_m", "wading", "when", "dark", "geometry"]
    return gpd.GeoDataFrame(rows, columns=columns, geometry="geometry", crs=ground.channel.beat.crs)


@dataclass(frozen=True)
class _Candidates:
    """Places and postures to meet a lie from at an hour, all of equal length.

    place: among the spots of the lie; how: posture; above: how far one rises over the water [m]; klass: wading class of
    the way there; banks: whence there is one, as in `BANKS`.
    """

    place: np.ndarray
    how: np.ndarray
    above: np.ndarray
    klass: np.ndarray
    banks: np.ndarray


def _of_lie(ground: Ground, hour: Hour, number: int, banks: int) -> list[dict[str, Any]]:
    """The best stances for a lie at an hour from some banks, ranked."""
    spots, found = ground.spots[number], _candidates(ground, hour, number, banks)
    place, distance = found.place, spots.distance[found.place]
    seen = _seen(found.above, distance, hour, spots.lie_depth_m)
    cost = seen / ground.mar_arcmin + found.klass + 0.1 * distance - spots.ahead[place] / 90
    cost += 0.5 * (found.how == "kneeling")
    cost += DRY_AT_NIGHT * (hour.dark & (spots.cell[place] >= 0))
    cost += THROUGH * spots.through[place]
    apart = not ground.ways.crossed(hour.dark)
    return [
        {"lie": number, "rank": rank, **_told(spots, found, best, hour, seen[best] >= ground.mar_arcmin, apart)}
        for rank, best in enumerate(_apart(spots.x[place], spots.y[place], cost), 1)
    ]


def _candidates(ground: Ground, hour: Hour, number: int, banks: int) -> _Candidates:
    """Where a person from some banks may stand and cast to a lie, standing or kneeling."""
    spots, sun, tall = ground.spots[number], hour.sun, ground.channel.beat.visitor.height_m
    wet = spots.cell >= 0
    way = ground.ways.wading(hour.dark)
    klass, whence = np.where(wet, way.klass[spots.cell], 1), np.where(wet, way.banks[spots.cell], spots.bank)
    able = np.flatnonzero((klass < 3) & (whence & banks > 0))
    able = able[(_over_land(ground.channel.grid, spots, able) <= BESIDE_WATER_M) & spots.clear[able]]
    # Every place once in each posture.
    place, posture = np.repeat(able, len(HEIGHTS)), np.tile(np.arange(len(HEIGHTS)), len(able))
    how, height = np.array([*HEIGHTS])[posture], tall * np.array([*HEIGHTS.values()])[posture]
    feet = spots.ground[place]
    above = np.maximum(height + feet, 0.1)
    shadows = shadow_lines(spots.x[place], spots.y[place], above, sun.altitude_deg, sun.azimuth_deg)
    kept = ((how != "kneeling") | (feet >= -KNEEL_M)) & ~shapely.intersects(shadows, spots.lie.geometry)
    return _Candidates(place[kept], how[kept], above[kept], klass[place[kept]], whence[place[kept]])


def _casts(places: np.ndarray, tags: np.ndarray) -> np.ndarray:
    """The straight lines from some places to the tags of their lies (n, 2) each."""
    return np.asarray(shapely.linestrings(np.stack([places, tags], axis=1)))


def _over_land(grid: Grid, spots: Spots, place: np.ndarray) -> np.ndarray:
    """How much of the straight line from some places round a lie (n,) to its tag runs over land [m]."""
    x, y = spots.x[place], spots.y[place]
    east, north = spots.lie["x"] - x, spots.lie["y"] - y
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


def _apart(x: np.ndarray, y: np.ndarray, cost: np.ndarray) -> list[int]:
    """The best candidate, and the next best at least `APART_M` away from it."""
    kept: list[int] = []
    for k in np.lexsort((y, x, cost)).tolist():
        if all(math.hypot(x[k] - x[n], y[k] - y[n]) >= APART_M for n in kept):
            kept.append(k)
        if len(kept) == BEST:
            break
    return kept


def _told(spots: Spots, found: _Candidates, best: int, hour: Hour, seen: bool, apart: bool) -> dict[str, Any]:
    """One stance with its reason; `seen` if the fish may see one there, `apart` if nobody gets from bank to bank."""
    place, klass = found.place[best], int(found.klass[best])
    side = "behind" if spots.ahead[place] > 120 else "beside"
    sight = "it may see you: move slowly" if seen else "below its line of sight"
    sight = "in the dark" if hour.dark else sight
    care = "" if klass == 1 else ", strong care wading"
    whence = f", from the {'left' if found.banks[best] == BANKS['left'] else 'right'} bank" if apart else ""
    return {
        "how": str(found.how[best]),
        "on": "water" if spots.cell[place] >= 0 else "bank",
        "reason": f"{side} the fish, {sight}{care}{whence}",
        "cast_m": round(float(spots.distance[place]), 1),
        "wading": klass,
        "when": hour.when,
        "dark": hour.dark,
        "geometry": shapely.Point(spots.x[place], spots.y[place]),
    }
