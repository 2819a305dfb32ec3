"""Notes from several devices put together without losing a word.

A note is a GeoJSON feature with the properties id, text, kind, time (ISO 8601, of its last edit), replaces (the earlier
times of the same note) and deleted (true for a note its writer took back). Merging is a union: it does not matter
in which order, how often or how grouped the files come. A version is dropped only when another version of the same
note says that it replaces it; two edits made apart are both kept.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import shapely

from reachmap.beat.columns import SYNONYMS, tidy
from reachmap.beat.messages import plain
from reachmap.errors import Finding, InputError
from reachmap.whole import write_whole

Note = Mapping[str, Any]

WORDS = ("text", "name", "note", "cmt")
"""Columns that may hold what a note says; a waypoint has several."""

LONGEST_WORD = 200
"""Characters read of an id or a time."""

ON_IT_DEG = 1e-6
"""How far from a drawn line or area the point a map shows for it may lie [degrees]: a map's page rounds to 1e-7."""

KINDS = ("note", "catch", "follow", "refusal", "sighting", "blank")


def merge_notes(*piles: Iterable[Note]) -> list[dict[str, Any]]:
    """Put piles of notes together.

    Parameters
    ----------
    piles : GeoJSON features; a note without an id gets one made from its content. A line or an area comes back from a
        map as a point on it, and stays what was drawn.

    Returns
    -------
    The notes that nothing replaces, tombstones among them, sorted by id and time.
    """
    versions: dict[tuple[str, str, str], dict[str, Any]] = {}
    replaced: set[tuple[str, str]] = set()
    for note in _as_drawn([_complete(note) for pile in piles for note in pile]):
        properties = note["properties"]
        key = (properties["id"], properties["time"], _content(note))
        versions[key] = _joined(versions[key], note) if key in versions else note
        replaced |= {(properties["id"], time) for time in properties["replaces"] if time != properties["time"]}
    heads = {key[0] for key in versions if key[:2] not in replaced}
    # A damaged file may say that two versions replace each other; then neither goes.
    kept = [versions[key] for key in sorted(versions) if key[:2] not in replaced or key[0] not in heads]
    return [_with_history(note, replaced) for note in kept]


def is_ours(note: Note) -> bool:
    """Whether a feature is a note as the map's page and this package write them, and can stand as it is."""
    said = note["properties"]
    if not in_degrees(note) or not said.get("id") or "text" not in said or said.get("kind", "note") not in KINDS:
        return False
    wanted = {"id": str, "text": str, "time": str, "replaces": list, "deleted": bool}
    if not all(isinstance(said[key], kind) for key, kind in wanted.items() if key in said):
        return False
    if any(plain(said.get(key, ""), LONGEST_WORD) != said.get(key, "") for key in ("id", "time")):
        return False
    named = {tidy(key): str(value or "") for key, value in said.items()}
    if named.get("date"):
        return False
    others = [named[name] for key in WORDS[1:] for name in SYNONYMS[key] if name in named]
    return all_words([said["text"], *others]) == said["text"]


def in_degrees(note: Note) -> bool:
    """Whether a note is a point in degrees, or has no place at all."""
    shape = note.get("geometry")
    if not isinstance(shape, Mapping) or shape.get("type") != "Point":
        return shape is None
    pair = _place(note)[:2]
    if len(pair) < 2 or not all(isinstance(value, int | float) for value in pair):
        return False
    return abs(pair[0]) <= 180 and abs(pair[1]) <= 90


def all_words(parts: Iterable[str]) -> str:
    """What a note says, from all columns that say something; what is said already is not said again."""
    text = ""
    for part in parts:
        text = text if part in text else f"{text} - {part}" if text else part
    return text


def shown(notes: Iterable[Note]) -> list[Note]:
    """The notes to show: those not taken back."""
    return [note for note in notes if not note["properties"].get("deleted")]


def read_notes(path: Path) -> list[Note]:
    """The features of a GeoJSON file as they stand; an empty list when there is no file.

    Raises
    ------
    InputError : the file is no collection of GeoJSON features
    """
    if not path.exists():
        return []
    try:
        features = json.loads(path.read_text(encoding="utf-8-sig"))["features"]
        return [{**note, "properties": dict(note.get("properties") or {})} for note in features]
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        what = f"is no GeoJSON file of notes ({type(error).__name__})"
        raise InputError([Finding("error", str(path), "", what, "Download the notes from the map again.")]) from error


def write_notes(path: Path, notes: Iterable[Note]) -> None:
    """Write notes as GeoJSON, whole or not at all."""
    collection = {"type": "FeatureCollection", "features": list(notes)}
    write_whole(path, json.dumps(collection, indent=1, ensure_ascii=False) + "\n")


def _complete(note: Note) -> dict[str, Any]:
    """A note with every property it needs; what was missing is filled in the same way every time."""
    given = dict(note.get("properties") or {})
    text = str(given.get("text") or "")
    filled = {**given, "text": plain(text, len(text)), "kind": str(given.get("kind") or "note")}
    filled["time"] = str(given.get("time") or "")
    times = given.get("replaces")
    filled["replaces"] = sorted({str(time) for time in times}) if isinstance(times, list) else []
    filled["deleted"] = bool(given.get("deleted"))
    whole = {"type": "Feature", "geometry": note.get("geometry"), "properties": filled}
    filled["id"] = str(given.get("id") or note_id(filled["text"], _place(whole)))
    return whole


def _as_drawn(notes: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The notes, those that are a point on the line or area drawn for the same note with that in its place."""
    drawn: dict[str, list[Mapping[str, Any]]] = {}
    for note in notes:
        if (note["geometry"] or {}).get("type") not in (None, "Point"):
            drawn.setdefault(note["properties"]["id"], []).append(note["geometry"])
    return [{**note, "geometry": _drawn(note, drawn.get(note["properties"]["id"], ()))} for note in notes]


def _drawn(note: Note, shapes: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """The first of some shapes, whichever order they come in, that a note is a point on; else its own."""
    if shapes and note["geometry"] and in_degrees(note):
        point = shapely.Point(_place(note)[:2])
        for text in sorted(json.dumps(shape, sort_keys=True) for shape in shapes):
            if shapely.distance(shapely.from_geojson(text, on_invalid="ignore"), point) <= ON_IT_DEG:
                return dict(json.loads(text))
    return note["geometry"]


def note_id(text: str, place: Sequence[float]) -> str:
    """A name for a note that has none, from what it says and where, in the coordinates of its file."""
    return hashlib.sha256(json.dumps([text, _rounded(place)]).encode()).hexdigest()[:16]


def _content(note: Note) -> str:
    """What a note says and where, as one string: a map's page gives back this, and nothing else that stood with it."""
    said = [note["properties"][key] for key in ("text", "kind", "deleted")]
    return json.dumps([*said, _rounded(_place(note))], ensure_ascii=False)


def _place(note: Note) -> Sequence[float]:
    """The coordinates of a note; none if it has no place."""
    return (note.get("geometry") or {}).get("coordinates") or ()


def _rounded(place: Sequence[Any]) -> Sequence[Any]:
    """A point to a centimetre, as a map's page keeps it, without its height; what is no point as it stands."""
    pair = place[:2]
    return [round(value, 7) + 0.0 for value in pair] if all(isinstance(value, int | float) for value in pair) else place


def _joined(one: dict[str, Any], other: dict[str, Any]) -> dict[str, Any]:
    """Two copies of one version of a note, with all that stood with either; the fuller where they differ."""
    properties = _fuller(one["properties"], other["properties"])
    properties["replaces"] = sorted({*one["properties"]["replaces"], *other["properties"]["replaces"]})
    return {**_fuller(one, other), "properties": properties}


def _fuller(one: Mapping[str, Any], other: Mapping[str, Any]) -> dict[str, Any]:
    """The members of both; the choice does not depend on which came first."""

    def size(value: Any) -> tuple[int, str]:
        text = json.dumps(value, sort_keys=True, ensure_ascii=False)
        return len(text), text

    return {key: max((pile[key] for pile in (one, other) if key in pile), key=size) for key in {**one, **other}}


def _with_history(note: dict[str, Any], replaced: set[tuple[str, str]]) -> dict[str, Any]:
    """The note with all replaced times of its id, so that a copy kept elsewhere stays replaced later on."""
    properties = note["properties"]
    times = {time for number, time in replaced if number == properties["id"]} - {properties["time"]}
    return {**note, "properties": {**properties, "replaces": sorted(times | set(properties["replaces"]))}}
