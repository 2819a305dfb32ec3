"""A copy of a beat for somebody else, as private as asked."""

from __future__ import annotations

import csv
import io
import json
import shutil
import tempfile
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from pyproj import CRS, Transformer

from reachmap.beat.model import Beat, Scene
from reachmap.constants import METRES_A_DEGREE
from reachmap.errors import OutputError, SettingError

if TYPE_CHECKING:
    import geopandas as gpd

PARTS = ("notes", "log")
"""Parts that may be left out."""


def share_beat(
    beat: Beat,
    out: Path,
    *,
    without: Collection[str] = (),
    round_m: float | None = None,
    name: str | None = None,
) -> list[Path]:
    """Write a copy of a beat that gives away no more than asked.

    Parameters
    ----------
    beat : what to share
    out : a folder that is not there yet
    without : "notes" leaves out notes and every remark in the other files, "log" the log
    round_m : the whole beat is moved so that its middle lies on a lattice of this spacing [m]; its shape,
        which the light and the water need, stays true, so somebody who knows the river may still recognise it
    name : another name for the beat

    Raises
    ------
    SettingError : a part is unknown or the spacing is no length
    OutputError : `out` exists or can't be written
    """
    unknown = [part for part in without if part not in PARTS]
    if unknown:
        raise SettingError(f"--without {unknown[0]}: there is no such part; there are: {', '.join(PARTS)}")
    if round_m is not None and not round_m > 0:
        raise SettingError(f"--round {round_m:g}: the spacing must be above 0 m")
    if out.exists():
        raise OutputError(f"{out} is already there. Choose another place, or remove it yourself.")
    lat, lon = _moved(beat, round_m)
    remarks = "notes" not in without
    files: dict[str, str | bytes] = {
        "beat.toml": _settings(beat, name or beat.name),
        "outline.geojson": _outline(beat, lat, lon),
        "soundings.csv": _soundings(beat, lat, lon, remarks),
    }
    for part in ("cover", "shade"):
        table = getattr(beat, part)
        if not table.empty:
            files[f"{part}.geojson"] = _features(table, lat, lon, remarks)
    if beat.terrain is not None:
        files["terrain.tif"] = _terrain(beat, lat, lon)
    if beat.skyline is not None:
        pairs = zip(beat.skyline.azimuth_deg, beat.skyline.elevation_deg, strict=True)
        files["horizon.csv"] = "azimuth_deg,elevation_deg\n" + "".join(f"{a:g},{e:g}\n" for a, e in pairs)
    for part in PARTS:
        table = getattr(beat, part)
        if part not in without and not table.empty:
            files[f"{part}.geojson"] = _features(table, lat, lon, remarks)
    return _write(out, files)


def _moved(beat: Beat, round_m: float | None) -> tuple[float, float]:
    """Latitude and longitude of the middle, on the lattice if one is asked for."""
    if round_m is None:
        return beat.lat, beat.lon
    step = round_m / METRES_A_DEGREE
    lat = round(beat.lat / step) * step
    across = step / max(np.cos(np.radians(lat)), 0.01)
    return lat, round(beat.lon / across) * across


def _to_degrees(lat: float, lon: float) -> Transformer:
    """From the beat's metres, laid around the given middle, to longitude and latitude."""
    local = CRS.from_proj4(f"+proj=tmerc +lat_0={lat} +lon_0={lon} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m")
    return Transformer.from_crs(local, "EPSG:4326", always_xy=True)


def _placed(table: gpd.GeoDataFrame, lat: float, lon: float) -> Any:
    """Geometries in degrees around the given middle, 7 decimals (about 1 cm)."""
    import shapely

    to_degrees = _to_degrees(lat, lon)
    moved = shapely.transform(
        table.geometry.to_numpy(), lambda xy: np.column_stack(to_degrees.transform(xy[:, 0], xy[:, 1]))
    )
    return shapely.set_precision(moved, 1e-7, mode="pointwise")


def _features(table: gpd.GeoDataFrame, lat: float, lon: float, remarks: bool) -> str:
    """A table as GeoJSON; without remarks the free text goes."""
    import shapely

    kept = [c for c in table.columns if c != table.geometry.name and (remarks or c not in ("note", "text"))]
    features = [
        {
            "type": "Feature",
            "properties": {c: _plain(table[c].iloc[i]) for c in kept},
            "geometry": json.loads(shapely.to_geojson(shape)),
        }
        for i, shape in enumerate(_placed(table, lat, lon))
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False) + "\n"


def _outline(beat: Beat, lat: float, lon: float) -> str:
    """The outline and the end lines."""
    import geopandas as gpd
    import shapely

    shapes: list[Any] = [beat.outline]
    roles: list[str | None] = [None]
    for role, cap in zip(("head end", "tail end"), beat.caps or (), strict=False):
        shapes.append(shapely.LineString([cap[:2], cap[2:]]))
        roles.append(role)
    return _features(gpd.GeoDataFrame({"role": roles}, geometry=shapes), lat, lon, True)


def _soundings(beat: Beat, lat: float, lon: float, remarks: bool) -> str:
    """Soundings as a table, in metres and m/s."""
    import shapely

    text = io.StringIO()
    toward = ["toward_deg"] if beat.soundings["toward_deg"].notna().any() else []
    columns = ["depth_m", "speed_m_s", "speed_how", *toward, "line", *(["note"] if remarks else [])]
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["lon", "lat", *(f"flow_{c}" if c in toward else c for c in columns)])
    places = shapely.get_coordinates(_placed(beat.soundings, lat, lon))
    for (x, y), row in zip(places, beat.soundings[columns].itertuples(index=False), strict=True):
        writer.writerow([f"{x:.7f}", f"{y:.7f}", *("" if v is None or v != v else v for v in row)])
    return text.getvalue()


def _terrain(beat: Beat, lat: float, lon: float) -> bytes:
    """The surface model around the given middle."""
    import rasterio
    from rasterio.io import MemoryFile
    from rasterio.transform import from_origin

    terrain = beat.terrain
    assert terrain is not None  # the caller asks only where there is one
    crs = rasterio.crs.CRS.from_string(
        f"+proj=tmerc +lat_0={lat} +lon_0={lon} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m"
    )
    rows, columns = terrain.height_m.shape
    with MemoryFile() as memory:
        with memory.open(
            driver="GTiff",
            width=columns,
            height=rows,
            count=1,
            dtype="float32",
            crs=crs,
            transform=from_origin(terrain.x0, terrain.y1, terrain.cell_m, terrain.cell_m),
            nodata=float("nan"),
            compress="deflate",
        ) as raster:
            raster.write(terrain.height_m.astype("float32"), 1)
        return memory.read()


def _settings(beat: Beat, name: str) -> str:
    """beat.toml with what the map needs and nothing else."""
    lines = [f"name = {json.dumps(name)}", f"time_zone = {json.dumps(beat.time_zone)}", "", "[survey]"]
    lines += [f"date = {beat.survey_date}"] if beat.survey_date else []
    for key, value in (("flow_m3_s", beat.flow_m3_s), ("slope", beat.slope), ("d84_m", beat.d84_m)):
        lines += [f"{key} = {float(value)}"] if value is not None else []
    lines += ["", "[water]", *_water(beat.water)]
    lines += ["", "[fish]", f'species = "{beat.fish.species}"', f"length_m = {beat.fish.length_m}"]
    for scene in beat.scenes:
        lines += ["", *_scene(scene)]
    return "\n".join(lines) + "\n"


def _water(water: Any) -> list[str]:
    """Clarity, colour, temperature as settings."""
    lines = [f"clarity_m = {water.clarity_m}", f'clarity_how = "{water.how}"', f'colour = "{water.colour}"']
    lines += [f"temperature_c = {water.temperature_c}"] if water.temperature_c is not None else []
    return [*lines, "bed_visible = true"] if water.bed_visible else lines


def _scene(scene: Scene) -> list[str]:
    """One scene as settings."""
    lines = ["[[scenes]]", f"name = {json.dumps(scene.name)}", f"when = {scene.when.isoformat()}"]
    lines += [f"cloud = {scene.cloud}", f"clarity_m = {scene.water.clarity_m}", f'colour = "{scene.water.colour}"']
    lines += [f"town_glow_lux = {scene.town_glow_lux}"] if scene.town_glow_lux else []
    return [*lines, f"leaf_on = {str(scene.leaf_on).lower()}"] if scene.leaf_on is not None else lines


def _plain(value: Any) -> Any:
    """A value as JSON takes it; not-a-number and times included."""
    if value is None or value != value:
        return None
    if isinstance(value, str | bool | int | float | list):
        return value
    return value.isoformat() if hasattr(value, "isoformat") else value.item() if hasattr(value, "item") else str(value)


def _write(out: Path, files: dict[str, str | bytes]) -> list[Path]:
    """Write all files into a new folder, whole or not at all."""
    beside = None
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        # A name of its own each time: what a killed run left never stands in the way of the next.
        beside = Path(tempfile.mkdtemp(dir=out.parent, prefix=f".{out.name}.new-"))
        beside.chmod(0o755)
        for name, content in files.items():
            data = content.encode() if isinstance(content, str) else content
            (beside / name).write_bytes(data)
        beside.replace(out)
    except OSError as error:
        if beside is not None:
            shutil.rmtree(beside, ignore_errors=True)
        raise OutputError(f"{out}: can't be written ({error.strerror}). Nothing was left behind.") from error
    return [out / name for name in files]
