"""Still water with whatever shade a test wants round it."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from reachmap.channel.model import Channel, Grid
from tests import toy


def shade_table(*rows) -> gpd.GeoDataFrame:
    """A shade table from rows (geometry, kind, height_m, base_m, radius_m, leaf)."""
    names = ("kind", "height_m", "base_m", "radius_m", "leaf")
    columns = {name: [row[k + 1] for row in rows] for k, name in enumerate(names)}
    return gpd.GeoDataFrame({**columns, "note": [""] * len(rows)}, geometry=[r[0] for r in rows], crs=toy.CRS_LOCAL)


def wall(*corners, height_m=10.0, base_m=0.0, kind="wall"):
    """A solid block: a rectangle (x0, y0, x1, y1) from its underside up."""
    return (shapely.box(*corners), kind, height_m, base_m, np.nan, "dense")


def tree(x, y, height_m=9.0, radius_m=3.0, base_m=1.5, leaf="alder"):
    return (shapely.Point(x, y), "tree", height_m, base_m, radius_m, leaf)


def pond(half_x, half_y, cell_m, rows=(), depth_m=0.0, **beat) -> Channel:
    """A rectangle of water about the origin, of one depth, without overhead cover."""
    n_rows, n_cols = round(2 * half_y / cell_m), round(2 * half_x / cell_m)
    grid = Grid(-half_x, half_y, cell_m, np.ones((n_rows, n_cols), bool))
    layers = {
        "depth": np.full(grid.n_wet, depth_m, np.float32),
        "overhead": np.zeros(grid.n_wet, np.float32),
    }
    made = toy.beat(shade=shade_table(*rows), cover=toy.beat().cover.iloc[:0], **beat)
    return Channel(made, grid, layers, toy.channel(4.0).seams)
