"""Notes from several devices put together without losing a word.

A note is a GeoJSON feature with the properties id, text, kind, time (ISO 8601, of its last edit), replaces (the earlier
times of the same note) and deleted (true for a note its writer took back). Merging is a union: it does not matter
in which order, how often or how grouped the files come. A version is dropped only when another version of the same
note says that it replaces it; two edits made apart are both kept.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from reachmap.errors import Finding, InputError

Note = Mapping[str, Any]

KINDS = ("note", "catch", "follow", "refusal", "sighting", "blank")


def merge_notes(*piles: Iterable[Note]) -> list[dict[str, Any]]:
    """Put piles of notes together.

    Parameters
    ----------
    piles : GeoJSON features (Point); a note without an id gets one made from its content

    Returns
    -------
    The notes that nothing replaces, tombstones among them, sorted by id and time.
    """
    versions: dict[tuple[str, str, str], dict[str, Any]] = {}
    replaced: set[tuple[str, str]] = set()
    for note in (_complete(note) for pile in piles for note in pile):
        properties = note["properties"]
        key = (properties["id"], properties["time"], _content(note))
        before = versions.get(key)
        if before:
            old, new = before["properties"]["replaces"], properties["replaces"]
            note["properties"] = {**properties, "replaces": sorted({*old, *new})}
        versions[key] = note
        replaced |= {(properties["id"], time) for time in properties["replaces"] if time != properties["time"]}
    heads = {key[0] for key in versions if key[:2] not in replaced}
    # A damaged file may say that two versions replace each other; then neither goes.
    kept = [versions[key] for key in sorted(versions) if key[:2] not in replaced or key[0] not in heads]
    return [_with_history(note, replaced) for note in kept]


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
    beside = path.with_name(f".{path.name}.new")
    beside.write_text(json.dumps(collection, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    beside.replace(path)


def _complete(note: Note) -> dict[str, Any]:
    """A note with every property it needs; what was missing is filled in the same way every time."""
    given = dict(note.get("properties") or {})
    filled = {**given, "text": str(given.get("text") or ""), "kind": str(given.get("kind") or "note")}
    filled["time"] = str(given.get("time") or "")
    filled["replaces"] = sorted({str(time) for time in given.get("replaces") or []})
    filled["deleted"] = bool(given.get("deleted"))
    whole = {"type": "Feature", "geometry": note.get("geometry"), "properties": filled}
    filled["id"] = str(given.get("id") or hashlib.sha256(_content(whole).encode()).hexdigest()[:16])
    return whole


def _content(note: Note) -> str:
    """What a note says and where, as one string; its history left out."""
    properties = {k: v for k, v in note["properties"].items() if k not in ("id", "replaces")}
    return json.dumps([note["geometry"], properties], sort_keys=True, ensure_ascii=False)


def _with_history(note: dict[str, Any], replaced: set[tuple[str, str]]) -> dict[str, Any]:
    """The note with all replaced times of its id, so that a copy kept elsewhere stays replaced later on."""
    properties = note["properties"]
    times = {time for number, time in replaced if number == properties["id"]} - {properties["time"]}
    return {**note, "properties": {**properties, "replaces": sorted(times | set(properties["replaces"]))}}
