"""The two ends of the reach and what each piece of the outline is: bank, end cap, island, joint.

The end caps are the lines where the river goes on beyond the outline. They are no waterline: nothing tapers to
zero there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from reachmap.channel.grid import make_grid
from reachmap.channel.mesh import Mesh, make_mesh

RIGHT, LEFT, HEAD, TAIL, ISLAND, JOINT = range(6)
"""Kinds of outline. Left and right are the true banks, looking downstream; a joint is where two polygons meet."""

CHORD = (0.45, 2.2)
"""Length of an end cap, in widths; measured on six test outlines."""

TURN_OVER = 0.35
"""A corner's turning is measured over this many widths to each side."""

SHARP_RAD = 0.25
"""Turning below this is no corner [rad]."""

STRAIGHT = 0.05
"""A line that strays no farther than this is straight [widths]; assumed."""

SQUARE_RAD = 0.8
"""Least turning at both ends of a straight line longer than a cap that is one all the same [rad]; assumed."""

ACROSS = 0.6
"""A line lies across the river if the ways through the water to its two ends differ by no more than this share of its
length, which is 0 square across and 1 along a bank; assumed."""


@dataclass(frozen=True)
class Edge:
    """The outline as short pieces.

    Parameters
    ----------
    start, end : (m, 2) ends of every piece [m], water on the left hand going from start to end
    kind : (m,) one of RIGHT, LEFT, HEAD, TAIL, ISLAND, JOINT
    """

    start: np.ndarray
    end: np.ndarray
    kind: np.ndarray

    @property
    def middle(self) -> np.ndarray:
        """(m, 2) middle of every piece [m]."""
        return (self.start + self.end) / 2

    def of(self, *kinds: int) -> Edge:
        """The pieces of these kinds only."""
        return self.where(np.isin(self.kind, kinds))

    def where(self, keep: np.ndarray) -> Edge:
        """The pieces where `keep` (m,) is True."""
        return Edge(self.start[keep], self.end[keep], self.kind[keep])


def join_parts(outline: BaseGeometry) -> tuple[shapely.Polygon, float]:
    """One polygon that holds all of an outline's water with the gaps between its parts bridged, and the widest gap [m].

    Parts are joined one after the other to the nearest water already joined: over the stretch where they lie about as
    close as at their closest, or, farther than a width apart, by as much as their ends are wide.
    """
    parts = sorted(shapely.get_parts(outline), key=lambda part: -part.area)
    joined, widest = parts[0], 0.0
    rest = parts[1:]
    while rest:
        rest.sort(key=joined.distance)
        part = rest.pop(0)
        widest = max(widest, joined.distance(part))
        joined = _largest(shapely.union_all([joined, part, _bridge(joined, part)]))
    return joined, widest


def _bridge(one: shapely.Polygon, other: shapely.Polygon) -> BaseGeometry:
    """What joins two parts, and some of both."""
    gap, width = one.distance(other), strip_width(other)
    if gap <= width:
        reach = 1.05 * gap + 0.02 * width
        return one.buffer(reach).intersection(other.buffer(reach))
    # From the middle of what faces the other part, half a width deep.
    facing = (a.intersection(b.buffer(gap + width / 2)) for a, b in ((one, other), (other, one)))
    middles = [shapely.point_on_surface(_largest(piece)) for piece in facing]
    return shapely.LineString(middles).buffer(width / 2, cap_style="flat")


def _largest(shape: BaseGeometry) -> shapely.Polygon:
    return max(shapely.get_parts(shape), key=lambda part: part.area)


@dataclass(frozen=True)
class Spine:
    """What the shape of an outline says before anything is solved.

    Parameters
    ----------
    width_m : typical width, the area over the length of the longest way through the water
    tips : (2, 2) the two places farthest apart through the water
    """

    width_m: float
    tips: np.ndarray


def find_spine(water: shapely.Polygon) -> Spine:
    """Typical width and both tips of the water, whatever the raggedness of its edge."""
    width = strip_width(water)
    for _ in range(3):
        tips, length = _farthest_pair(water, width)
        before, width = width, min(float(water.area) / max(length, 1e-9), float(water.area) ** 0.5)
        if abs(width / before - 1) < 0.25:
            break
    return Spine(width, tips)


def strip_width(water: shapely.Polygon) -> float:
    """Width of the straight strip of the same area and perimeter [m]; too small where the edge is ragged."""
    half = water.exterior.length / 2
    root = half * half - 4 * water.area
    return float((half - root**0.5) / 2 if root > 0 else water.area**0.5)


def find_ends(water: shapely.Polygon, spine: Spine) -> tuple[np.ndarray, np.ndarray]:
    """Both end caps of an outline, each (2, 2): two points on it, in no particular order.

    Near each tip the water is smoothed and the pair of outward corners taken that turn most over a chord of about one
    width; but first a straight line longer than that is looked for, as of a mouth that widens into a lake.
    """
    first, second = (_end_near(water, spine, k) for k in (0, 1))
    return first, second


def _end_near(water: shapely.Polygon, spine: Spine, k: int) -> np.ndarray:
    """The end cap near one of the tips."""
    tip, width = spine.tips[k], spine.width_m
    for line in _lines_across(water, width, spine.tips[1 - k]):
        if shapely.LineString(line).distance(shapely.Point(tip)) <= width:
            return line
    return _cap_near(_ring_near(water, tip, width), tip, width)


def _lines_across(water: shapely.Polygon, width: float, start: np.ndarray) -> np.ndarray:
    """Straight lines longer than a cap between sharp corners, across the river as seen from `start`, the longest first.

    As places on the edge of the water, (n, 2, 2).
    """
    ring = shapely.get_coordinates(shapely.orient_polygons(water).exterior)[:-1]
    # The place farthest from the middle is a corner, where no straight line is cut in two.
    first = int(np.argmax(np.hypot(*(ring - ring.mean(axis=0)).T)))
    ring = np.roll(ring, -first, axis=0)
    edge = shapely.LineString(np.vstack([ring, ring[:1]]))
    corner = shapely.get_coordinates(shapely.simplify(edge, STRAIGHT * width))
    lines = np.stack([corner[:-1], corner[1:]], axis=1)
    long = np.hypot(*(lines[:, 1] - lines[:, 0]).T)
    lines = lines[(long > CHORD[1] * width) & (_turning(edge, lines, TURN_OVER * width) >= SQUARE_RAD)]
    if len(lines):
        long = np.hypot(*(lines[:, 1] - lines[:, 0]).T)
        ways = distance_through(water, width, start, lines.reshape(-1, 2)).reshape(-1, 2)
        across = np.abs(ways[:, 1] - ways[:, 0]) <= ACROSS * long
        lines = lines[across][np.argsort(-long[across], kind="stable")]
    return lines


def _turning(edge: shapely.LineString, lines: np.ndarray, over_m: float) -> np.ndarray:
    """The lesser of the outward turnings at both ends of lines (n, 2, 2) of a ring with the water on its left [rad]."""
    turns = []
    for end, beyond in ((0, -over_m), (1, over_m)):
        here = shapely.line_locate_point(edge, shapely.points(lines[:, end])) + beyond
        away = shapely.get_coordinates(shapely.line_interpolate_point(edge, np.mod(here, edge.length)))
        along, aside = lines[:, 1] - lines[:, 0], np.sign(beyond) * (away - lines[:, end])
        first, second = (aside, along) if end == 0 else (along, aside)
        cross = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
        turns.append(np.arctan2(cross, np.einsum("ij,ij->i", first, second)))
    return np.minimum(*turns)


def _ring_near(water: shapely.Polygon, tip: np.ndarray, width: float) -> np.ndarray:
    """Smoothed edge of the water around a tip, water on the left hand; another limb close by is not part of it."""
    middle = shapely.Point(tip)
    around = _holding(water.intersection(middle.buffer(3.5 * width)), middle)
    radius = 0.12 * width
    smooth = around.buffer(radius, quad_segs=4).buffer(-2 * radius, quad_segs=4).buffer(radius, quad_segs=4)
    around = _holding(smooth, middle) if not smooth.is_empty else around
    around = shapely.orient_polygons(shapely.simplify(around, 0.02 * width))
    return shapely.get_coordinates(shapely.segmentize(around.exterior, width / 20))[:-1]


def _holding(shape: BaseGeometry, point: shapely.Point) -> shapely.Polygon:
    """The part of a shape nearest to a point."""
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return min(parts, key=lambda part: part.distance(point))


def _farthest_pair(water: shapely.Polygon, width: float) -> tuple[np.ndarray, float]:
    """The two places farthest apart through the water (2, 2), and how far that is [m]."""
    mesh, graph = _ways(water, width)
    number, label = mesh.components
    start = int(np.flatnonzero(label == np.bincount(label, minlength=number).argmax())[0])
    for _ in range(2):
        distance = dijkstra(graph, directed=False, indices=start)
        distance[~np.isfinite(distance)] = -1.0
        start, other = int(np.argmax(distance)), start
    return np.column_stack([mesh.x, mesh.y])[[other, start]], float(distance.max())


def distance_through(water: shapely.Polygon, width: float, start: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Distance from one place through the water to others (n, 2), each taken at the nearest water, (n,) [m]."""
    mesh, graph = _ways(water, width)
    tree = cKDTree(np.column_stack([mesh.x, mesh.y]))
    return dijkstra(graph, directed=False, indices=tree.query(start)[1])[tree.query(places)[1]]


def _ways(water: shapely.Polygon, width: float) -> tuple[Mesh, csr_array]:
    """A mesh over the water and the length of the steps between its nodes."""
    mesh = make_mesh(make_grid(water, width / 24), 3)
    graph = mesh.matrix(np.hypot(mesh.x[mesh.first] - mesh.x[mesh.second], mesh.y[mesh.first] - mesh.y[mesh.second]))
    # Two steps round a corner make a diagonal, so that distance does not depend on the grid's direction.
    corner = (graph @ graph).tocoo()
    apart = np.hypot(mesh.x[corner.row] - mesh.x[corner.col], mesh.y[corner.row] - mesh.y[corner.col])
    diagonal = (apart > 0.1 * mesh.size_m) & (apart < 1.6 * mesh.size_m)
    corner.data[:] = np.where(diagonal, apart, 0.0)
    corner.eliminate_zeros()
    return mesh, graph.maximum(corner.tocsr())


def _cap_near(ring: np.ndarray, tip: np.ndarray, width: float) -> np.ndarray:
    """The two corners of a ring (water on its left hand) that bound the end nearest to `tip`."""
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])

    def at(u: np.ndarray) -> np.ndarray:
        u = np.mod(u, along[-1])
        return np.column_stack([np.interp(u, along, closed[:, 0]), np.interp(u, along, closed[:, 1])])

    middle = along[cKDTree(ring).query(tip)[1]]
    u = middle + np.arange(-1.6, 1.6, 1 / 24) * width
    before, after = at(u) - at(u - TURN_OVER * width), at(u + TURN_OVER * width) - at(u)
    turn = np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], np.einsum("ij,ij->i", before, after))
    i, j = np.meshgrid(np.arange(len(u)), np.arange(len(u)), indexing="ij")
    place = at(u)
    chord = np.hypot(place[i, 0] - place[j, 0], place[i, 1] - place[j, 1])
    arc = u[j] - u[i]
    good = (j >= i + 6) & (turn[i] >= SHARP_RAD) & (turn[j] >= SHARP_RAD)
    good &= (chord > CHORD[0] * width) & (chord < CHORD[1] * width)
    if not good.any():
        return at(middle + np.array([-0.5, 0.5]) * width)
    safe = np.where(good, chord, width)
    score = turn[i] + turn[j] - 0.6 * (arc / safe - 1) - 0.25 * np.abs(np.log(safe / width))
    best = int(np.argmax(np.where(good, score, -np.inf)))
    return place[[i.flat[best], j.flat[best]]]


def label_edge(
    water: shapely.Polygon, outline: BaseGeometry, ends: tuple[np.ndarray, np.ndarray], step_m: float
) -> Edge:
    """Cut the outline into pieces no longer than `step_m` and say what each is.

    Parameters
    ----------
    water : all the water as one polygon (see `join_parts`)
    outline : the outline as given; edges of `water` that are not part of it are joints
    ends : upstream and downstream end cap, each two points (2, 2)
    step_m : longest piece [m]
    """
    water = shapely.orient_polygons(water)
    ring = shapely.get_coordinates(water.exterior)[:-1]
    ring, at = _insert(ring, np.vstack(ends))
    n = len(ring)
    (a, b), (c, d) = _cap_arcs(n, (int(at[0]), int(at[1])), (int(at[2]), int(at[3])))
    # Counter-clockwise: upstream cap left to right, right bank down, downstream cap right to left, left bank up.
    spans = [(a, b, HEAD), (b, c, RIGHT), (c, d, TAIL), (d, a, LEFT)]
    pieces = [_cut(ring[np.arange(i, j + (0 if j > i else n) + 1) % n], step_m, kind) for i, j, kind in spans]
    pieces += [_cut(np.asarray(hole.coords), step_m, ISLAND) for hole in water.interiors]
    edge = Edge(*(np.concatenate(part) for part in zip(*pieces, strict=True)))
    if len(shapely.get_parts(outline)) > 1:
        away = shapely.distance(shapely.boundary(outline), shapely.points(edge.middle)) > 1e-6
        kind = np.where(away & ~np.isin(edge.kind, (HEAD, TAIL)), JOINT, edge.kind)
        edge = Edge(edge.start, edge.end, kind)
    return edge


def _insert(ring: np.ndarray, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The ring with the place nearest to each point made a corner, and the number of that corner for each."""
    line = shapely.LinearRing(ring)
    where = shapely.line_locate_point(line, shapely.points(points))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.vstack([ring, ring[:1]]), axis=0).T))])
    extra = shapely.get_coordinates(shapely.line_interpolate_point(line, where))
    every = np.concatenate([along[:-1], where])
    order = np.argsort(every, kind="stable")
    place = np.empty(len(order), int)
    place[order] = np.arange(len(order))
    return np.vstack([ring, extra])[order], place[len(ring) :]


def _cap_arcs(n: int, head: tuple[int, int], tail: tuple[int, int]) -> tuple[tuple[int, int], tuple[int, int]]:
    """For each cap the corners where its arc starts and ends, so that it does not run over the other cap."""

    def arc(pair: tuple[int, int], other: tuple[int, int]) -> tuple[int, int]:
        first, second = pair
        inside = [(k - first) % n < (second - first) % n for k in other]
        return (second, first) if all(inside) else (first, second)

    return arc(head, tail), arc(tail, head)


def _cut(line: np.ndarray, step_m: float, kind: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    points = shapely.get_coordinates(shapely.segmentize(shapely.LineString(line), step_m))
    keep = np.hypot(*np.diff(points, axis=0).T) > 0
    start, end = points[:-1][keep], points[1:][keep]
    return start, end, np.full(len(start), kind)
