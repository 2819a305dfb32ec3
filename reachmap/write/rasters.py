"""layers.tif: every layer as a named band with its unit and meaning."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from rasterio.crs import CRS
from rasterio.windows import Window

from reachmap.channel.model import Channel, Grid
from reachmap.errors import OutputError
from reachmap.layers import LAYERS
from reachmap.trout.model import Comparison
from reachmap.whole import UnfinishedError
from reachmap.write.model import Result

CACHE_MB = 64
"""Memory for tiles not packed yet [MB]; by itself the library takes a twentieth of the machine's."""

DIFFERENCE = "difference of the hold score"
"""Name of the band of a difference, by which one is known."""

FILE_TILE = 128
"""Cells along the side of a tile of the file."""

RIVER_CELLS = 4_000_000
"""With more wet cells than this packing is most of the writing, and is done by a quicker way that fewer programs read;
assumed."""

PACKED = {"compress": "deflate", "zlevel": 1, "predictor": 3}
"""What every reader of GeoTIFF knows."""

RIVER_PACKED = {"compress": "zstd", "zstd_level": 1, "predictor": 2}
"""Quicker, for some more bytes. GDAL built with Zstandard reads it, as QGIS and R bring it along (from memory)."""


def write_layers(result: Result, path: Path) -> None:
    """All layers of the run; those of a scene are named "<layer>, <scene>".

    Raises
    ------
    OutputError : another program's PROJ_DATA or PROJ_LIB hides the coordinate database
    OSError : the file can't be written, or not all of it
    """
    bands = list(_bands(result))
    grid = result.channel.grid
    with (
        rasterio.Env(GDAL_CACHEMAX=CACHE_MB),
        rasterio.open(path, "w", **_profile(result.channel, len(bands), path)) as raster,
    ):
        strips = list(_strips(grid))
        for number, (name, label, layers, of_scene) in enumerate(bands, 1):
            values = layers[name]
            for strip in strips:
                raster.write(strip.laid(values), number, window=strip.window)
            raster.set_band_description(number, label)
            raster.set_band_unit(number, LAYERS[name].unit)
            raster.update_tags(number, meaning=LAYERS[name].meaning, **of_scene)
    _check_whole(path)


def write_difference(channel: Channel, told: Comparison, path: Path) -> None:
    """The score after minus the score before as one band.

    Raises
    ------
    OutputError : the file can't be written, or something else stands there
    """
    if path.exists() and not _is_difference(path):
        raise OutputError(f"{path} is no difference of two maps, so it is left as it was. Choose another place.")
    beside = path.with_name(f".{path.name}.new.tif")
    try:
        with rasterio.open(beside, "w", **_profile(channel, 1, path)) as raster:
            for strip in _strips(channel.grid):
                raster.write(strip.laid(told.difference), 1, window=strip.window)
            raster.set_band_description(1, DIFFERENCE)
            raster.update_tags(1, meaning=f"{told.after} less {told.before}")
        _check_whole(beside)
        beside.replace(path)
    except (OSError, rasterio.errors.RasterioError) as error:
        why = getattr(error, "strerror", None) or "no such folder, or it is not yours to write to"
        raise OutputError(f"{path}: can't be written ({why}). Choose another place.") from error
    finally:
        beside.unlink(missing_ok=True)


def _check_whole(path: Path) -> None:
    """Open a file that was just written: its directory, written last, is missing where the disk filled up.

    The library says nothing of that when it closes the file.
    """
    try:
        with rasterio.open(path):
            pass
    except rasterio.errors.RasterioIOError as error:
        raise UnfinishedError from error


def _is_difference(path: Path) -> bool:
    try:
        with rasterio.open(path) as raster:
            return bool(raster.descriptions[0] == DIFFERENCE)
    except rasterio.errors.RasterioError:
        return False


def _profile(channel: Channel, count: int, path: Path) -> dict[str, Any]:
    """How a GeoTIFF of wet vectors is laid out."""
    grid = channel.grid
    try:
        crs = CRS.from_wkt(channel.beat.crs.to_wkt(version="WKT2_2019"))
    except rasterio.errors.CRSError as error:
        raise OutputError(
            f"{path.name}: the coordinate system can't be written ({error}). "
            "If PROJ_DATA or PROJ_LIB is set by another program, unset it and run again."
        ) from error
    return {
        "driver": "GTiff",
        "dtype": "float32",
        "count": count,
        "height": grid.shape[0],
        "width": grid.shape[1],
        "crs": crs,
        "transform": grid.transform,
        "nodata": float("nan"),
        # Level 1 packs nearly as small as the best in much less time. Tiles without water are left out; larger ones
        # would hold more land, which takes its time too.
        **(RIVER_PACKED if grid.n_wet > RIVER_CELLS else PACKED),
        "bigtiff": "if_safer",
        "num_threads": "all_cpus",
        "sparse_ok": True,
        "tiled": True,
        "blockxsize": FILE_TILE,
        "blockysize": FILE_TILE,
        "interleave": "band",
    }


@dataclass(frozen=True)
class _Strip:
    """Rows of tiles of the file, as far as there is water in them.

    Parameters
    ----------
    window : first column, first row, width and height in the file [cells]
    cells : wet cells in it, consecutive
    place : position of each in the strip, row by row
    laid_out : (rows, columns) float32, NaN where dry
    """

    window: Window
    cells: slice
    place: np.ndarray
    laid_out: np.ndarray

    def laid(self, values: np.ndarray) -> np.ndarray:
        """A wet vector laid out in the strip, NaN where dry; the next one is laid out in the same place."""
        self.laid_out.reshape(-1)[self.place] = values[self.cells]
        return self.laid_out


def _strips(grid: Grid) -> Iterator[_Strip]:
    """The file in strips of whole tiles that hold all wet cells."""
    rows, cols = grid.cells
    ends = np.searchsorted(rows, np.arange(0, grid.shape[0] + FILE_TILE, FILE_TILE))
    for top, cells in zip(range(0, grid.shape[0], FILE_TILE), map(slice, ends[:-1], ends[1:]), strict=True):
        if cells.start == cells.stop:
            continue
        left = int(cols[cells].min()) // FILE_TILE * FILE_TILE
        right = min((int(cols[cells].max()) // FILE_TILE + 1) * FILE_TILE, grid.shape[1])
        width, height = right - left, min(FILE_TILE, grid.shape[0] - top)
        place = (rows[cells] - top) * width + (cols[cells] - left)
        yield _Strip(Window(left, top, width, height), cells, place, np.full((height, width), np.nan, np.float32))


def _bands(result: Result) -> Iterator[tuple[str, str, Mapping[str, np.ndarray], dict[str, str]]]:
    """Layer name, band label, the layers it is one of, and its scene's hour and cloud; plain layers first.

    In the order of the register.
    """
    yield from _named("", {}, {"lie": result.lies.label}, result.channel.layers, result.visit.layers)
    for scene, outlook in result.outlooks.items():
        rooms = (outlook.light, outlook.sight, outlook.holding)
        told = {"when": outlook.scene.when.isoformat(), "cloud_oktas": str(outlook.scene.cloud)}
        yield from _named(f", {scene}", told, *(room.layers for room in rooms))


def _named(
    ending: str, told: dict[str, str], *rooms: Mapping[str, np.ndarray]
) -> Iterator[tuple[str, str, Mapping[str, np.ndarray], dict[str, str]]]:
    for name in LAYERS:
        # A room may keep beside its own a layer of an earlier one, as the score does the light it was found in.
        holders = [layers for layers in rooms if name in layers]
        if holders:
            yield name, name + ending, holders[0], told
