"""Lines and places a page draws over the water, as latitude and longitude."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import shapely
from pyproj import Transformer

from reachmap.channel import Channel
from reachmap.write.current import current_marks
from reachmap.write.model import Result
from reachmap.write.record import plain


def shapes(result: Result, to_wgs: Transformer) -> dict[str, Any]:
    """Outline, seams, shade, lanes and stances as latitude and longitude."""
    beat, visit = result.channel.beat, result.visit
    seams = shapely.union_all(result.channel.seams.geometry.to_numpy())
    lanes = [
        {
            "lie": int(row["lie"]),
            "lines": rings(line),
            **(
                {"shut_by": row["shut_by"], "shut_within_m": float(row["shut_within_m"])}
                if row["shut_by"]
                else {"lead_m": [float(row[name]) for name in ("lead_m", "lead_least_m", "lead_most_m")]}
            ),
            "seams": crossed,
        }
        for row, line, crossed in zip(
            visit.lanes.to_dict("records"),
            on_earth(visit.lanes.geometry, to_wgs),
            _crossings(visit.lanes.geometry, seams, to_wgs),
            strict=True,
        )
    ]
    stances = [
        {
            "lie": int(row["lie"]),
            "at": rings(spot)[0][0],
            **{name: plain(row[name]) for name in ("how", "on", "reason", "cast_m", "when", "dark", "dates")},
        }
        for row, spot in zip(visit.stances.to_dict("records"), on_earth(visit.stances.geometry, to_wgs), strict=True)
    ]
    shade = beat.shade
    discs = [
        geometry.buffer(radius, 6) if geometry.geom_type == "Point" and radius > 0 else geometry
        for geometry, radius in zip(shade.geometry, np.nan_to_num(shade["radius_m"].to_numpy(float)), strict=True)
    ]
    return {
        "outline": rings(on_earth(beat.outline, to_wgs)),
        "seams": rings(on_earth(result.channel.seams.geometry, to_wgs)),
        "shade": rings(on_earth(discs, to_wgs)),
        "current": _current(result.channel, to_wgs),
        "lanes": lanes,
        "stances": stances,
    }


def _current(channel: Channel, to_wgs: Transformer) -> list[list[float]]:
    """Arrows along the current: latitude, longitude, where it runs in degrees from true north, order downstream."""
    marks = current_marks(channel)
    (lon, lat), (lon1, lat1) = (to_wgs.transform(*(marks[:, :2] + ahead * marks[:, 2:4]).T) for ahead in (0.0, 1.0))
    toward = np.degrees(np.arctan2((lon1 - lon) * np.cos(np.radians(lat)), lat1 - lat))
    return np.column_stack([lat.round(7), lon.round(7), toward.round(), marks[:, 4]]).tolist()


def _crossings(
    lanes: Iterable[shapely.Geometry], seams: shapely.Geometry, to_wgs: Transformer
) -> list[list[list[float]]]:
    """Where each lane crosses seams, as [latitude, longitude]; a stretch along a seam counts once, at its middle."""
    spots = [
        shapely.MultiPoint(
            [
                part.interpolate(0.5, normalized=True) if part.length else part.centroid
                for part in shapely.get_parts(crossed)
                if not part.is_empty
            ]
        )
        for crossed in shapely.intersection(np.asarray(lanes, object), seams)
    ]
    return [shapely.get_coordinates(lane).tolist() for lane in on_earth(spots, to_wgs)]


def on_earth(geometries: shapely.Geometry | Iterable[shapely.Geometry], to_wgs: Transformer) -> np.ndarray:
    """One geometry or several with latitude and longitude for coordinates, to a centimetre.

    All at once: a transformation costs about as much for one point as for a hundred.
    """

    def turned(xy: np.ndarray) -> np.ndarray:
        lon, lat = to_wgs.transform(*xy.T)
        return np.column_stack([lat, lon]).round(7)

    return np.asarray(shapely.transform(np.atleast_1d(np.asarray(geometries, object)), turned))


def rings(geometries: shapely.Geometry | Iterable[shapely.Geometry]) -> list[list[list[float]]]:
    """All lines of one geometry or of several, as lists of coordinates."""
    parts = shapely.get_parts(np.atleast_1d(np.asarray(geometries, object)))
    lines = [line for part in parts for line in (shapely.get_rings(part) if part.geom_type == "Polygon" else [part])]
    return [shapely.get_coordinates(line).tolist() for line in lines]
