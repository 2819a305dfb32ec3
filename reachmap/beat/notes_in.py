"""Notes from waypoints and tables, as the same kind of feature that the map's page writes, put into a beat."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from reachmap.beat.columns import SYNONYMS, tidy
from reachmap.beat.features import read_all_notes
from reachmap.beat.files import find_parts, open_folder
from reachmap.beat.messages import Report, stop
from reachmap.beat.notes import Note, in_degrees, is_ours, merge_notes, read_notes, write_notes
from reachmap.beat.place import WGS84, Anchor, anchor_of
from reachmap.beat.settings import read_settings
from reachmap.beat.source import look
from reachmap.beat.vectors import read_any
from reachmap.errors import InputError, OutputError

if TYPE_CHECKING:
    import geopandas as gpd

JSON = (".geojson", ".json")
LONGEST = 10**7
"""Characters of a note: all there can be, as what is read here is written back."""


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
    own, notes = _own_notes(folder)
    target = own if own is not None and own.suffix.lower() in JSON else folder / "notes.geojson"
    merged = merge_notes(notes, *(notes_of(path) for path in files))
    try:
        write_notes(target, merged)
    except OSError as error:
        raise OutputError(f"{target}: can't be written ({error.strerror}); the notes are as they were.") from error
    return target, merged, own if own != target else None


def _own_notes(folder: Path) -> tuple[Path | None, Sequence[Note]]:
    """The file of a beat that holds its notes, if it has one, and what is in it."""
    report = Report()
    settings = read_settings(folder, report)
    parts = find_parts(folder, settings, report)
    if "notes" in parts.failed:
        raise InputError(report.findings())
    found = parts.one("notes")
    if found is None:
        return None, ()
    source, given = found
    return source.path, notes_of(source.path, given, anchor_of(settings.values.get("place", {})))


def notes_of(path: Path, given: Mapping[str, Any] | None = None, anchor: Anchor | None = None) -> Sequence[Note]:
    """The notes of a file: what a map's page wrote as it stands; the rest by its columns, as the beat reads it.

    Parameters
    ----------
    path : GeoJSON, GPX waypoints, KML or a table
    given : what beat.toml says about the file
    anchor : where its local metres lie

    Raises
    ------
    InputError : the file can't be read, or has no places
    """
    is_json = path.suffix.lower() in JSON
    written = read_notes(path) if is_json else []
    if is_json and not written:
        return []
    report = Report()
    with report.collecting():
        source = look(path, path.parent, report)
        table = read_any(source, "notes", "points", given or {}, report)
        on_earth = table.crs == WGS84 and "crs" not in table.settings
        if table.geometry is not None and is_json:
            others = [i for i, note in enumerate(written) if not (on_earth and is_ours(note))]
            rows = list(table.rows)
            table = replace(table, rows=iter([rows[i] for i in others]), geometry=table.geometry[others])
        read = _notes(read_all_notes(table, WGS84, anchor, report, limit=LONGEST), source.name)
        if not report.failed:
            # A feature that could not be read has no place, and stands as it is.
            told = [_beside(old, read.get(row), on_earth) for row, old in enumerate(written, start=1)]
            return told if is_json else [*read.values()]
    raise InputError(report.findings())


def _beside(old: Note, note: Note | None, on_earth: bool) -> Note:
    """A note as it was read, with what else stood in its feature; its kind is told once, its place as it stands."""
    if note is None:
        return old
    others = {key: value for key, value in old["properties"].items() if tidy(key) not in SYNONYMS["kind"]}
    stands = in_degrees(old) or note["geometry"]["type"] != "Point"
    geometry = old["geometry"] if on_earth and stands else note["geometry"]
    return {**old, **note, "geometry": geometry, "properties": {**others, **note["properties"]}}


def _notes(frame: gpd.GeoDataFrame, file: str) -> dict[int, Note]:
    """Notes, whose geometry is in degrees, as features by their row."""
    shapes = shapely.transform(frame.geometry.to_numpy(), lambda xy: xy.round(7))
    if (np.abs(shapely.get_coordinates(shapes)) > (180, 90)).any():
        raise stop("nowhere", file, value="some coordinates")
    columns = ["id", "text", "kind", "time", "replaces", "deleted"]
    told = frame[columns].to_dict("records")
    return {
        int(row): {"type": "Feature", "geometry": json.loads(shape), "properties": said}
        for row, shape, said in zip(frame.index, shapely.to_geojson(shapes), told, strict=True)
    }
