"""Lanes: lines to drift through a lie along the current."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from reachmap.channel.cover import stones
from reachmap.channel.model import Channel
from reachmap.sight.model import Sight
from reachmap.trout.model import Lies

SINK_SHARE = 0.5
"""A sink rate is good to this share of it either way (assumed)."""

ASIDE = 0.1
"""A lane rather goes through a place this much farther to the side than one as much farther from the tag; assumed."""

COLUMNS = (
    "lie", "lane", "lead_m", "lead_least_m", "lead_most_m", "shut_by", "shut_within_m", "in_view_s", "drift_m_s",
    "crosses_seam", "geometry",
)  # fmt: skip
"""What is told of a lane, see `Visit.lanes`."""

MOST_LANES = 4
STEP_M = 0.5
LONGEST_M = 25.0
ABOVE_M, BELOW_M = 1.0, 3.0
"""A lane is drawn from so far above where the fly lands to so far below its place in the lie (assumed) [m]."""

SLACK_M_S = 0.01
"""Water slower than this drifts as if it were as fast (assumed)."""


def drift_seconds(distance_m: float, speed_m_s: float) -> float:
    """Time to drift a distance [s]."""
    return distance_m / max(speed_m_s, SLACK_M_S)


def lead_m(depth_m: float, speed_m_s: npt.ArrayLike, sink_m_s: npt.ArrayLike) -> np.ndarray:
    """How far upstream along a lane a fly must land to reach a depth at its end, drag-free [m].

    It takes depth / sink rate, and in that time drifts past every step of the lane at that step's speed. A fly that
    sinks evenly spends as long at each height over the bed, so the depth-mean speed is what carries it on the whole.

    Parameters
    ----------
    depth_m : to reach [m]
    speed_m_s : depth-mean speed at the lane's end and every `STEP_M` up from there; the last goes for all beyond [m/s]
    sink_m_s : sink rates, one or several [m/s]
    """
    speed = np.maximum(speed_m_s, SLACK_M_S)
    seconds = np.append(0.0, np.cumsum(2 * STEP_M / (speed[1:] + speed[:-1])))
    sinking = depth_m / np.asarray(sink_m_s)
    beyond = np.maximum(sinking - seconds[-1], 0.0) * speed[-1]
    return np.interp(sinking, seconds, STEP_M * np.arange(len(speed))) + beyond


def lane_count(width_m: float, range_m: float, view_deg: float) -> int:
    """Lanes that cover a lie of a width, each as wide at the sighting range as the cone a trout watches."""
    view = 2 * range_m * math.tan(math.radians(view_deg / 2))
    return max(1, math.ceil(width_m / max(view, 0.05) - 1e-9))


def lanes(channel: Channel, sight: Sight, lies: Lies, view_deg: float) -> gpd.GeoDataFrame:
    """Lanes of every lie in the direction of drift (see `Visit.lanes`)."""
    tags = zip(lies.table.index.tolist(), lies.table[["x", "y"]].to_numpy(float), strict=True)
    rows = [row for number, tag in tags for row in _of_lie(channel, sight, number, tag, lies.cells[number], view_deg)]
    starts = np.reshape([row.pop("start") for row in rows], (-1, 2))
    above, below = _followed(channel, starts, -1, LONGEST_M), _followed(channel, starts, 1, BELOW_M)
    kept = []
    for row, up, down, end in zip(rows, above, below, _ends(channel, above), strict=True):
        told = _leads(channel, row.pop("depth_m"), up, end)
        drawn = up if told["shut_by"] else up[: int((told["lead_m"] + ABOVE_M) / STEP_M) + 1]
        if len(drawn) + len(down) > 3:
            kept.append({**row, **told, "geometry": shapely.LineString([*drawn[::-1], *down[1:]])})
    table = gpd.GeoDataFrame(kept, columns=[*COLUMNS], geometry="geometry", crs=channel.beat.crs)
    seams = shapely.STRtree(channel.seams.geometry.to_numpy())
    crossing = set(seams.query(table.geometry.to_numpy(), predicate="crosses")[0].tolist())
    return table.assign(crosses_seam=[n in crossing for n in range(len(table))])


def _of_lie(
    channel: Channel, sight: Sight, number: int, tag: np.ndarray, cells: np.ndarray, view_deg: float
) -> list[dict[str, Any]]:
    """Lanes of a lie: where each goes through it, how deep the lie is, and what is told of them all."""
    if not len(cells):
        return []
    east, north = channel["flow_east"][cells].mean(), channel["flow_north"][cells].mean()
    size = math.hypot(east, north) or 1.0
    left = np.array([-north, east]) / size
    points = channel.grid.points(cells)
    side, away = (points - tag) @ left, np.hypot(*(points - tag).T)
    seen, speed = float(np.median(sight.at("sighting_range", cells))), float(channel["drift_speed"][cells].mean())
    count = min(lane_count(float(np.ptp(side)) + channel.grid.cell_m, seen, view_deg), MOST_LANES)
    facts = {"lie": number, "drift_m_s": round(speed, 2), "in_view_s": round(drift_seconds(seen, speed), 1)}
    facts |= {"depth_m": float(channel["depth"][cells].mean())}
    offsets = (np.arange(count) + 0.5) / count * np.ptp(side) + side.min()
    # Through the lie itself: straight beside the tag, a lie in a bend need not be.
    starts = [points[np.argmin(np.abs(side - offset) + ASIDE * away)] for offset in offsets]
    return [{**facts, "lane": lane, "start": start} for lane, start in enumerate(starts, 1)]


def _leads(channel: Channel, depth_m: float, up: np.ndarray, end: str) -> dict[str, Any]:
    """How far up a lane a fly must land, or what is in the way of that (see `Visit.lanes`).

    Parameters
    ----------
    depth_m : to reach at its lower end
    up : the lane from there upstream (n, 2)
    end : what ends it there, "" if it goes on
    """
    sink = channel.beat.visitor.sink_m_s * np.array([1.0, 1 + SINK_SHARE, 1 - SINK_SHARE])
    lead, least, most = np.minimum(lead_m(depth_m, channel["speed"][channel.grid.locate(*up.T)], sink), LONGEST_M)
    room = STEP_M * (len(up) - 1) if end else math.inf
    if lead > room:
        leads, shut = [math.nan] * 3, {"shut_by": end, "shut_within_m": room + STEP_M}
    else:
        leads, shut = np.round([lead, least, min(most, room)], 1).tolist(), {"shut_by": "", "shut_within_m": math.nan}
    return dict(zip(("lead_m", "lead_least_m", "lead_most_m"), leads, strict=True)) | shut


def _ends(channel: Channel, above: list[np.ndarray]) -> list[str]:
    """What each lane ends at upstream: the kind of a stone, "land", or "" where it goes on or leaves at the head."""
    tops = np.reshape([up[-1] for up in above], (-1, 2))
    cell = channel.grid.locate(*tops.T)
    ahead = tops - STEP_M * _current(channel, cell)
    # Off the water the river may go on: past its head, and between the parts of an outline.
    beside = channel["bank_distance"][cell] <= STEP_M + channel.grid.cell_m
    off = (channel.grid.locate(*ahead.T) < 0) & (channel["along"][cell] > STEP_M)
    out = np.where(off & beside, "land", "").astype(object)
    dry = stones(channel.beat)
    tree = shapely.STRtree([area for _, area, _ in dry])
    hit, stone = tree.query_nearest(shapely.points(ahead), max_distance=channel.grid.cell_m, all_matches=False)
    for lane, kind in zip(hit.tolist(), [dry[n][0] for n in stone], strict=True):
        out[lane] = kind if off[lane] else ""
    return out.tolist()


def _followed(channel: Channel, starts: np.ndarray, sign: int, length_m: float) -> list[np.ndarray]:
    """Steps along the current from each point until so long or until the next step would leave the water."""
    place, under_way = starts.astype(float), np.ones(len(starts), bool)
    trail = []
    for _ in range(int(length_m / STEP_M) + 1):
        cell = channel.grid.locate(*place.T)
        under_way = under_way & (cell >= 0)
        trail.append((place, under_way))
        place = np.where(under_way[:, None], place + sign * STEP_M * _current(channel, cell), place)
    return [np.array([at[k] for at, still in trail if still[k]]).reshape(-1, 2) for k in range(len(starts))]


def _current(channel: Channel, cell: np.ndarray) -> np.ndarray:
    """Which way the water runs in some cells, unit vectors (n, 2)."""
    return np.column_stack([channel["flow_east"][cell], channel["flow_north"][cell]]).astype(float)
