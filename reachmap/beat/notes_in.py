"""Notes from waypoints and tables, as the same kind of feature that the map's page writes, put into a beat."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS

from reachmap.beat.features import read_notes as read_features
from reachmap.beat.files import find_parts, open_folder
from reachmap.beat.messages import Report, stop
from reachmap.beat.notes import KINDS, Note, merge_notes, read_notes, write_notes
from reachmap.beat.place import local_crs, to_degrees
from reachmap.beat.settings import read_settings
from reachmap.beat.source import look
from reachmap.beat.vectors import read_any
from reachmap.errors import InputError, OutputError

JSON = (".geojson", ".json")


def add_notes(folder: Path, files: Iterable[Path]) -> tuple[Path, Sequence[Note], Path | None]:
    """Merge the notes of some files into those of a beat.

    Parameters
    ----------
    folder : the beat
    files : see `notes_of`

    Returns
    -------
    The file they went into: the beat's own if it is GeoJSON, else notes.geojson; what is in it now; and the beat's
    own file of another kind, whose notes are in the first one now.

    Raises
    ------
    InputError : there is no such beat, or a file can't be read
    OutputError : the notes can't be written; the old ones still stand
    """
    open_folder(folder)
    own = _file_of(folder)
    target = own if own is not None and own.suffix.lower() in JSON else folder / "notes.geojson"
    merged = merge_notes(*(notes_of(path) for path in (*([own] if own else []), *files)))
    try:
        write_notes(target, merged)
    except OSError as error:
        raise OutputError(f"{target}: can't be written ({error.strerror}); the notes are as they were.") from error
    return target, merged, own if own != target else None


def _file_of(folder: Path) -> Path | None:
    """The file of a beat that holds its notes, if it has one."""
    report = Report()
    parts = find_parts(folder, read_settings(folder, report), report)
    if "notes" in parts.failed:
        raise InputError(report.findings())
    found = parts.one("notes")
    return None if found is None else found[0].path


def notes_of(path: Path) -> list[Note]:
    """The notes of a file: GeoJSON from a map as it stands; GPX waypoints, KML or a table by their columns.

    A waypoint has no id of ours: one is made from what it says and where it lies, so that the same file merged twice
    adds nothing. A kind that is none of ours becomes "note" and stays in front of the text.

    Raises
    ------
    InputError : the file can't be read, or has no places
    """
    if path.suffix.lower() in JSON:
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
