"""Lanes: lines to drift through a lie along the current."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from reachmap.channel.model import Channel
from reachmap.sight.model import Sight
from reachmap.trout.model import Lies

SINK_SHARE = 0.5
"""A sink rate is good to this share of it either way (assumed)."""

ASIDE = 0.1
"""A lane rather goes through a place this much farther to the side than one as much farther from the tag; assumed."""

MOST_LANES = 4
STEP_M = 0.5
LONGEST_M = 25.0


def drift_seconds(distance_m: float, speed_m_s: float) -> float:
    """Time to drift a distance [s]."""
    return distance_m / max(speed_m_s, 0.01)


def lead_m(depth_m: float, speed_m_s: float, sink_m_s: float) -> float:
    """How far upstream a fly must land to reach a depth, drag-free [m]."""
    return depth_m / sink_m_s * speed_m_s


def lane_count(width_m: float, range_m: float, view_deg: float) -> int:
    """Lanes that cover a lie of a width, each as wide at the sighting range as the cone a trout watches."""
    view = 2 * range_m * math.tan(math.radians(view_deg / 2))
    return max(1, math.ceil(width_m / max(view, 0.05) - 1e-9))


def lanes(channel: Channel, sight: Sight, lies: Lies, view_deg: float) -> gpd.GeoDataFrame:
    """Lanes of every lie in the direction of drift (see `Visit.lanes`)."""
    rows: list[Mapping[str, Any]] = []
    starts: list[np.ndarray] = []
    leads: list[float] = []
    for number, lie in lies.table.iterrows():
        cells = lies.cells[int(number)]
        if not len(cells):
            continue
        middle = np.array([lie["x"], lie["y"]])
        east, north = channel["flow_east"][cells].mean(), channel["flow_north"][cells].mean()
        size = math.hypot(east, north) or 1.0
        left = np.array([-north, east]) / size
        points = channel.grid.points(cells)
        side, away = (points - middle) @ left, np.hypot(*(points - middle).T)
        seen = float(np.median(sight.at("sighting_range", cells)))
        count = min(lane_count(float(np.ptp(side)) + channel.grid.cell_m, seen, view_deg), MOST_LANES)
        speed = float(channel["drift_speed"][cells].mean())
        depth, sink = float(channel["depth"][cells].mean()), channel.beat.visitor.sink_m_s
        lead, near, far = (
            min(lead_m(depth, speed, sink * share), LONGEST_M) for share in (1.0, 1 + SINK_SHARE, 1 - SINK_SHARE)
        )
        facts = {"lie": int(number), "drift_m_s": round(speed, 2), "in_view_s": round(drift_seconds(seen, speed), 1)}
        facts |= {"lead_m": round(lead, 1), "lead_least_m": round(near, 1), "lead_most_m": round(far, 1)}
        for lane, offset in enumerate((np.arange(count) + 0.5) / count * np.ptp(side) + side.min(), 1):
            rows.append({**facts, "lane": lane})
            # Through the lie itself: straight beside the tag, a lie in a bend need not be.
            starts.append(points[np.argmin(np.abs(side - offset) + ASIDE * away)])
            leads.append(lead)
    lines = _lines(channel, np.reshape(starts, (-1, 2)), np.array(leads))
    kept = [k for k, line in enumerate(lines) if line is not None]
    seams = shapely.STRtree(channel.seams.geometry.to_numpy())
    crossing = set(seams.query(np.array([lines[k] for k in kept], object), predicate="crosses")[0].tolist())
    rows = [{**rows[k], "crosses_seam": n in crossing, "geometry": lines[k]} for n, k in enumerate(kept)]
    columns = [
        "lie", "lane", "lead_m", "lead_least_m", "lead_most_m", "in_view_s", "drift_m_s", "crosses_seam", "geometry",
    ]  # fmt: skip
    return gpd.GeoDataFrame(rows, columns=columns, geometry="geometry", crs=channel.beat.crs)


def _lines(channel: Channel, starts: np.ndarray, leads_m: np.ndarray) -> list[shapely.LineString | None]:
    """The line of the current through each point (n, 2): so far upstream, a little downstream; None without water."""
    up = _followed(channel, starts, -1, leads_m + 1.0)
    down = _followed(channel, starts, 1, np.full(len(starts), 3.0))
    both = [np.concatenate([above[::-1], below[1:]]) for above, below in zip(up, down, strict=True)]
    return [shapely.LineString(points) if len(points) > 2 else None for points in both]


def _followed(channel: Channel, starts: np.ndarray, sign: int, lengths_m: np.ndarray) -> list[np.ndarray]:
    """Steps along the current from each point until its length is done or the next step would leave the water."""
    most = (lengths_m / STEP_M).astype(int) + 1
    place, under_way = starts.astype(float), np.ones(len(starts), bool)
    trail = []
    for taken in range(int(most.max(initial=0))):
        cell = channel.grid.locate(*place.T)
        under_way = under_way & (cell >= 0) & (taken < most)
        trail.append((place, under_way))
        ahead = np.column_stack([channel["flow_east"][cell], channel["flow_north"][cell]]).astype(float)
        place = np.where(under_way[:, None], place + sign * STEP_M * ahead, place)
    return [np.array([at[k] for at, still in trail if still[k]]).reshape(-1, 2) for k in range(len(starts))]
