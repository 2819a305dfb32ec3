"""Seams: where faster water meets slower, at a scale stated in metres.

A seam is a ridge of lateral shear |du/dn| of the depth-mean speed, n across the current, the shear being measured at
a fixed scale over water only (see `reachmap.channel.shear`). Ridges are thinned across the current (non-maximum
suppression), kept by hysteresis (Canny 1986; from memory), joined along the current and drawn as lines. The even fall
of the speed toward a waterline is steepest at the waterline itself and so leaves no ridge. All steps run on cells of
a fixed physical size, so that the cells of the grid don't change the seams.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from reachmap.channel.model import Grid
from reachmap.channel.rescale import Rescale, sample, shared_rescale
from reachmap.channel.shear import plane_fit

SCALE_M = 0.5
"""Scale at which shear is measured [m], standard deviation of the weights; assumed: about half a boulder."""

WORK_SHARE = 0.5
"""Work cells are about this share of the scale: 0.25 m for the default."""

STRONG, WEAK = 0.20, 0.12
"""A seam has at least one place with the first shear and ends where it falls below the second [1/s]; assumed."""

CONTRAST_M_S = 0.15
"""Least difference of speed across a seam [m/s]; assumed."""

SHORTEST_M = 2.0
"""Shortest seam kept [m]; assumed."""

BESIDE_M = 1.0
"""How far on the slow side a seam counts [m]: trout hold slow and feed fast (common practice)."""

ACROSS = (0.5, 1.0, 1.5, 2.0)
"""Distances from a seam at which its fast and its slow side are looked for [scales]."""

COLUMNS = ("contrast_m_s", "scale_m", "slow_side", "length_m", "energy_m_s2")
"""Columns of the table of seams."""

STEEP_LAND = 1e3
"""Shear that land counts as [1/s], so that the foot of the fall toward a waterline is no ridge."""

BRIDGED = 2.3
"""Gaps along a seam up to this many work cells are bridged; assumed."""


@dataclass(frozen=True)
class _Ridge:
    """Places on ridges of shear: (n,) each.

    x, y [m]; east, north: unit vector along the current; shear: signed, positive where the left is faster [1/s];
    slow, fast: speeds on both sides [m/s].
    """

    x: np.ndarray
    y: np.ndarray
    east: np.ndarray
    north: np.ndarray
    shear: np.ndarray
    slow: np.ndarray
    fast: np.ndarray


def find_seams(
    grid: Grid,
    speed_m_s: np.ndarray,
    flow_east: np.ndarray,
    flow_north: np.ndarray,
    scale_m: float = SCALE_M,
    crs: Any = None,
) -> tuple[gpd.GeoDataFrame, dict[str, np.ndarray]]:
    """Seams of a reach and the layers that go with them.

    Parameters
    ----------
    grid : the cells
    speed_m_s : (n_wet,) depth-mean speed [m/s]
    flow_east, flow_north : (n_wet,) unit vector along the current
    scale_m : scale of the shear [m]
    crs : coordinate system for the lines

    Returns
    -------
    seams : lines along the current, downstream: contrast_m_s (median), scale_m, slow_side ("left" or "right"
        looking downstream), length_m, energy_m_s2 (gradient of kinetic energy across, median)
    layers : `shear`, `seam_contrast`, `seam_distance`, float32 (n_wet,)
    """
    scaling = shared_rescale(grid, WORK_SHARE * scale_m)
    work = scaling.work
    east, north = (scaling.to_work(part, sloping=False) for part in (flow_east, flow_north))
    speed = scaling.to_work(speed_m_s)
    smooth, along_x, along_rows = plane_fit(work, speed, _weights_m(scaling, scale_m) / work.cell_m)
    lateral = (north * -along_x - east * along_rows) / work.cell_m
    room = scale_m + grid.cell_m
    ridge = _ridge(work, lateral, smooth, east, north, scale_m, room)
    chains = _chains(ridge, BRIDGED * work.cell_m)
    rows, points = _draw(ridge, chains, scale_m)
    seams = gpd.GeoDataFrame(
        {name: [row[name] for row in rows] for name in COLUMNS},
        geometry=[row["geometry"] for row in rows],
        crs=crs,
    )
    contrast, distance = _beside(grid, points)
    shear = scaling.from_work(np.abs(lateral))
    return seams, {"shear": shear, "seam_contrast": contrast, "seam_distance": distance}


def kinetic_gradient(slow_m_s: np.ndarray | float, fast_m_s: np.ndarray | float, apart_m: float) -> np.ndarray | float:
    """Gradient of kinetic energy per mass between two speeds [m/s2], (V2^2 - V1^2) / (2 ds) (Crowder & Diplas 2000).

    What a fish pays to cross from the slow to the fast water; form from memory.
    """
    return (fast_m_s**2 - slow_m_s**2) / (2 * apart_m)


def _weights_m(scaling: Rescale, scale_m: float) -> float:
    """Scale of the weights [m]: steps between coarse cells have smoothed by cell^2/6 already, means of fine by /12."""
    cell, work = scaling.grid.cell_m, scaling.work.cell_m
    spent = cell**2 / 6 if scaling.split > 1 else (work**2 - cell**2) / 12
    return float(np.sqrt(max(scale_m**2 - spent, (0.5 * scale_m) ** 2)))


def _ridge(
    work: Grid,
    lateral: np.ndarray,
    smooth: np.ndarray,
    east: np.ndarray,
    north: np.ndarray,
    scale_m: float,
    room_m: float,
) -> _Ridge:
    """Places where the shear is greatest across the current, to a part of a cell."""
    some = np.nonzero(np.abs(lateral) >= WEAK)[0]
    x, y = work.points(some).T
    e, n, g = east[some], north[some], lateral[some]
    step = work.cell_m
    right, left = np.zeros(len(some)), np.zeros(len(some))
    for sign in (-1, 1):
        steep = np.maximum(sign * lateral, 0.0)
        mine = np.flatnonzero(np.sign(g) == sign)
        for way, value in ((-1, right), (1, left)):
            at_x, at_y = x[mine] - way * n[mine] * step, y[mine] + way * e[mine] * step
            value[mine] = sample(work, steep, at_x, at_y, dry=STEEP_LAND)
    peak = np.abs(g)
    top = (peak > right) & (peak >= left)
    bend = np.maximum(2 * peak - left - right, 1e-9)
    off = np.where(top, 0.5 * (left - right) / bend, 0.0) * step
    x, y = x - off * n, y + off * e
    # Slow water that ends at once is the edge of the river, and its staircase of cells makes ridges of its own.
    room = np.sign(g) * room_m
    top &= work.locate(x + room * n, y - room * e) >= 0
    x, y, e, n, g = x[top], y[top], e[top], n[top], g[top]
    return _Ridge(x, y, e, n, g, *_sides(work, smooth, x, y, e, n, np.sign(g), scale_m))


def _sides(
    work: Grid,
    smooth: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    east: np.ndarray,
    north: np.ndarray,
    sign: np.ndarray,
    scale_m: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Smallest speed on the slow side and largest on the fast side, within two scales [m/s]."""
    fast, slow = np.full(len(x), -np.inf), np.full(len(x), np.inf)
    for share in ACROSS:
        reach = sign * share * scale_m
        for way in (1, -1):
            at_x, at_y = x - way * reach * north, y + way * reach * east
            wet = work.locate(at_x, at_y) >= 0
            value = sample(work, smooth, at_x, at_y)
            if way > 0:
                fast = np.where(wet, np.maximum(fast, value), fast)
            else:
                slow = np.where(wet, np.minimum(slow, value), slow)
    both = np.isfinite(fast) & np.isfinite(slow)
    return np.where(both, slow, 0.0), np.where(both, fast, 0.0)


def _chains(ridge: _Ridge, reach_m: float) -> list[list[int]]:
    """Places joined downstream: each with the one ahead that also takes it for the one behind."""
    n = len(ridge.x)
    if n < 2:
        return []
    pairs = cKDTree(np.column_stack([ridge.x, ridge.y])).query_pairs(reach_m, output_type="ndarray")
    pairs = np.concatenate([pairs, pairs[:, ::-1]])
    a, b = pairs.T
    dx, dy = ridge.x[b] - ridge.x[a], ridge.y[b] - ridge.y[a]
    ahead = dx * ridge.east[a] + dy * ridge.north[a]
    aside = np.abs(dy * ridge.east[a] - dx * ridge.north[a])
    good = (ahead > 0.1 * reach_m) & (aside <= ahead) & (np.sign(ridge.shear[a]) == np.sign(ridge.shear[b]))
    a, b, cost = a[good], b[good], (np.hypot(dx, dy) + 2 * aside)[good]
    order = np.lexsort((b, a, cost))
    after, before = np.full(n, -1), np.full(n, -1)
    for name, keys, others in ((after, a, b), (before, b, a)):
        first = np.unique(keys[order], return_index=True)[1]
        name[keys[order][first]] = others[order][first]
    mutual = np.nonzero((after >= 0) & (before[after] == np.arange(n)))[0]
    return _followed(n, mutual, after[mutual])


def _followed(n: int, start: np.ndarray, end: np.ndarray) -> list[list[int]]:
    """Runs of places linked one by one, each from its upstream end (a closed ring has none and is left out)."""
    follows = dict(zip(start.tolist(), end.tolist(), strict=True))
    has_before = set(end.tolist())
    _, label = connected_components(coo_array((np.ones(len(start)), (start, end)), (n, n)), directed=False)
    size = np.bincount(label)
    chains = []
    for first in start.tolist():
        if first in has_before or size[label[first]] < 3:
            continue
        chain = [first]
        while chain[-1] in follows:
            chain.append(follows[chain[-1]])
        chains.append(chain)
    return chains


def _draw(ridge: _Ridge, chains: list[list[int]], scale_m: float) -> tuple[list[dict[str, Any]], np.ndarray]:
    """Lines of the chains that are strong and long enough; and their points with slow side and contrast, (m, 5)."""
    rows: list[dict[str, Any]] = []
    points = [np.zeros((0, 5))]
    for chain in chains:
        across = ridge.fast[chain] - ridge.slow[chain]
        contrast = float(np.median(across))
        if np.abs(ridge.shear[chain]).max() < STRONG or contrast < CONTRAST_M_S:
            continue
        place = _eased(np.column_stack([ridge.x[chain], ridge.y[chain]]))
        line = shapely.LineString(place)
        if line.length < SHORTEST_M:
            continue
        sign = np.sign(ridge.shear[chain])
        slow = np.column_stack([sign * ridge.north[chain], -sign * ridge.east[chain]])
        points.append(np.column_stack([place, slow, across]))
        rows.append(
            {
                "contrast_m_s": contrast,
                "scale_m": scale_m,
                "slow_side": "right" if sign[0] > 0 else "left",
                "length_m": float(line.length),
                "energy_m_s2": float(
                    np.median(kinetic_gradient(ridge.slow[chain], ridge.fast[chain], 2 * ACROSS[-1] * scale_m))
                ),
                "geometry": line,
            }
        )
    return rows, np.concatenate(points)


def _eased(place: np.ndarray) -> np.ndarray:
    """A line with the jitter of the cells taken out: mean of each point and its two neighbours, ends kept."""
    eased = place.copy()
    eased[1:-1] = (place[:-2] + place[1:-1] + place[2:]) / 3
    return eased


def _beside(grid: Grid, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Contrast of the nearest seam and distance to it for the cells on its slow side, 0 and NaN elsewhere."""
    contrast, distance = np.zeros(grid.n_wet, np.float32), np.full(grid.n_wet, np.nan, np.float32)
    found = [(np.zeros(0, np.int32), np.zeros(0), np.zeros(0))]
    reach = int(np.ceil(BESIDE_M / grid.cell_m))
    offsets = np.mgrid[-reach : reach + 1, -reach : reach + 1].reshape(2, -1)
    for part in np.array_split(points, max(1, len(points) * offsets.shape[1] // 2_000_000)):
        x, y, slow_x, slow_y, dv = (column[:, None] for column in part.T)
        at_x = x + offsets[1] * grid.cell_m
        at_y = y + offsets[0] * grid.cell_m
        cell = grid.locate(at_x, at_y)
        at_x, at_y = np.moveaxis(grid.points(cell.ravel()).reshape(*cell.shape, 2), -1, 0)
        dx, dy = at_x - x, at_y - y
        away = np.hypot(dx, dy)
        good = (cell >= 0) & (away <= BESIDE_M) & (dx * slow_x + dy * slow_y >= -0.5 * grid.cell_m)
        for share in (0.25, 0.5, 0.75):
            good &= grid.locate(x + share * dx, y + share * dy) >= 0
        found.append(_nearest(cell[good], away[good], np.broadcast_to(dv, good.shape)[good]))
    cell, away, dv = _nearest(*(np.concatenate(parts) for parts in zip(*found, strict=True)))
    distance[cell], contrast[cell] = away, dv
    return contrast, distance


def _nearest(cell: np.ndarray, away: np.ndarray, dv: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Each cell once, with the nearest of what is told of it."""
    order = np.lexsort((away, cell))
    first = order[np.flatnonzero(np.diff(cell[order], prepend=-1))]
    return cell[first], away[first], dv[first]
