"""What the last run worked out, kept, so that another scene does not interpolate again or follow the sun anew.

Kept in the user's cache folder under a key made from the bytes of the input, what of the beat was made of them, the
settings and the version: any change makes another key, nothing is ever stale. Each entry is one file, written beside
and renamed, so an interrupted run leaves no half entry. Plain arrays and JSON only: reading an entry runs no code.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
import time
import zipfile
from collections.abc import Callable
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from reachmap.beat.model import Beat
from reachmap.beat.source import DAMAGED
from reachmap.channel.model import Channel, Grid
from reachmap.channel.sheet import TILE, Sheet
from reachmap.errors import Finding

KEEP_BYTES = 2_000_000_000
"""The oldest entries go when all together are larger than this (assumed)."""

STALE_S = 3600
"""An entry half written for longer than this was left by a killed run [s]."""

SPOILT = (*DAMAGED, OSError, KeyError)
"""What reading an entry raises that is not there, not whole or not as it was written."""

MEMO_FIELDS = ("report", "stage_m", "flow_m3_s", "depth_guessed", "speed_relative")


def cache_folder() -> Path | None:
    """Where entries are kept: $XDG_CACHE_HOME/reachmap or ~/.cache/reachmap; None where there is no home."""
    base = os.environ.get("XDG_CACHE_HOME")
    try:
        return (Path(base) if base else Path.home() / ".cache") / "reachmap"
    except RuntimeError:
        return None


def channel_of(
    beat: Beat,
    settings: dict[str, Any] | None = None,
    fresh: bool = False,
    progress: Callable[[str, float], None] | None = None,
) -> Channel:
    """The channel of a beat as `build_channel` makes it, kept from an earlier run where there was one.

    Parameters
    ----------
    beat : what was measured
    settings : cell_m, stage_m and flow_m3_s as for `build_channel`; None takes what it takes without
    fresh : build it even if one is kept
    progress : as for `build_channel`
    """
    asked = {"cell_m": None, "stage_m": 0.0, "flow_m3_s": None, **(settings or {})}

    def build() -> Channel:
        # Only now, as the solvers take long to load.
        from reachmap.channel.build import build_channel

        return build_channel(beat, **asked, progress=progress)

    return kept_channel(beat, asked, build, fresh)


def kept_channel(beat: Beat, settings: dict[str, Any], build: Callable[[], Channel], fresh: bool = False) -> Channel:
    """The channel of this input and these settings: the one kept, or built now and kept.

    Parameters
    ----------
    beat : what it is made from; a beat without checksums (made in memory) is never kept
    settings : everything `build` depends on besides the beat
    build : makes the channel
    fresh : build even if one is kept
    """
    path = _place(beat, settings)
    if path and not fresh:
        with contextlib.suppress(*SPOILT):
            return _channel(*_read(path), beat)
    channel = build()
    if path:
        _keep(path, *_parts(channel))
    return channel


def kept_arrays(
    beat: Beat, settings: dict[str, Any], build: Callable[[], dict[str, np.ndarray]], fresh: bool = False
) -> dict[str, np.ndarray]:
    """Arrays by name that depend on the beat and these settings: those kept, or built now and kept.

    Parameters
    ----------
    beat, settings, fresh : as for `kept_channel`
    build : makes the arrays
    """
    path = _place(beat, settings)
    if path and not fresh:
        with contextlib.suppress(*SPOILT):
            return _read(path)[1]
    arrays = build()
    if path:
        _keep(path, {}, arrays)
    return arrays


def _place(beat: Beat, settings: dict[str, Any]) -> Path | None:
    """The entry of this input and these settings; None where nothing can be kept."""
    folder = cache_folder()
    return folder / f"{_key(beat, settings)}.zip" if folder and beat.sources else None


def _keep(path: Path, memo: dict[str, Any], arrays: dict[str, np.ndarray]) -> None:
    # A full or read-only cache costs the next run some seconds, and this one nothing.
    with contextlib.suppress(OSError):
        _write(path, memo, arrays)
        _prune(path.parent)


def _key(beat: Beat, settings: dict[str, Any]) -> str:
    """One key for the same bytes, beat, settings, version and code."""
    what = [
        version("reachmap"),
        code_mark(),
        sorted(beat.sources.items()),
        _content(beat),
        sorted((k, repr(v)) for k, v in settings.items()),
    ]
    return hashlib.sha256(json.dumps(what).encode()).hexdigest()[:32]


def _content(beat: Beat) -> str:
    """A mark of what water and shade are made from: a copy changed in memory must not get the water of its files."""
    names = ("lat", "lon", "time_zone", "flow_m3_s", "slope", "d84_m", "head", "caps")
    mark = hashlib.sha256(repr([beat.crs.srs, *(getattr(beat, name) for name in names)]).encode())
    mark.update(shapely.to_wkb(beat.outline))
    for table in (beat.soundings, beat.cover, beat.shade):
        for name in table.columns:
            column = table[name].to_numpy()
            if name == table.geometry.name:
                told = b"".join(shapely.to_wkb(column))
            else:
                told = "\n".join(map(str, column)).encode() if column.dtype == object else column.tobytes()
            mark.update(name.encode() + told)
    for part in (beat.terrain, beat.skyline):
        for name, value in sorted(vars(part).items()) if part is not None else ():
            mark.update(name.encode() + np.asarray(value).tobytes())
    return mark.hexdigest()


def _parts(channel: Channel) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """A channel as plain values and arrays."""
    grid = channel.grid
    memo = {name: getattr(channel, name) for name in MEMO_FIELDS}
    memo |= {
        "grid": [grid.x0, grid.y1, grid.cell_m, *grid.shape],
        "findings": [vars(f) for f in channel.findings],
        "seams": {
            name: channel.seams[name].tolist() for name in channel.seams.columns if name != channel.seams.geometry.name
        },
        "lines": shapely.to_wkb(channel.seams.geometry.to_numpy(), hex=True).tolist(),
    }
    return memo, {"tiles": grid.sheet.number, "wet": np.packbits(grid.sheet.wet), **channel.layers}


@cache
def code_mark() -> str:
    """A mark of the package's own files, so that what other code worked out is never taken for this one's."""
    root = Path(__file__).parents[1]
    stamps = [(str(p.relative_to(root)), p.stat().st_size, p.stat().st_mtime_ns) for p in sorted(root.rglob("*.py"))]
    return hashlib.sha256(repr(stamps).encode()).hexdigest()


def _write(path: Path, memo: dict[str, Any], arrays: dict[str, np.ndarray]) -> None:
    """Write one entry, whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(dir=path.parent, suffix=".new")
    try:
        with os.fdopen(handle, "wb") as file, zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as entry:
            entry.writestr("memo.json", json.dumps({**memo, "arrays": list(arrays)}))
            for name, values in arrays.items():
                with entry.open(f"{name}.npy", "w", force_zip64=True) as member:
                    np.lib.format.write_array(member, np.asarray(values), allow_pickle=False)
        Path(beside).replace(path)
    finally:
        Path(beside).unlink(missing_ok=True)


def _read(path: Path) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """Read one entry; raises if it is not there or not whole."""
    with zipfile.ZipFile(path) as entry:
        memo = json.loads(entry.read("memo.json"))
        arrays = {}
        # Not those that are found, as a spoilt entry may have lost some.
        for name in memo["arrays"]:
            with entry.open(f"{name}.npy") as member:
                arrays[name] = np.lib.format.read_array(member, allow_pickle=False)
    os.utime(path)
    return memo, arrays


def _channel(memo: dict[str, Any], arrays: dict[str, np.ndarray], beat: Beat) -> Channel:
    """A channel from plain values and arrays."""
    x0, y1, cell_m, rows, columns = memo["grid"]
    number, wet = arrays.pop("tiles"), arrays.pop("wet")
    sheet = Sheet((rows, columns), number, np.unpackbits(wet).astype(bool).reshape(-1, TILE, TILE))
    seams = gpd.GeoDataFrame(memo["seams"], geometry=shapely.from_wkb(memo["lines"]), crs=beat.crs)
    findings = tuple(Finding(**f) for f in memo["findings"])
    kept = {name: memo[name] for name in MEMO_FIELDS}
    return Channel(beat, Grid(x0, y1, cell_m, sheet), arrays, seams, findings=findings, **kept)


def _prune(folder: Path) -> None:
    """Let the entries unused for longest go, and what killed runs left half written."""
    for path in folder.glob("*.new"):
        if time.time() - path.stat().st_mtime > STALE_S:
            path.unlink(missing_ok=True)
    entries = sorted(((p.stat().st_mtime, p.stat().st_size, p) for p in folder.glob("*.zip")), reverse=True)
    total = 0
    for _, size, path in entries:
        total += size
        if total > KEEP_BYTES:
            path.unlink(missing_ok=True)
