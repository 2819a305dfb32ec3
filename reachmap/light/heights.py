"""What stands round the water and shades it, as upright convex blocks.

Trees, hedges, walls, bridges and bank edges each become one or more prisms: a convex outline, an underside and a top
above the water, and how dense they are. A bridge keeps its underside, so light passes beneath. Optical depths add
along a ray, so a hollow outline may be cut into convex parts without a trace.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from reachmap.beat.features import usual_crown_m
from reachmap.light.canopy import OPAQUE, optical_density

LINE_WIDTH_M = {"hedge": 1.5, "wall": 0.4, "bridge": 1.5, "bank": 0.5}
"""Width of what is drawn as a line [m]; assumed. A row of trees is as wide as their crowns, see `usual_crown_m`."""

HEDGE_HEIGHT_M = 2.0
"""A taller hedge is as dense as one of this height, with more leaves in all [m]; assumed."""

CROWN_SIDES = 32
"""Corners of a crown drawn as a point and a radius; its area is kept."""

COARSE_M = 0.1
"""Hollow outlines are drawn no finer than this [m]; assumed, well below what a shade file knows."""

LEAFY = ("tree", "hedge")
"""Kinds that let light through; the others are solid."""


@dataclass(frozen=True)
class Prism:
    """An upright block.

    Parameters
    ----------
    xy : corners of its convex outline (n, 2) [m]
    base_m, top_m : underside and top above the water [m]
    density_on, density_off : optical depth per metre of path with and without leaves [1/m]; inf when solid
    row : row of the shade table it comes from
    """

    xy: np.ndarray
    base_m: float
    top_m: float
    density_on: float
    density_off: float
    row: int

    def density(self, leaf_on: bool) -> float:
        """Optical depth per metre of path [1/m]."""
        return self.density_on if leaf_on else self.density_off


def prisms(shade: gpd.GeoDataFrame) -> tuple[Prism, ...]:
    """Every block of a beat's shade table."""
    out = []
    for row, (thing, wide) in enumerate(zip(shade.itertuples(index=False), _line_widths(shade), strict=True)):
        base, top = float(thing.base_m), float(thing.height_m)
        if thing.kind in LEAFY:
            deep = min(top - base, HEDGE_HEIGHT_M) if thing.kind == "hedge" else top - base
            dense = [optical_density(thing.leaf, deep, on) for on in (True, False)]
        else:
            dense = [OPAQUE, OPAQUE]
        for outline in _convex(thing.geometry, wide, float(thing.radius_m)):
            out.append(Prism(outline, base, top, dense[0], dense[1], row))
    return tuple(out)


def grounds(shade: gpd.GeoDataFrame) -> np.ndarray:
    """What every thing of a beat's shade table stands on or hangs over, (n,) areas."""
    shapes = np.asarray(shade.geometry.values)
    radius = np.nan_to_num(shade["radius_m"].to_numpy(float))
    return shapely.buffer(shapes, np.where(shapely.get_dimensions(shapes) == 1, _line_widths(shade) / 2.0, radius))


def _line_widths(shade: gpd.GeoDataFrame) -> np.ndarray:
    """How wide each thing is if it is drawn as a line (n,) [m]."""
    known = shade["kind"].map(LINE_WIDTH_M).to_numpy(float)
    return np.where(np.isnan(known), 2.0 * usual_crown_m(shade["height_m"].to_numpy(float)), known)


def _convex(geometry: shapely.Geometry, wide_m: float, radius_m: float) -> list[np.ndarray]:
    """Convex outlines that cover a geometry: lines so wide, points with a radius [m]."""
    outlines = []
    for part in shapely.get_parts(geometry):
        if isinstance(part, shapely.Point):
            outlines.append(_round(part.x, part.y, radius_m))
        elif isinstance(part, shapely.Polygon):
            outlines += [shapely.get_coordinates(p.exterior)[:-1] for p in _convex_parts(part)]
        else:
            ends = shapely.get_coordinates(part)
            for a, b in itertools.pairwise(ends):
                if not np.array_equal(a, b):
                    outlines.append(_strip(a, b, wide_m))
    return outlines


def _round(x: float, y: float, radius_m: float) -> np.ndarray:
    angle = 2.0 * np.pi * np.arange(CROWN_SIDES) / CROWN_SIDES
    # The area of a regular polygon is n/2 sin(2 pi / n) of its radius squared.
    r = radius_m * np.sqrt(2.0 * np.pi / (CROWN_SIDES * np.sin(2.0 * np.pi / CROWN_SIDES)))
    return np.column_stack([x + r * np.cos(angle), y + r * np.sin(angle)])


def _convex_parts(polygon: shapely.Polygon) -> list[shapely.Polygon]:
    """Cut an outline into few convex parts: triangles, joined as long as they stay convex."""
    if polygon.equals(polygon.convex_hull):
        return [polygon]
    parts: list[shapely.Polygon] = []
    for triangle in shapely.get_parts(shapely.constrained_delaunay_triangles(polygon.simplify(COARSE_M))):
        for k, part in enumerate(parts):
            joined = part.union(triangle)
            if joined.convex_hull.area <= joined.area * (1.0 + 1e-9):
                parts[k] = joined.convex_hull
                break
        else:
            parts.append(triangle)
    return parts


def _strip(a: np.ndarray, b: np.ndarray, width_m: float) -> np.ndarray:
    side = np.array([a[1] - b[1], b[0] - a[0]])
    side = side / np.hypot(*side) * width_m / 2.0
    return np.array([a + side, b + side, b - side, a - side])
