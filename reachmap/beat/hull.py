"""A water outline drawn round wet soundings, for surveys that have none."""

from __future__ import annotations

import numpy as np
import shapely
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree
from scipy.spatial import Delaunay, QhullError, cKDTree

LONGER = 1.5
"""Edges up to this many times the widest gap between neighbours are bridged (assumed: sections lie up to 45 degrees
askew of each other)."""

MOST_POINTS = 20_000

ALONE_M, ALONE_TIMES = 50.0, 5.0
"""A place or two count as standing alone beyond a gap of this length, and of this many times any other (assumed): a
survey may well leave out a run between two pools."""

FEW, MOST_SHARE = 2, 0.1
"""So many places may stand alone, and this share of all soundings (assumed): three make a section."""


def outline_from_points(x: np.ndarray, y: np.ndarray, *, margin_m: float | None = None) -> shapely.MultiPolygon:
    """Draw a water outline round wet soundings or cross-sections.

    An alpha shape: the Delaunay triangles without an edge much longer than the widest gap the points leave between
    neighbours (the longest edge of their minimum spanning tree), so that a bend stays a bend; then widened by half
    the usual distance between neighbours, since the waterline lies between the last wet point and the next.

    Parameters
    ----------
    x, y : (n,) wet points [m]
    margin_m : widening [m]; None takes half the median distance to the nearest neighbour

    Raises
    ------
    ValueError : fewer than three places that don't lie on one line
    """
    points = _thinned(np.column_stack([x, y]))
    corners, lengths = _triangles(points)
    reach = LONGER * float(_nearest_way(corners, lengths, len(points)).max())
    everything = shapely.MultiPoint(points)
    while True:
        kept = corners[(lengths <= reach).all(axis=1)]
        water = shapely.union_all(shapely.polygons(points[kept])) if len(kept) else shapely.Polygon()
        if water.geom_type == "Polygon" and water.buffer(1e-6).covers(everything):
            break
        if len(kept) == len(corners):
            break
        reach *= 1.25
    near = cKDTree(points).query(points, k=2)[0][:, 1]
    margin = float(np.median(near)) / 2 if margin_m is None else margin_m
    # Holes of an alpha shape are gaps between soundings, not islands that somebody saw.
    outer = [shapely.Polygon(part.exterior) for part in shapely.get_parts(water.buffer(margin))]
    return shapely.MultiPolygon(outer)


def alone(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Which of some points stand so far from all others, at a place or two, that no outline should go round both.

    The gaps are the edges of the points' minimum spanning tree.

    Parameters
    ----------
    x, y : (n,) points [m]

    Raises
    ------
    ValueError : fewer than three places that don't lie on one line
    """
    everything = np.column_stack([x, y])
    points = _thinned(everything)
    tree = _nearest_way(*_triangles(points), len(points))
    gaps = np.sort(tree.data)[::-1][: FEW + 1]
    wide = np.flatnonzero(gaps[:-1] > np.maximum(ALONE_M, ALONE_TIMES * gaps[1:]))
    for last in wide[::-1]:
        cut = tree.copy()
        cut.data[cut.data >= gaps[last]] = 0
        cut.eliminate_zeros()
        group, place = connected_components(cut, directed=False)[1], cKDTree(points).query(everything)[1]
        odd = group != np.bincount(group[place]).argmax()
        if odd.sum() <= FEW and odd[place].mean() <= MOST_SHARE:
            return odd[place]
    return np.zeros(len(everything), bool)


def _triangles(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the Delaunay triangles (m, 3) and lengths of their sides (m, 3), each from a corner to the next."""
    try:
        corners = Delaunay(points).simplices
    except (QhullError, ValueError) as error:
        raise ValueError("fewer than three wet points that don't lie on one line") from error
    sides = points[corners] - points[np.roll(corners, -1, axis=1)]
    return corners, np.hypot(sides[..., 0], sides[..., 1])


def _thinned(points: np.ndarray) -> np.ndarray:
    """One point a lattice cell, the lattice made coarser until few enough are left; ends of sections stay."""
    step = 0.001
    while True:
        _, first = np.unique(np.round(points / step), axis=0, return_index=True)
        if len(first) <= MOST_POINTS:
            return points[np.sort(first)]
        step *= 2


def _nearest_way(corners: np.ndarray, lengths: np.ndarray, n: int) -> csr_matrix:
    """Minimum spanning tree of the points, which lies within their Delaunay triangles; lengths of its edges."""
    first, second = corners.ravel(), np.roll(corners, -1, axis=1).ravel()
    pairs = np.sort(np.column_stack([first, second]), axis=1)
    pairs, index = np.unique(pairs, axis=0, return_index=True)
    graph = coo_matrix((lengths.ravel()[index], (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    return minimum_spanning_tree(graph.tocsr())
