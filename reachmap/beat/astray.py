"""Things far from the water they should stand in or by: mistyped, swapped, or of another place."""

from __future__ import annotations

from collections.abc import Callable

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS

from reachmap.beat.messages import Report, some_rows
from reachmap.beat.place import to_degrees, to_local
from reachmap.beat.tables import Table

FAR_M = {"cover": 50.0, "shade": 3000.0, "notes": 3000.0, "log": 6.0}
"""Farther from the water than this [m] cover covers nothing and trees shade nothing, and a note is another beat's; an
entry of the log does not count, but a log may hold what was caught elsewhere. Assumed."""

SLIPS: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "latitude and longitude swapped": lambda degrees: degrees[:, ::-1],
    "the other sign of the longitude": lambda degrees: degrees * [-1, 1],
    "the other sign of the latitude": lambda degrees: degrees * [1, -1],
}
"""How places are mistyped, and what undoes it."""


def tell_astray(frame: gpd.GeoDataFrame, role: str, water: shapely.MultiPolygon, table: Table, report: Report) -> None:
    """Tell of things that lie too far off to be meant.

    Parameters
    ----------
    frame : in the beat's metres, its index counts the rows of the file
    role : part of a beat the file plays
    water : the outline [m]
    table : the file they come from
    """
    if not len(frame):
        return
    # An entry of the log, drawn as a line or an area, counts at one point within it.
    measured = shapely.point_on_surface(frame.geometry.to_numpy()) if role == "log" else frame.geometry.to_numpy()
    away = shapely.distance(measured, water)
    far = away > FAR_M[role]
    if not far.any():
        return
    slip = _slip(frame.geometry[far], water, frame.crs, FAR_M[role])
    report.say(
        "log-off" if role == "log" else "far-off",
        table.file,
        some_rows(frame.index[far].to_numpy(), table.word),
        count=int(far.sum()),
        total=len(frame),
        away=_said(float(np.nanmax(away))),
        hint=f"; with {slip} they fit" if slip else "",
    )


def _slip(things: gpd.GeoSeries, water: shapely.MultiPolygon, crs: CRS, near_m: float) -> str:
    """The slip that lays all of some things by the water once it is undone, "" if none does."""
    degrees = to_degrees(shapely.get_coordinates(shapely.point_on_surface(things.to_numpy())), crs)
    for words, undo in SLIPS.items():
        xy = to_local(undo(degrees), crs)
        if np.isfinite(xy).all() and (shapely.distance(water, shapely.points(xy)) <= near_m).all():
            return words
    return ""


def _said(away_m: float) -> str:
    return f"{away_m:,.0f} m" if away_m < 1000 else f"{away_m / 1000:,.0f} km"
