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

SINK_M_S = 0.12
"""Sink rate of a weighted fly where the beat names none (assumed from trade tests, 10-23 cm/s in still water) [m/s]."""

SINK_SHARE = 0.5
"""A sink rate is good to this share of it either way (assumed)."""

MOST_LANES = 4
STEP_M = 0.5
LONGEST_M = 25.0


def drift_seconds(distance_m: float, speed_m_s: float) -> float:
    """Time to drift a distance [s]."""
    return distance_m / max(speed_m_s, 0.01)


def lead_m(depth_m: float, speed_m_s: float, sink_m_s: float = SINK_M_S) -> float:
    """How far upstream a fly must land to reach a depth, drag-free [m]."""
    return depth_m / sink_m_s * speed_m_s


def lane_count(width_m: float, range_m: float, view_deg: float) -> int:
    """Lanes that cover a lie of a width, each as wide at the sighting range as the cone a trout watches."""
    view = 2 * range_m * math.tan(math.radians(view_deg / 2))
    return max(1, math.ceil(width_m / max(view, 0.05) - 1e-9))


def lanes(channel: Channel, sight: Sight, lies: Lies, view_deg: float) -> gpd.GeoDataFrame:
    """Lanes of every lie in the direction of drift (see `Visit.lanes`)."""
    rows: list[Mapping[str, Any]] = []
    for number, lie in lies.table.iterrows():
        cells = lies.cells[int(number)]
        if not len(cells):
            continue
        middle = np.array([lie["x"], lie["y"]])
        east, north = channel["flow_east"][cells].mean(), channel["flow_north"][cells].mean()
        size = math.hypot(east, north) or 1.0
        left = np.array([-north, east]) / size
        side = (channel.grid.points(cells) - middle) @ left
        seen = float(np.median(sight.at("sighting_range", cells)))
        count = min(lane_count(float(np.ptp(side)) + channel.grid.cell_m, seen, view_deg), MOST_LANES)
        speed = float(channel["drift_speed"][cells].mean())
        depth, sink = float(channel["depth"][cells].mean()), channel.beat.visitor.sink_m_s
        lead, near, far = (
            min(lead_m(depth, speed, sink * share), LONGEST_M) for share in (1.0, 1 + SINK_SHARE, 1 - SINK_SHARE)
        )
        for lane, offset in enumerate((np.arange(count) + 0.5) / count * np.ptp(side) + side.min(), 1):
            line = _line(channel, middle + left * offset, lead)
            if line is None:
                continue
            crosses = bool(len(channel.seams)) and bool(channel.seams.geometry.crosses(line).any())
            facts = {"lie": int(number), "lane": lane, "drift_m_s": round(speed, 2)}
            facts |= {"lead_m": round(lead, 1), "lead_least_m": round(near, 1), "lead_most_m": round(far, 1)}
            seconds = round(drift_seconds(seen, speed), 1)
            rows.append({**facts, "in_view_s": seconds, "crosses_seam": crosses, "geometry": line})
    columns = [
        "lie", "lane", "lead_m", "lead_least_m", "lead_most_m", "in_view_s", "drift_m_s", "crosses_seam", "geometry",
    ]  # fmt: skip
    return gpd.GeoDataFrame(rows, columns=columns, geometry="geometry", crs=channel.beat.crs)


def _line(channel: Channel, start: np.ndarray, lead: float) -> shapely.LineString | None:
    """The line of the current through a point: `lead` upstream, a little downstream; ends where the water ends."""
    up, down = _follow(channel, start, -1, lead + 1.0), _follow(channel, start, 1, 3.0)
    points = [*reversed(up), *down[1:]]
    return shapely.LineString(points) if len(points) > 2 else None


def _follow(channel: Channel, start: np.ndarray, sign: int, length: float) -> list[tuple[float, float]]:
    """Steps along the current from a point until the length is done or the next step would leave the water."""
    x, y = float(start[0]), float(start[1])
    grid, points = channel.grid, []
    for _ in range(int(length / STEP_M) + 1):
        cell = int(grid.locate(np.array([x]), np.array([y]))[0])
        if cell < 0:
            break
        points.append((x, y))
        x += sign * STEP_M * float(channel["flow_east"][cell])
        y += sign * STEP_M * float(channel["flow_north"][cell])
    return points
