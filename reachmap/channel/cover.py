"""Cover: what hangs over a fish and what it can lie against, from the things the user marked.

Things smaller than a cell count by the share of the cell they cover, found by drawing them on finer cells
in a window around each of them, so the cost follows the things and not the river.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from affine import Affine
from rasterio.features import rasterize
from shapely.geometry.base import BaseGeometry

from reachmap.beat.model import Beat
from reachmap.channel.blocks import over_blocks
from reachmap.channel.model import Grid

DEFAULT_SIZE_M = {"boulder": 0.8, "log": 0.4, "undercut": 0.6, "weed": 1.0, "pier": 1.0, "bridge": 2.0}
"""Diameter of a point or width of a line where the user gave none [m]; assumed."""

OVERHEAD = {"undercut": 1.0, "log": 1.0, "weed": 0.6}
"""How much each kind covers the water it lies over, 0-1; assumed."""

STRUCTURE = ("boulder", "log", "pier")
"""Kinds a fish lies against."""

STRUCTURE_REACH_M = 1.5
"""Distance from a thing at which its closeness has fallen to 0 [m]; assumed."""

LOW_BRIDGE_M, HIGH_BRIDGE_M = 1.5, 4.0
"""A deck this low covers fully, this high not at all [m above the water]; assumed."""

LEAST_DRY_M2, MOST_DRY_M2 = 1.75, 25.0
"""A boulder or pier that takes up less than the first, a little under 1.5 m across, stays water: fish lie right against
it, and its place is known no better than its size. So does one of unknown height that takes up more than the second, or
is drawn as a line: many stones, or a jetty on its piles, with water between; assumed."""

FINEST_M = 0.05
"""Things are drawn on cells at most this large [m]."""


@dataclass(frozen=True)
class Window:
    """Wet cells in the box around one geometry.

    Parameters
    ----------
    wet : (n,) int, position of each in a wet vector
    rows, cols : (n,) int, their place inside the window
    shape : rows and columns of the window
    row, col : its upper left cell in the grid
    """

    wet: np.ndarray
    rows: np.ndarray
    cols: np.ndarray
    shape: tuple[int, int]
    row: int
    col: int


def body(kind: str, geometry: BaseGeometry, size_m: float) -> BaseGeometry:
    """The area a marked thing takes up: points and lines are widened by half their size, areas stay."""
    size = size_m if np.isfinite(size_m) and size_m > 0 else DEFAULT_SIZE_M.get(kind, 1.0)
    if geometry.geom_type in ("Polygon", "MultiPolygon"):
        return geometry
    # An undercut is drawn along the bank and its size is how far it reaches under, so all of it lies on one side.
    return geometry.buffer(size if kind == "undercut" else size / 2)


def height_above_bed(kind: str, height_m: float) -> float:
    """How high a boulder or pier stands above the bed [m]; one of unknown height breaks the surface (inf; assumed)."""
    return height_m if np.isfinite(height_m) and kind != "pier" else np.inf


def stones(beat: Beat) -> list[tuple[str, BaseGeometry, float]]:
    """Kind and area of every boulder and pier too large to be water, and how high it stands above the bed [m]."""
    found = []
    for row in beat.cover[beat.cover["kind"].isin(["boulder", "pier"])].itertuples():
        area, height = body(row.kind, row.geometry, row.size_m), height_above_bed(row.kind, row.height_m)
        one = area.area <= MOST_DRY_M2 and "LineString" not in row.geometry.geom_type
        if area.area >= LEAST_DRY_M2 and (one or np.isfinite(height)):
            found.append((row.kind, area, height))
    return found


def on_stones(beat: Beat, grid: Grid, depth_m: np.ndarray) -> np.ndarray:
    """(n_wet,) bool: cells whose centre lies on a boulder or pier that stands as high as the water is deep there."""
    out = np.zeros(grid.n_wet, bool)
    for _, area, height in stones(beat):
        near = window(grid, area).wet
        near = near[depth_m[near] <= height]
        out[near] |= shapely.contains_xy(area, *grid.points(near).T)
    return out


def undercuts(beat: Beat) -> BaseGeometry | None:
    """The area under every undercut bank; None if there is none."""
    rows = beat.cover[beat.cover["kind"] == "undercut"].itertuples()
    areas = [body(row.kind, row.geometry, row.size_m) for row in rows]
    return shapely.union_all(areas) if areas else None


def cover_layers(beat: Beat, grid: Grid) -> dict[str, np.ndarray]:
    """The `overhead` and `structure` layers, float32 (n_wet,).

    Overhead is the covered share of each cell times how much the kind covers; where things overlap the larger
    counts. Structure falls from 1 at a thing's edge to 0 at 1.5 m (assumed).
    """
    overhead = np.zeros(grid.n_wet, np.float32)
    structure = np.zeros(grid.n_wet, np.float32)
    for row in beat.cover.itertuples():
        area = body(row.kind, row.geometry, row.size_m)
        if row.kind in OVERHEAD:
            _raise(overhead, *_share(grid, area), OVERHEAD[row.kind])
        if row.kind in STRUCTURE:
            _raise(structure, *_closeness(grid, area), 1.0)
    for row in beat.shade.itertuples():
        if row.kind == "bridge":
            base = row.base_m if np.isfinite(row.base_m) else 0.0
            worth = np.clip((HIGH_BRIDGE_M - base) / (HIGH_BRIDGE_M - LOW_BRIDGE_M), 0.0, 1.0)
            _raise(overhead, *_share(grid, body(row.kind, row.geometry, 2 * row.radius_m)), float(worth))
    return {"overhead": overhead, "structure": structure}


def _raise(layer: np.ndarray, wet: np.ndarray, values: np.ndarray, worth: float) -> None:
    layer[wet] = np.maximum(layer[wet], np.float32(worth) * values.astype(np.float32))


def window(grid: Grid, area: BaseGeometry, margin_m: float = 0.0) -> Window:
    """The wet cells in the box around a geometry, widened by `margin_m`."""
    west, south, east, north = area.buffer(margin_m + grid.cell_m).bounds
    top, bottom = (int(np.floor((grid.y1 - y) / grid.cell_m)) for y in (north, south))
    left, right = (int(np.floor((x - grid.x0) / grid.cell_m)) for x in (west, east))
    top, left = max(top, 0), max(left, 0)
    bottom, right = min(bottom + 1, grid.shape[0]), min(right + 1, grid.shape[1])
    index = grid.sheet.window(top, bottom, left, right)
    rows, cols = np.nonzero(index >= 0)
    return Window(index[rows, cols], rows, cols, (index.shape[0], index.shape[1]), top, left)


def _share(grid: Grid, area: BaseGeometry) -> tuple[np.ndarray, np.ndarray]:
    """Wet cells near an area and the share of each that it covers."""
    view = window(grid, area)
    if not len(view.wet):
        return view.wet, np.zeros(0)
    fine = max(1, int(np.ceil(grid.cell_m / FINEST_M)))
    corner = (grid.x0 + view.col * grid.cell_m, grid.y1 - view.row * grid.cell_m)
    step = grid.cell_m / fine
    shape = (view.shape[0] * fine, view.shape[1] * fine)
    drawn = rasterize([(area, 1)], shape, transform=Affine(step, 0, corner[0], 0, -step, corner[1]), dtype="uint8")
    share = over_blocks(drawn.astype(np.float32), fine, np.add, 0.0) / fine**2
    return view.wet, share[view.rows, view.cols]


def _closeness(grid: Grid, area: BaseGeometry) -> tuple[np.ndarray, np.ndarray]:
    """Wet cells near an area and how close each is to it, 1 at its edge or inside to 0 at the end of its reach."""
    view = window(grid, area, STRUCTURE_REACH_M)
    away = shapely.distance(shapely.points(grid.points(view.wet)), area)
    return view.wet, np.clip(1.0 - away / STRUCTURE_REACH_M, 0.0, 1.0)
