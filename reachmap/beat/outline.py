"""The reach outline: from polygons, closed tracks or lists of corners, checked, never repaired by guess."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from reachmap.beat.columns import Column, match, tidy
from reachmap.beat.messages import Report, stop
from reachmap.beat.numbers import NotNumberError, number
from reachmap.beat.place import Anchor, Placer, choose_placer, local_crs, move, to_degrees, to_local, why_no_degrees
from reachmap.beat.tables import Table

SMALLEST_M2, LARGEST_M2 = 4.0, 20e6
"""Water areas outside these limits are refused as mistakes of unit or place [m2], assumed."""

MOST_AREAS = 2000
"""Areas of one outline; more would take minutes to join."""

CLOSE_M, CLOSE_SHARE = 15.0, 0.05
"""A track counts as closed on itself if its ends are this near, and nearer than this share of its length; assumed."""

INSIDE = 0.5
"""Share of a ring that lies in the water if it is an island: a receiver held by hand may take the track of one by the
bank metres over it, while pools or halves that meet share far less. Assumed."""

TOLD_M2 = 0.01
"""Smaller overlaps come of rounding [m2], assumed."""

Cap = tuple[float, float, float, float]


@dataclass(frozen=True)
class Outline:
    """The water in the beat's metres.

    Parameters
    ----------
    water : wetted area, islands as holes [m]
    crs, lat, lon : local system and its origin
    caps : upstream and downstream end line, left bank first, or None
    head : middle of the upstream end if only that is known
    """

    water: shapely.MultiPolygon
    crs: CRS
    lat: float
    lon: float
    caps: tuple[Cap, Cap] | None = None
    head: tuple[float, float] | None = None


def read_outline(table: Table, anchor: Anchor | None, report: Report) -> Outline:
    """Turn a table into the outline.

    Raises
    ------
    InputError : there is no area in it, it crosses itself, isn't closed, or lies nowhere
    """
    shapes, roles, columns = _shapes(table, report)
    unit = columns["x"].unit if "x" in columns else ""
    named = "lon" in columns and "lat" in columns
    placer = choose_placer(table.crs, table.settings, anchor, table.file, report, degrees=named, unit=unit)
    degrees = move(shapes, placer.to_degrees)
    lat, lon = origin(shapely.get_coordinates(degrees), shapely.get_coordinates(shapes), placer, table.file)
    crs = local_crs(lat, lon)
    local = move(degrees, lambda xy: to_local(unwrapped(xy, lon), crs))
    polygons, ends = [], {}
    for i, (shape, role) in enumerate(zip(local, roles, strict=True)):
        where = f"{table.word} {i + 1}"
        if role in ("head end", "tail end") and shape.geom_type == "LineString":
            ends[role] = shape
            continue
        for part in shapely.get_parts(shape):
            if (polygon := _polygon(part, table.file, where, report)) is not None:
                polygons.append(polygon)
    if not polygons:
        raise stop("no-area", table.file)
    if len(polygons) > MOST_AREAS:
        raise stop("outline-many", table.file, count=len(polygons), limit=f"{MOST_AREAS:,}")
    lines = all(shapely.get_type_id(shape) in (1, 2, 5) for shape in shapes)
    for i, polygon in enumerate(polygons):
        _check_valid(polygon, table.file, f"polygon {i + 1}", crs)
    water = (_nested if lines or table.geometry is None else _united)(polygons, table.file, report)
    _check_size(water, table.file)
    caps = _caps(ends, water, table.file, report)
    head = None
    if caps is None and "head end" in ends:
        middle = ends["head end"].interpolate(0.5, normalized=True)
        head = (middle.x, middle.y)
    return Outline(water, crs, lat, lon, caps, head)


def origin(degrees: np.ndarray, given: np.ndarray, placer: Placer, file: str) -> tuple[float, float]:
    """Latitude and longitude of the middle of some places, rounded to 7 decimals.

    Raises
    ------
    InputError : they lie nowhere on Earth: metres taken for degrees, latitude and longitude swapped
    """
    if placer.crs is not None and placer.crs.is_geographic and np.isfinite(given).all():
        x, y = np.abs(given[:, 0]), np.abs(given[:, 1])
        if (y > 90).any() or (x > 180).any():
            at = f"{given[0, 0]:.6g}, {given[0, 1]:.6g}"
            raise stop(why_no_degrees(given), file, value=at)
    if not len(degrees) or not np.isfinite(degrees).all():
        raise stop("nowhere", file, value=f"{given[0, 0]:.6g}, {given[0, 1]:.6g}" if len(given) else "nothing")
    lons = degrees[:, 0] % 360 if np.ptp(degrees[:, 0]) > 180 else degrees[:, 0]
    lat, lon = (degrees[:, 1].min() + degrees[:, 1].max()) / 2, (lons.min() + lons.max()) / 2
    if abs(lat) > 84:
        raise stop("nowhere", file, value=f"{given[0, 0]:.6g}, {given[0, 1]:.6g}")
    if np.ptp(degrees[:, 1]) > 1 or np.ptp(lons) > 2:
        raise stop("outline-huge", file, value=f"{np.ptp(degrees[:, 1]):.2g} by {np.ptp(lons):.2g} degrees")
    return round(float(lat), 7), round(float((lon + 180) % 360 - 180), 7)


def unwrapped(degrees: np.ndarray, lon: float) -> np.ndarray:
    """Longitudes within half a turn of the origin, for reaches on the date line."""
    return np.column_stack([lon + (degrees[:, 0] - lon + 180) % 360 - 180, degrees[:, 1]])


def _shapes(table: Table, report: Report) -> tuple[np.ndarray, list[str], dict[str, Column]]:
    """The file's geometries that aren't empty, the part each plays, and the columns they were made from, if any."""
    if table.geometry is None:
        return _corners(table, report)
    role_at = next((i for i, name in enumerate(table.header) if tidy(name) in ("role", "name")), None)
    shapes, roles = [], []
    for (n, cells), shape in zip(table.rows, table.geometry, strict=False):
        if shape is None or shape.is_empty:
            report.say("feature-empty", table.file, f"{table.word} {n}")
            continue
        shapes.append(shape)
        role = "" if role_at is None else str(cells[role_at] or "").strip().lower()
        roles.append(role.replace("_", " ").replace("-", " "))
    if not shapes:
        raise stop("no-area", table.file)
    return np.array(shapes, object), roles, {}


def _corners(table: Table, report: Report) -> tuple[np.ndarray, list[str], dict[str, Column]]:
    """Polygons from a table of corners in order, one ring for each value of the ring column."""
    wanted = ("lon", "lat", "x", "y", "ring", "note")
    columns = match(table.header, wanted, table.file, report, chosen=table.settings.get("columns"))
    pair = ("lon", "lat") if "lon" in columns and "lat" in columns else ("x", "y")
    if any(key not in columns for key in pair):
        raise stop("no-position", table.file, "header", names=", ".join(table.header))
    rings: dict[str, list[tuple[float, float]]] = {}
    for n, cells in table.rows:
        ring = str(cells[columns["ring"].index]) if "ring" in columns else ""
        try:
            x, y = (number(cells[columns[key].index], table.decimal) for key in pair)
        except NotNumberError as error:
            raise stop("cell-text", table.file, f"row {n}", column=pair[0], value=str(cells), why=str(error)) from error
        if not (math.isfinite(x) and math.isfinite(y)):
            raise stop("coordinate-no-number", table.file, f"row {n}")
        rings.setdefault(ring, []).append((x, y))
    for name, corners in rings.items():
        if len(corners) < 3:
            raise stop("ring-short", table.file, f"ring {name}" if name else "", count=len(corners))
    return np.array([shapely.Polygon(ring) for ring in rings.values()], object), [""] * len(rings), columns


def _polygon(shape: BaseGeometry, file: str, where: str, report: Report) -> shapely.Polygon | None:
    """A polygon, or a line that closes on itself as one; points are passed over with a word."""
    if isinstance(shape, shapely.Polygon):
        return shape
    if shape.geom_type in ("LineString", "LinearRing"):
        points = shapely.get_coordinates(shape)
        gap, length = math.dist(points[0], points[-1]), shape.length
        if len(points) < 4 or gap > min(CLOSE_M, CLOSE_SHARE * length):
            raise stop("ring-open", file, where, gap=f"its ends are {gap:.1f} m apart")
        if gap > 0.01:
            report.say("track-closed", file, where, gap=f"{gap:.1f}")
        return shapely.Polygon(points)
    report.say("feature-odd-kind", file, where, kind=shape.geom_type)
    return None


def _check_valid(polygon: shapely.Polygon, file: str, where: str, crs: CRS) -> None:
    if polygon.is_valid:
        return
    reason = shapely.is_valid_reason(polygon)
    place = re.search(r"\[(\S+) (\S+)\]", reason)
    at = ""
    if place:
        lon, lat = to_degrees(np.array([[float(place[1]), float(place[2])]]), crs)[0]
        at = f"near {lat:.6f}, {lon:.6f}"
    raise stop("self-crossing", file, where, at=at or reason)


def _nested(polygons: Sequence[shapely.Polygon], file: str, report: Report) -> shapely.MultiPolygon:
    """Rings drawn one inside another: every second one is an island. Those that only overlap are joined, and told."""
    water: BaseGeometry = shapely.Polygon()
    overlap, over = 0.0, 0.0
    for polygon in sorted(polygons, key=shapely.area, reverse=True):
        # By now all is there that could have this ring in it: it is an island in the water, or water in an island.
        shared = shapely.intersection(water, polygon).area
        if shared >= INSIDE * polygon.area:
            over += polygon.area - shared
            water = shapely.difference(water, polygon)
        else:
            overlap += shared
            water = shapely.union(water, polygon)
    _say_overlap(overlap, file, report)
    if over > TOLD_M2:
        report.say("island-over", file, area=f"{over:.1f}")
    return _multi(water)


def _united(polygons: Sequence[shapely.Polygon], file: str, report: Report) -> shapely.MultiPolygon:
    united = shapely.union_all(list(polygons))
    _say_overlap(sum(p.area for p in polygons) - united.area, file, report)
    return _multi(united)


def _say_overlap(area_m2: float, file: str, report: Report) -> None:
    if area_m2 > TOLD_M2:
        report.say("outline-overlap", file, area=f"{area_m2:.1f}")


def _multi(shape: BaseGeometry) -> shapely.MultiPolygon:
    return shapely.MultiPolygon([part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"])


def _check_size(water: shapely.MultiPolygon, file: str) -> None:
    if not SMALLEST_M2 <= water.area <= LARGEST_M2:
        code = "outline-tiny" if water.area < SMALLEST_M2 else "outline-huge"
        raise stop(code, file, value=f"{water.area:,.2g} m2")


def _caps(ends: dict[str, BaseGeometry], water: BaseGeometry, file: str, report: Report) -> tuple[Cap, Cap] | None:
    """End lines with the true left bank first."""
    if len(ends) < 2:
        if "tail end" in ends:
            report.say("cap-alone", file)
        return None
    out = []
    for role, sign in (("head end", 1.0), ("tail end", -1.0)):
        points = shapely.get_coordinates(ends[role])
        a, b = points[0], points[-1]
        if shapely.distance(ends[role], water) > 5 or math.dist(a, b) < 0.1:
            report.say("cap-away", file, role, role=role)
            return None
        # The water lies downstream of the head end and upstream of the tail end.
        middle, along = (a + b) / 2, (b - a) / math.dist(a, b)
        normal = np.array([-along[1], along[0]])
        step = max(0.5, 0.1 * math.dist(a, b))
        wet = [water.intersection(_strip(a, b, s * normal * step)).area for s in (1.0, -1.0)]
        downstream = normal * (1.0 if wet[0] > wet[1] else -1.0) * sign
        left = np.array([-downstream[1], downstream[0]])
        first, last = (a, b) if (a - middle) @ left > 0 else (b, a)
        out.append((float(first[0]), float(first[1]), float(last[0]), float(last[1])))
    return out[0], out[1]


def _strip(a: np.ndarray, b: np.ndarray, shift: np.ndarray) -> shapely.Polygon:
    return shapely.Polygon([a, b, b + shift, a + shift])
