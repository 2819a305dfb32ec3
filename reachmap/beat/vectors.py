"""Map files and workbooks through the bundled reader, pinned to the formats we know and to a scratch copy."""

from __future__ import annotations

import shutil
import tempfile
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from reachmap.beat.geojson import read_geojson
from reachmap.beat.messages import Report, stop
from reachmap.beat.source import KIND_WORDS, Source, gpkg_log, look, shp_parts, unpack
from reachmap.beat.tables import Table, read_table

DRIVERS = {
    "gpkg": ("GPKG",),
    "shp": ("ESRI Shapefile",),
    "kml": ("LIBKML", "KML"),
    "gpx": ("GPX",),
    "xlsx": ("XLSX",),
}
"""The only formats opened, and what the reader must call them."""

MOST_FEATURES = 3_000_000
GPX_LAYERS = {
    "area": ("tracks", "routes"),
    "points": ("waypoints", "track_points", "route_points"),
    "any": ("waypoints", "tracks", "routes"),
}


def read_any(source: Source, role: str, want: str, settings: Mapping[str, Any], report: Report) -> Table:
    """Read a file of any known kind as a table, with geometry where it has some.

    Parameters
    ----------
    source : the file, looked at
    role : "outline", "soundings", ...: the layer taken first if there are several
    want : "area", "points" or "any": what a GPX file is searched for
    settings : what beat.toml says about the file
    """
    if source.kind == "table":
        return read_table(source, settings, report)
    said = {"settings": settings, "decimal": settings.get("decimal", ".")}
    if source.kind == "json":
        return replace(read_geojson(source), **said)
    with tempfile.TemporaryDirectory(prefix="reachmap-") as scratch:
        if source.kind in ("zip", "kmz"):
            return _read_zip(source, role, want, settings, report, Path(scratch))
        path = _scratch_copy(source, Path(scratch))
        return replace(_read(path, source, role, want, settings, report), **said)


def _scratch_copy(source: Source, scratch: Path) -> Path:
    """A copy under a plain name: nothing is ever written beside the user's file, and odd names can't matter."""
    target = scratch / f"source.{source.kind}"
    try:
        if source.kind != "shp":
            # The log first: what the other program takes out of it meanwhile is then in the file.
            for log in gpkg_log(source.path, source.kind):
                shutil.copyfile(log, target.with_name(f"{target.name}-wal"))
            shutil.copyfile(source.path, target)
            return target
        parts = shp_parts(source.path)
        missing = [ending for ending in (".shx", ".dbf") if ending not in parts]
        if missing:
            raise stop("shp-parts", source.name, missing=" and ".join(missing))
        for ending, part in parts.items():
            shutil.copyfile(part, target.with_suffix(ending))
    except OSError as error:
        raise stop("unreadable", source.name, why=error.strerror or "") from error
    return target


def _read_zip(
    source: Source, role: str, want: str, settings: Mapping[str, Any], report: Report, scratch: Path
) -> Table:
    """The one map file in an archive."""
    endings = (".shp", ".gpkg", ".geojson", ".json", ".kml", ".gpx", ".csv")
    paths = [path for path in unpack(source, scratch) if path.suffix.lower() in endings]
    named = [path for path in paths if path.stem.lower().startswith(role)]
    chosen = named if len(named) == 1 else paths
    if len(chosen) != 1:
        names = ", ".join(sorted(path.name for path in chosen)[:6])
        raise stop("zip-several" if chosen else "zip-empty", source.name, names=names, role=role)
    inner = replace(look(chosen[0], scratch, report), name=source.name)
    if inner.kind in ("zip", "kmz", "xlsx"):
        raise stop("zip-nested", source.name, entry=chosen[0].name)
    table = read_any(inner, role, want, settings, report)
    return replace(table, rows=iter(list(table.rows)))


def _read(path: Path, source: Source, role: str, want: str, settings: Mapping[str, Any], report: Report) -> Table:
    try:
        with warnings.catch_warnings(record=True):
            warnings.simplefilter("always")
            pyogrio.set_gdal_config_options({"OGR_XLSX_HEADERS": "FORCE"})
            layers = _layers(path, source, role, want, settings, report)
            parts = [_layer(path, layer, source) for layer in layers]
    except (RuntimeError, ValueError, OSError, UnicodeError, MemoryError) as error:
        if isinstance(error, shapely.errors.ShapelyError):
            raise stop("geometry", source.name, why=str(error)) from error
        raise stop("damaged", source.name, kind=KIND_WORDS[source.kind], why=_short(error)) from error
    return _joined(parts, source)


def _short(error: BaseException) -> str:
    """What the reader said, without our scratch path."""
    text = str(error)
    for word in text.split():
        if "reachmap-" in word:
            text = text.replace(word, "the file")
    return text


def _layers(path: Path, source: Source, role: str, want: str, settings: Mapping[str, Any], report: Report) -> list[str]:
    """Names of the layers to read."""
    names = [str(row[0]) for row in pyogrio.list_layers(path)]
    if not names:
        raise stop("no-features", source.name)
    if given := settings.get("layer"):
        if given not in names:
            raise stop("layer-absent", source.name, layer=given, names=", ".join(names))
        return [given]
    if source.kind == "kml":
        return names
    filled = [name for name in names if _info(path, name, source)["features"]]
    if source.kind == "gpx":
        return [name for name in GPX_LAYERS[want] if name in filled][:1] or ["waypoints"]
    named = [name for name in names if name.lower() == role]
    chosen = named or filled[:1] or names[:1]
    if len(filled) > 1 and not named:
        report.say("layer-taken", source.name, layer=chosen[0], names=", ".join(filled))
    return chosen


def _info(path: Path, layer: str, source: Source) -> Mapping[str, Any]:
    info = pyogrio.read_info(path, layer=layer, force_feature_count=True)
    if info["driver"] not in DRIVERS[source.kind]:
        raise stop("not-what-it-says", source.name, ending=path.suffix, really=info["driver"])
    if info["features"] > MOST_FEATURES:
        raise stop("many-rows", source.name, limit=f"{MOST_FEATURES:,}")
    return info


def _layer(path: Path, layer: str, source: Source) -> tuple[list[str], list[np.ndarray], np.ndarray, np.ndarray, Any]:
    """Column names, columns, geometries, row numbers and CRS of one layer."""
    _info(path, layer, source)
    meta, fids, wkb, columns = pyogrio.raw.read(path, layer=layer, return_fids=True, datetime_as_string=True)
    size = len(fids)
    geometry = np.full(size, None, object) if wkb is None else shapely.from_wkb(wkb, on_invalid="ignore")
    return [str(name) for name in meta["fields"]], list(columns), shapely.force_2d(geometry), fids, meta["crs"]


def _joined(parts: Sequence[tuple[list[str], list[np.ndarray], np.ndarray, np.ndarray, Any]], source: Source) -> Table:
    header = list(dict.fromkeys(name for names, *_ in parts for name in names))
    if source.kind == "xlsx":
        names, columns, _, fids, _ = parts[0]
        rows: Iterator[tuple[int, Sequence[Any]]] = zip(
            (int(fid) for fid in fids), zip(*(_plain(c) for c in columns), strict=True), strict=False
        )
        return Table(source.name, tuple(names), rows)
    geometry = np.concatenate([part[2] for part in parts])
    cells: list[tuple[Any, ...]] = []
    for names, columns, shapes, *_ in parts:
        by_name = dict(zip(names, (_plain(c) for c in columns), strict=True))
        empty = [None] * len(shapes)
        whole = [by_name.get(name, empty) for name in header]
        cells += list(zip(*whole, strict=True)) if whole else [()] * len(shapes)
    return Table(source.name, tuple(header), iter(list(zip(count(1), cells))), "feature", geometry, _crs(parts, source))


def _plain(column: np.ndarray) -> list[Any]:
    """A column as Python values; not-a-time and masked values become None."""
    return [None if value is None or str(value) == "NaT" else value for value in column.tolist()]


def _crs(parts: Sequence[tuple[Any, ...]], source: Source) -> CRS | None:
    text = next((part[4] for part in parts if part[4]), None)
    if not text:
        return None
    try:
        return CRS.from_user_input(text)
    except CRSError as error:
        raise stop("crs-unknown", source.name, value=str(text)) from error
