"""Slack water behind boulders, piers and island tails, which a solve without inertia can't know.

Far wake of a single body (Schlichting, Boundary-Layer Theory; from memory): deficit
u1/U = sqrt(10)/(18 beta) (x/(Cd d))^(-1/2) (1 - (|y|/b)^(3/2))^2 within b = sqrt(10) beta sqrt(x Cd d), beta = 0.18.
Its integral across is Cd d / 2, the drag of the body. Here x starts upstream of the lee face by just so much that
the deficit there is `LARGEST`, so the cap near the body keeps the integral. Bed friction damps it over h / (2 cf),
cf = g n^2 / h^(1/3) (shallow-water momentum equation, linearised).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from reachmap.beat.model import Beat
from reachmap.channel.cover import body as body_area
from reachmap.channel.cover import height_above_bed
from reachmap.channel.flow import MANNING_N
from reachmap.channel.model import Grid
from reachmap.channel.rescale import shared_rescale
from reachmap.constants import GRAVITY_M_S2
from reachmap.threads import side_by_side

BETA = 0.18
"""Spreading constant of the plane wake [-]; Schlichting, from memory."""

DRAG = {"boulder": 1.0, "pier": 1.0, "log": 1.0, "island": 0.3}
"""Drag coefficient Cd by kind of body [-]: blunt 1 (from memory), an island drawn out (assumed)."""

LARGEST, SMALLEST = 0.9, 0.02
"""Largest deficit, close behind a body, and the one at which a wake has ended [-]; assumed."""

PEAK = float(np.sqrt(10.0)) / (18.0 * BETA)
"""Deficit one drag width behind the start of the wake [-]."""

LONGEST_M, FULL_M = 60.0, 40.0
"""No wake is followed further than the first, and from the second on it is faded out [m]; assumed."""

PIECE = 16
"""Points of a path whose surroundings are looked up at once."""

WAKE_CELL_M, CELLS_ACROSS_BODY = 0.25, 4
"""Finer cells are merged to about this size for the wakes [m], but to so many across the narrowest body; assumed."""

ISLAND_TAIL_SHARE = 0.15
"""An island sheds its wake from the width it has at this share of its length before its tail; assumed."""


@dataclass(frozen=True)
class Body:
    """Something that stands in the current.

    Parameters
    ----------
    x, y : middle of its lee side [m]
    width_m : width across the current [m]
    drag : drag coefficient Cd [-]
    height_m : height above the bed, inf where it breaks the surface [m]
    """

    x: float
    y: float
    width_m: float
    drag: float
    height_m: float = np.inf


def wake_deficit(x_m: np.ndarray | float, y_m: np.ndarray | float, drag_width_m: np.ndarray | float) -> np.ndarray:
    """Share of the speed that is missing behind a body, without friction.

    Parameters
    ----------
    x_m, y_m : distance behind the lee side and from the axis of the wake [m]
    drag_width_m : Cd d, drag coefficient times width across the current [m]
    """
    reach = np.maximum(x_m, 0.0) + (PEAK / LARGEST) ** 2 * drag_width_m
    shape = np.clip(1.0 - (np.abs(y_m) / _half_width(x_m, drag_width_m)) ** 1.5, 0.0, None) ** 2
    return PEAK * (reach / drag_width_m) ** -0.5 * shape


def _half_width(x_m: np.ndarray | float, drag_width_m: np.ndarray | float) -> np.ndarray:
    """How far to either side a wake reaches so far behind the lee side [m]."""
    reach = np.maximum(x_m, 0.0) + (PEAK / LARGEST) ** 2 * drag_width_m
    return np.sqrt(10.0) * BETA * np.sqrt(reach * drag_width_m)


def friction_length(depth_m: np.ndarray | float, manning_n: float = MANNING_N) -> np.ndarray:
    """Distance over which bed friction damps a wake by a factor e, h / (2 cf) [m]."""
    depth = np.maximum(depth_m, 0.02)
    return depth ** (4 / 3) / (2.0 * GRAVITY_M_S2 * manning_n**2)


def find_bodies(beat: Beat, grid: Grid, flow_east: np.ndarray, flow_north: np.ndarray) -> list[Body]:
    """Boulders, piers and logs of the cover file and the islands of the outline, as bodies in the current."""
    found = []
    for row in beat.cover.itertuples():
        if row.kind in ("boulder", "pier", "log"):
            area = body_area(row.kind, row.geometry, row.size_m)
            height = height_above_bed(row.kind, row.height_m)
            if row.kind == "log" and not np.isfinite(height):
                height = row.size_m if np.isfinite(row.size_m) else 0.4
            found.append((row.kind, area, height))
    found += [("island", shapely.Polygon(hole), np.inf) for part in beat.outline.geoms for hole in part.interiors]
    bodies = []
    for kind, area, height in found:
        middle = np.array([area.centroid.x, area.centroid.y])
        west, south, east, north = area.bounds
        near = _nearest_wet(grid, middle, float(np.hypot(east - west, north - south)) / 2)
        if near >= 0:
            bodies.append(_as_body(kind, area, height, float(flow_east[near]), float(flow_north[near])))
    return bodies


def _as_body(kind: str, area: BaseGeometry, height_m: float, east: float, north: float) -> Body:
    """Width across the current and lee side of an area in a current of direction (east, north)."""
    edge = shapely.get_coordinates(area.convex_hull)
    behind, across = edge @ [east, north], edge @ [-north, east]
    if kind == "island":
        long = shapely.get_coordinates(shapely.segmentize(area, np.sqrt(area.area) / 50))
        behind_all, across_all = long @ [east, north], long @ [-north, east]
        cut = behind_all.max() - ISLAND_TAIL_SHARE * np.ptp(behind_all)
        across = across_all[behind_all >= cut]
        tail = across_all[np.argmax(behind_all)]
    else:
        tail = (across.min() + across.max()) / 2
    x, y = np.array([[east, -north], [north, east]]) @ [behind.max(), tail]
    return Body(float(x), float(y), float(max(np.ptp(across), 0.05)), DRAG[kind], height_m)


def wake_share(
    grid: Grid,
    depth_m: np.ndarray,
    flow_east: np.ndarray,
    flow_north: np.ndarray,
    bodies: list[Body],
    manning_n: float = MANNING_N,
) -> np.ndarray:
    """Share of the speed that the wakes of the bodies take, float32 (n_wet,), 0 to `LARGEST`.

    Wakes follow the current. Where several meet, their deficits add up. A body that doesn't reach the surface
    drags on its share of the depth only.
    """
    paths = _paths(grid, depth_m, flow_east, flow_north, bodies, manning_n)
    long = [(one, path) for one, path in zip(bodies, paths, strict=True) if len(path.points) > 1]
    if not long:
        return np.zeros(grid.n_wet, np.float32)
    fine = min(WAKE_CELL_M, min(one.width_m for one, _ in long) / CELLS_ACROSS_BODY)
    scaling = shared_rescale(grid, max(fine, grid.cell_m))
    deficit = np.zeros(scaling.work.n_wet, np.float32)
    for wet, share in side_by_side(lambda pair: _one_wake(scaling.work, *pair), long):
        deficit[wet] += share
    return scaling.from_work(np.minimum(deficit, np.float32(LARGEST)))


@dataclass(frozen=True)
class _Path:
    """Points along the current behind a body, distance from its lee side [m], friction passed; depth at its foot."""

    points: np.ndarray
    along: np.ndarray
    fade: np.ndarray
    depth_m: float


def _one_wake(grid: Grid, one: Body, path: _Path) -> tuple[np.ndarray, np.ndarray]:
    """Wet cells in one wake and the deficit in each."""
    drag_width = one.drag * one.width_m
    points, along = path.points, path.along
    wet = _cells_along(grid, path, drag_width)
    here = grid.points(wet)
    # Beyond the widest the wake gets there is nothing to find.
    away, near = cKDTree(points).query(here, distance_upper_bound=_half_width(along[-1] + grid.cell_m, drag_width))
    found = np.isfinite(away)
    wet, here, away, near = wet[found], here[found], away[found], near[found]
    tangent = np.gradient(points, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    # Off the ends of the path the nearest point is an end, and the cell lies before or behind it.
    ahead = np.einsum("ij,ij->i", here - points[near], tangent[near])
    behind = along[near] + ahead
    inside = (behind >= 0.0) & (behind <= along[-1] + grid.cell_m)
    across = np.sqrt(np.maximum(away**2 - ahead**2, 0.0))
    blocked = np.minimum(1.0, one.height_m / max(path.depth_m, 0.02))
    last = np.clip((LONGEST_M - behind) / (LONGEST_M - FULL_M), 0.0, 1.0)
    share = wake_deficit(behind, across, drag_width) * np.exp(-path.fade[near]) * blocked * last
    return wet[inside], share[inside].astype(np.float32)


def _paths(
    grid: Grid,
    depth_m: np.ndarray,
    flow_east: np.ndarray,
    flow_north: np.ndarray,
    bodies: list[Body],
    manning_n: float,
) -> list[_Path]:
    """The path of every wake, from the lee side down the current until the wake has faded; all walk in step."""
    step = max(0.25, grid.cell_m / 2)
    place = np.array([[one.x, one.y] for one in bodies]).reshape(-1, 2)
    drag_width = np.array([one.drag * one.width_m for one in bodies])
    cell = grid.locate(*place.T)
    for k in np.flatnonzero(cell < 0):
        cell[k] = _nearest_wet(grid, place[k], bodies[k].width_m)
    foot = np.where(cell >= 0, depth_m[cell], 0.0)
    fade = np.zeros(len(bodies))
    trail = [(place.copy(), fade.copy(), cell >= 0)]
    alive = cell >= 0
    for walked in np.arange(step, LONGEST_M, step):
        if not alive.any():
            break
        place = place + step * np.column_stack([flow_east[cell], flow_north[cell]]) * alive[:, None]
        cell = np.where(alive, grid.locate(*place.T), -1)
        fade = fade + step / friction_length(depth_m[cell], manning_n)
        peak = wake_deficit(np.full(len(fade), walked), 0.0, drag_width) * np.exp(-fade)
        alive = alive & (cell >= 0) & (peak >= SMALLEST)
        trail.append((place.copy(), fade.copy(), alive))
    places, fades, kept = (np.stack(parts) for parts in zip(*trail, strict=True))
    along = step * np.arange(len(trail))
    return [
        _Path(places[kept[:, k], k], along[kept[:, k]], fades[kept[:, k], k], float(foot[k]))
        for k in range(len(bodies))
    ]


def _nearest_wet(grid: Grid, place: np.ndarray, reach_m: float) -> int:
    """The wet cell nearest to a place, -1 if there is none within reach and two cells more."""
    wet = _cells_near(grid, place[None], reach_m + 2 * grid.cell_m)
    if not len(wet):
        return -1
    return int(wet[np.argmin(np.hypot(*(grid.points(wet) - place).T))])


def _cells_along(grid: Grid, path: _Path, drag_width: float) -> np.ndarray:
    """Wet cells a wake may touch, piece by piece along its path so that slanting ones don't fill a large box."""
    pieces = []
    for start in range(0, len(path.points), PIECE):
        part = slice(start, start + PIECE + 1)
        half = float(_half_width(path.along[part][-1], drag_width))
        pieces.append(_cells_near(grid, path.points[part], half))
    # Sorted by hand, which is quicker here than numpy's own way to find the different ones of whole numbers.
    cells = np.sort(np.concatenate(pieces))
    return cells[np.flatnonzero(np.diff(cells, prepend=-1))]


def _cells_near(grid: Grid, path: np.ndarray, reach_m: float) -> np.ndarray:
    """Wet cells in the box around a path, widened by `reach_m`."""
    (west, south), (east, north) = path.min(axis=0) - reach_m, path.max(axis=0) + reach_m
    top, bottom = (int(np.floor((grid.y1 - y) / grid.cell_m)) for y in (north, south))
    left, right = (int(np.floor((x - grid.x0) / grid.cell_m)) for x in (west, east))
    index = grid.sheet.window(top, bottom + 1, left, right + 1)
    return index[index >= 0]
