"""The surface model around the water, brought onto the beat's metres."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
import rasterio
import shapely
from pyproj import CRS
from rasterio._err import CPLE_BaseError  # what GDAL itself says; some of it comes through as it is
from rasterio.enums import Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.features import geometry_mask
from rasterio.transform import from_origin
from rasterio.vrt import WarpedVRT
from rasterio.warp import transform_bounds

from reachmap.beat.columns import LENGTH, tidy
from reachmap.beat.messages import Report, stop
from reachmap.beat.model import Terrain
from reachmap.beat.place import crs_of
from reachmap.beat.source import Source
from reachmap.constants import FOOT_M

UNITS_M = (
    LENGTH
    | dict.fromkeys(("us_survey_foot", "us_survey_feet", "foot_us", "us_foot", "us_ft", "ftus"), 1200 / 3937)
    | dict.fromkeys(("international_foot", "international_feet"), FOOT_M)
)
"""Units of heights [m]; either foot is exact by definition."""

AROUND_M = 3000.0
"""How far beyond the outline the surface is kept [m]: a ridge 500 m high hides a sun 10 degrees up at this distance."""

MOST_CELLS = 4_000_000
MOST_CLAIMED = 4_000_000_000
FINEST_M = 0.25
HIGHEST_M = 12_000.0
OFF_WATER_M = 12.0
"""Lowest heights about the outline farther from zero than this aren't heights above its water [m], assumed."""

HIGH_M, HIGH_CELLS = 3.0, 1 / 3
"""Nor are they if nothing lies lower than this [m] and this share of a cell, which has the banks in it; a river of the
plain runs as high above the sea. Assumed."""

TALLEST_M = 50.0
"""Whose water's level is known may have a wood over all of it with crowns as high as this [m], assumed."""


def read_terrain(
    source: Source, settings: Mapping[str, Any], crs: CRS, water: shapely.MultiPolygon, report: Report
) -> Terrain | None:
    """Read the part of a GeoTIFF around the outline as heights above the water.

    Parameters
    ----------
    water : the outline in `crs` [m]

    Raises
    ------
    InputError : damaged, without a location, of a size nobody can mean, or not where the outline is
    """
    if source.kind != "tiff":
        raise stop("not-a-tiff", source.name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(source.path, driver="GTiff") as raster:
                _check(raster, source, settings)
                return _window(raster, source, settings, crs, water, report)
    except (RasterioError, CPLE_BaseError, ValueError, OSError, MemoryError) as error:
        if "proj" in str(error).lower() and "proj.db" in str(error):
            raise stop("proj-foreign", source.name) from error
        raise stop("damaged", source.name, kind="GeoTIFF", why=str(error) or type(error).__name__) from error


def _check(raster: Any, source: Source, settings: Mapping[str, Any]) -> None:
    if raster.width * raster.height * raster.count > MOST_CLAIMED:
        raise stop("tiff-large", source.name, width=raster.width, height=raster.height)
    # A system of somebody's own building site says no more about the place than none.
    placed = raster.crs is not None and (raster.crs.is_projected or raster.crs.is_geographic)
    if not placed and not settings.get("crs"):
        raise stop("tiff-no-place", source.name)
    if raster.count != 1:
        raise stop("tiff-bands", source.name, count=raster.count)


def _window(
    raster: Any, source: Source, settings: Mapping[str, Any], crs: CRS, water: shapely.MultiPolygon, report: Report
) -> Terrain | None:
    bounds = water.bounds
    target = rasterio.crs.CRS.from_wkt(crs.to_wkt())
    given = raster.crs
    if settings.get("crs"):
        given = rasterio.crs.CRS.from_wkt(crs_of(settings["crs"], "beat.toml", f"crs of {source.name}").to_wkt())
    west, south, east, north = transform_bounds(given, target, *raster.bounds)
    if not all(map(math.isfinite, (west, south, east, north))):
        raise stop("tiff-elsewhere", source.name)
    box = (
        max(west, bounds[0] - AROUND_M), max(south, bounds[1] - AROUND_M),
        min(east, bounds[2] + AROUND_M), min(north, bounds[3] + AROUND_M),
    )  # fmt: skip
    if (
        box[0] >= min(box[2], bounds[2])
        or box[1] >= min(box[3], bounds[3])
        or box[2] <= bounds[0]
        or box[3] <= bounds[1]
    ):
        raise stop("tiff-elsewhere", source.name)
    width, height = box[2] - box[0], box[3] - box[1]
    own = math.sqrt((east - west) * (north - south) / (raster.width * raster.height))
    cell = max(own, FINEST_M, math.sqrt(width * height / MOST_CELLS))
    if cell > 1.01 * own:
        report.say("tiff-coarser", source.name, own=f"{own:.2g}", cell=f"{cell:.2g}")
    columns, rows = max(1, round(width / cell)), max(1, round(height / cell))
    options = {"src_crs": given} if settings.get("crs") else {}
    with WarpedVRT(
        raster, crs=target, transform=from_origin(box[0], box[3], cell, cell), width=columns, height=rows,
        resampling=Resampling.bilinear, nodata=math.nan, dtype="float32", **options,
    ) as warped:  # fmt: skip
        heights = warped.read(1)
    heights = (heights * raster.scales[0] + raster.offsets[0]) * _unit_m(raster, source, settings, report)
    heights = np.where(np.abs(heights) > HIGHEST_M, np.nan, heights - settings.get("water_level_m", 0.0))
    terrain = Terrain(heights.astype(np.float32), box[0], box[3], cell)
    _check_heights(terrain, water, source, settings, report)
    return terrain


def _unit_m(raster: Any, source: Source, settings: Mapping[str, Any], report: Report) -> float:
    """Unit of the heights [m], as beat.toml says, else as the band itself does."""
    given = settings.get("length_unit") or raster.units[0] or "m"
    if tidy(given) not in UNITS_M:
        report.say("tiff-unit", source.name, unit=given)
    return UNITS_M.get(tidy(given), 1.0)


def _check_heights(
    terrain: Terrain, water: shapely.MultiPolygon, source: Source, settings: Mapping[str, Any], report: Report
) -> None:
    """Heights must be above the water: on it, or where trees hide it about it, the lowest of them are near zero."""
    known = np.isfinite(terrain.height_m)
    if not known.any():
        raise stop("tiff-empty", source.name)
    margin = max(terrain.cell_m, 5.0)
    x = terrain.x0 + (np.arange(known.shape[1]) + 0.5) * terrain.cell_m
    y = terrain.y1 - (np.arange(known.shape[0]) + 0.5) * terrain.cell_m
    west, south, east, north = water.bounds
    columns = (x > west - margin) & (x < east + margin)
    rows = (y > south - margin) & (y < north + margin)
    around = np.ix_(rows, columns)
    corner = from_origin(terrain.x0, terrain.y1, terrain.cell_m, terrain.cell_m)
    wet = geometry_mask([water], known.shape, corner, invert=True)[around]
    near, there = terrain.height_m[around], known[around]
    lowest = [float(np.percentile(near[at], 5)) for at in (there, there & wet) if at.any()]
    if lowest:
        _check_lowest(min(lowest), terrain.cell_m, source, settings, report)
    if not known.all():
        report.say("tiff-gaps", source.name, share=f"{1 - known.mean():.0%}")


def _check_lowest(low_m: float, cell_m: float, source: Source, settings: Mapping[str, Any], report: Report) -> None:
    """The lowest heights about the outline are near zero, or as high as trees over water of a known level."""
    if "water_level_m" not in settings:
        if not -OFF_WATER_M <= low_m <= min(OFF_WATER_M, HIGH_M + HIGH_CELLS * cell_m):
            raise stop("tiff-absolute", source.name, low=f"{low_m:.1f}")
    elif not -OFF_WATER_M <= low_m <= TALLEST_M:
        raise stop("tiff-level", source.name, low=f"{low_m:.1f}", level=f"{settings['water_level_m']:g}")
    elif low_m > OFF_WATER_M:
        report.say("tiff-wooded", source.name, low=f"{low_m:.1f}", level=f"{settings['water_level_m']:g}")
