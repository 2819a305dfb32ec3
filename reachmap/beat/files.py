"""Which file of a beat folder plays which part."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from reachmap.beat.catalogue import ROLES
from reachmap.beat.messages import Report, stop
from reachmap.beat.settings import FILE, Settings
from reachmap.beat.source import Source, inside, look, shown_name

MAPS = (".geojson", ".json", ".gpkg", ".shp", ".zip", ".kml", ".kmz", ".gpx")
TABLES = (".csv", ".tsv", ".txt", ".xlsx")
ENDINGS = dict.fromkeys(ROLES, (*MAPS, *TABLES)) | {
    "soundings": (*MAPS, *TABLES, ".nmea", ".log"),
    "terrain": (".tif", ".tiff"),
    "horizon": TABLES,
}
"""Endings a part may have; what the file really is, its first bytes say."""

DATA = (".geojson", ".gpkg", ".shp", ".kml", ".kmz", ".gpx", ".csv", ".tsv", ".xlsx", ".tif", ".tiff")
"""Endings of files that are hardly there for anything but to be read; a letter or a photograph may lie beside them."""

MOST_NAMES = 5
"""Names told of files that play no part."""


@dataclass
class Parts:
    """The files found and looked at, role -> (source, what beat.toml says about it); roles with a file that can't be
    used stand in `failed`.
    """

    by_role: dict[str, list[tuple[Source, Mapping[str, Any]]]] = field(default_factory=dict)
    failed: set[str] = field(default_factory=set)

    def one(self, role: str) -> tuple[Source, Mapping[str, Any]] | None:
        """The file of a part that has one."""
        return next(iter(self.by_role.get(role, ())), None)

    def checksums(self) -> dict[str, str]:
        """File name -> sha256."""
        found = [source for sources in self.by_role.values() for source, _ in sources]
        return {name: sha256 for one in found for name, sha256 in ((one.name, one.sha256), *one.beside.items())}


def find_parts(folder: Path, settings: Settings, report: Report) -> Parts:
    """Find every part of the beat, by what beat.toml says or by name, and look at it."""
    parts = Parts()
    entries = sorted(path for path in folder.iterdir() if not path.name.startswith("."))
    for role in ROLES:
        before = report.errors
        with report.collecting():
            for path, table in _candidates(role, settings, entries, folder, report):
                with report.collecting():
                    parts.by_role.setdefault(role, []).append((look(path, folder, report), table))
        if report.errors > before:
            parts.failed.add(role)
    _say_unused(settings, entries, parts, report)
    return parts


def _candidates(
    role: str, settings: Settings, entries: Sequence[Path], folder: Path, report: Report
) -> list[tuple[Path, Mapping[str, Any]]]:
    """Paths of a part with what beat.toml says about each."""
    given = [table for table in settings.files.get(role, ()) if "path" in table]
    if given:
        return [(_given(table["path"], folder, role), table) for table in given]
    named = _named(role, entries, folder)
    if not named and (near := _near(role, entries)):
        report.say("file-near", near, role=role)
    return [(path, settings.file(role)) for path in named]


def _given(path: str, folder: Path, role: str) -> Path:
    where = f"[files.{role}] path"
    found = inside(path, folder, where)
    if found.is_dir():
        return _only_map(found, folder)
    try:
        there = found.is_file()
    except (OSError, ValueError):
        there = False
    if not there:
        names = [entry.name for entry in folder.iterdir()]
        near = difflib.get_close_matches(found.name, names, 1, 0.6)
        raise stop("missing-given", FILE, where, value=path, hint=f"Did you mean {near[0]!r}? " if near else "")
    return found


def _named(role: str, entries: Sequence[Path], folder: Path) -> list[Path]:
    """Files of a part by their names: exactly the part's name, for soundings also soundings-anything."""
    found = []
    for path in (entry for entry in entries if _fits(role, entry)):
        if path.is_dir():
            found.append(_only_map(path, folder))
        elif path.name.lower().endswith(ENDINGS[role]):
            found.append(path)
    if len(found) > 1 and role != "soundings":
        names = ", ".join(path.name for path in found)
        raise stop("several-files", FILE, f"[files.{role}]", role=role, names=names, first=found[0].name)
    return found


def _fits(role: str, path: Path) -> bool:
    """Whether a file or folder has the name of a part, whatever its ending."""
    stem = path.name.lower().split(".")[0]
    return stem == role or (role == "soundings" and stem.startswith(("soundings-", "soundings_", "soundings ")))


def _only_map(folder: Path, beat: Path) -> Path:
    """The one map file in a folder, for shapefiles kept with their parts."""
    maps = [path for path in sorted(folder.iterdir()) if path.name.lower().endswith((*MAPS, *TABLES))]
    if len(maps) != 1:
        raise stop("folder-of-files", shown_name(folder, beat), count=len(maps))
    return maps[0]


def _near(role: str, entries: Sequence[Path]) -> str:
    """Name of a file that looks like a misspelt part, so that it isn't passed over in silence; "" without one."""
    known = [path for path in entries if path.name.lower().endswith(ENDINGS[role])]
    stems = {path.name.lower().split(".")[0]: path.name for path in known}
    near = difflib.get_close_matches(role, [stem for stem in stems if stem not in ROLES], 1, 0.8)
    return stems[near[0]] if near else ""


def _say_unused(settings: Settings, entries: Sequence[Path], parts: Parts, report: Report) -> None:
    """Name the files of data that are no part of the beat, unless another message does."""
    paths = {role: [table["path"] for table in tables if "path" in table] for role, tables in settings.files.items()}
    given = [role for role in ROLES if paths.get(role)]
    named = {Path(path).name for role in given for path in paths[role]}
    used = {source.path for sources in parts.by_role.values() for source, _ in sources}
    missing = [role for role in ROLES if role not in parts.by_role]
    idle = [path for path in entries if path.is_file() and path.name not in named and path not in used]
    for role in (role for role in given if role not in parts.failed):
        left = [path.name for path in idle if _fits(role, path) and path.name.lower().endswith(ENDINGS[role])]
        if left:
            report.say("file-left-out", _few(left), role=role)
    unused = [
        path.name
        for path in idle
        if path.name.lower().endswith(DATA)
        and not any(_fits(role, path) for role in (*given, *parts.failed))
        and not any(_near(role, [path]) for role in missing)
    ]
    if unused:
        report.say("file-unused", _few(unused), roles=", ".join(ROLES))


def _few(names: Sequence[str]) -> str:
    """The first of some names, the others counted."""
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return ", ".join(names[:MOST_NAMES]) + more


def open_folder(folder: Path) -> None:
    """Check that a folder can be listed and is no map of ours; InputError says why not."""
    try:
        if not folder.exists():
            parent = folder.parent
            names = [path.name for path in parent.iterdir() if path.is_dir()] if parent.is_dir() else []
            near = difflib.get_close_matches(folder.name, names, 1, 0.6)
            raise stop("no-folder", str(folder), hint=f"Did you mean {near[0]!r}?" if near else "Check the path.")
        if not folder.is_dir():
            raise stop("folder-is-file", str(folder))
        held = {path.name for path in folder.iterdir()}
        if held >= {"map.html", "run.json"} and not any(name.startswith(("beat.", "outline.")) for name in held):
            raise stop("folder-is-map", str(folder))
    except (OSError, ValueError) as error:
        raise stop("unreadable", str(folder), why=getattr(error, "strerror", "") or str(error)) from error
