"""GeoJSON, read feature by feature so that a message can name the feature."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry import shape

from reachmap.beat.messages import stop
from reachmap.beat.source import Source
from reachmap.beat.tables import Table

GEOMETRIES = frozenset(
    ["Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection"]
)


def read_geojson(source: Source) -> Table:
    """Read a FeatureCollection, a Feature or a bare geometry.

    Raises
    ------
    InputError : cut or damaged text, no features, a geometry that is none, a coordinate that is no number, an open ring
    """
    content = _load(source)
    features = _features(content, source)
    if not features:
        raise stop("no-features", source.name)
    header: dict[str, None] = {}
    geometry = np.full(len(features), None, object)
    properties: list[Mapping[str, Any]] = []
    for i, feature in enumerate(features):
        where = f"feature {i + 1}"
        if not isinstance(feature, dict):
            raise stop("feature-odd", source.name, where)
        given = feature.get("properties")
        properties.append(given if isinstance(given, dict) else {})
        header.update(dict.fromkeys(properties[-1]))
        geometry[i] = _geometry(feature.get("geometry"), source.name, where)
    rows = ((i + 1, [own.get(name) for name in header]) for i, own in enumerate(properties))
    return Table(source.name, tuple(header), rows, "feature", geometry, _crs(content, source.name))


def _load(source: Source) -> Any:
    try:
        return json.loads(source.path.read_text(encoding=source.encoding))
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, character {error.colno}"
        raise stop("json-damaged", source.name, where, why=error.msg) from error
    except RecursionError as error:
        raise stop("json-deep", source.name) from error
    except (ValueError, MemoryError) as error:
        raise stop("json-damaged", source.name, why=str(error) or "too large") from error


def _features(content: Any, source: Source) -> Sequence[Any]:
    if not isinstance(content, dict) or not isinstance(content.get("type"), str):
        raise stop("not-geojson", source.name)
    kind = content["type"]
    if kind == "FeatureCollection":
        features = content.get("features")
        if not isinstance(features, list):
            raise stop("not-geojson", source.name)
        return features
    if kind == "Feature":
        return [content]
    if kind in GEOMETRIES:
        return [{"geometry": content, "properties": {}}]
    raise stop("not-geojson", source.name)


def _geometry(content: Any, file: str, where: str) -> Any:
    if content is None:
        return None
    # A type that is no text, such as a list, can't be looked up.
    if not isinstance(content, dict) or str(content.get("type")) not in GEOMETRIES:
        raise stop("feature-odd", file, where)
    coordinates = content.get("coordinates")
    if content["type"] == "Point":
        return _point(coordinates, file, where)
    try:
        _check_numbers(content, file, where)
        _check_rings(content, file, where)
        return shapely.force_2d(shape(content))
    except (ValueError, TypeError, KeyError, AttributeError, IndexError, OverflowError, RecursionError) as error:
        raise stop("feature-damaged", file, where, why=str(error)) from error


def _point(coordinates: Any, file: str, where: str) -> Any:
    if not coordinates:
        return None
    try:
        x, y = float(coordinates[0]), float(coordinates[1])
    except (ValueError, TypeError, KeyError, IndexError, OverflowError) as error:
        raise stop("feature-damaged", file, where, why=str(error)) from error
    if not (math.isfinite(x) and math.isfinite(y)):
        raise stop("coordinate-no-number", file, where)
    return shapely.Point(x, y)


def _check_numbers(content: Mapping[str, Any], file: str, where: str) -> None:
    """Every coordinate must be a finite number; walks without recursion, so depth can't hurt."""
    pile: list[Any] = [content.get("coordinates"), content.get("geometries")]
    while pile:
        value = pile.pop()
        if isinstance(value, list | tuple):
            pile.extend(value)
        elif isinstance(value, dict):
            pile += [value.get("coordinates"), value.get("geometries")]
        elif value is not None and (isinstance(value, bool | str) or not math.isfinite(value)):
            raise stop("coordinate-no-number", file, where)


def _check_rings(content: Mapping[str, Any], file: str, where: str) -> None:
    """A ring that isn't closed is refused: closing it by guess could cut off a side channel."""
    polygons = {"Polygon": [content.get("coordinates")], "MultiPolygon": content.get("coordinates")}
    for polygon in polygons.get(content["type"]) or []:
        for ring in polygon or []:
            if ring and ring[0][:2] != ring[-1][:2]:
                raise stop("ring-open", file, where, gap="its last point is not its first")


def _crs(content: Mapping[str, Any], file: str) -> CRS | None:
    """WGS 84 as the standard says, unless an older file names another one."""
    member = content.get("crs")
    if not isinstance(member, dict):
        return CRS.from_epsg(4326)
    properties = member.get("properties")
    name = str(properties.get("name", "") if isinstance(properties, dict) else "")
    try:
        return CRS.from_epsg(4326) if name.upper().endswith("CRS84") else CRS.from_user_input(name)
    except CRSError as error:
        raise stop("crs-unknown", file, value=name) from error
