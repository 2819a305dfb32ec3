"""Notes from waypoints and tables, as the same kind of feature that the map's page writes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS

from reachmap.beat.features import read_notes as read_features
from reachmap.beat.messages import Report, stop
from reachmap.beat.notes import KINDS, Note, read_notes
from reachmap.beat.place import local_crs, to_degrees
from reachmap.beat.source import look
from reachmap.beat.vectors import read_any
from reachmap.errors import InputError


def notes_of(path: Path) -> list[Note]:
    """The notes of a file: GeoJSON from a map as it stands; GPX waypoints, KML or a table by their columns.

    A waypoint has no id of ours: one is made from what it says and where it lies, so that the same file merged twice
    adds nothing. A kind that is none of ours becomes "note" and stays in front of the text.

    Raises
    ------
    InputError : the file can't be read, or has no places
    """
    if path.suffix.lower() in (".geojson", ".json"):
        return read_notes(path)
    report = Report()
    with report.collecting():
        source = look(path, path.parent, report)
        given = {"columns": {"text": "name", "note": "desc"}} if source.kind == "gpx" else {}
        table = read_any(source, "notes", "points", given, report)
        frame = read_features(table, _local(table.geometry), None, report)
        places = to_degrees(shapely.get_coordinates(shapely.centroid(frame.geometry.to_numpy())), frame.crs)
        rows = zip(frame.itertuples(), places.tolist(), strict=True)
        return [_note(row, lon, lat, source.name) for row, (lon, lat) in rows]
    raise InputError(report.findings())


def _local(geometry: np.ndarray | None) -> CRS:
    """Metres about the middle of some places; degrees pass through it there and back to a tenth of a millimetre."""
    if geometry is None or not len(geometry):
        return local_crs(0.0, 0.0)
    x, y = np.nanmedian(shapely.get_coordinates(geometry), axis=0)
    if not (abs(x) <= 180 and abs(y) <= 90):
        raise stop("nowhere", "notes", value="some coordinates")
    return local_crs(y, x)


def _note(row: object, lon: float, lat: float, file: str) -> Note:
    given = {name: str(getattr(row, name) or "") for name in ("id", "text", "kind", "time")}
    kind = given["kind"].strip().lower()
    text = given["text"] if kind in (*KINDS, "") else f"{given['kind']}: {given['text']}"
    properties = {"text": text, "kind": kind if kind in KINDS else "note", "time": given["time"]}
    # The reader names rows without an id after their place in the file, which says nothing about the note.
    if given["id"] and not given["id"].startswith(f"{file}-"):
        properties["id"] = given["id"]
    place = {"type": "Point", "coordinates": [round(lon, 7), round(lat, 7)]}
    return {"type": "Feature", "geometry": place, "properties": properties}
