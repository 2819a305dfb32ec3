"""A copy of a beat for somebody else, as private as asked."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import tempfile
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import numpy as np
import shapely

from reachmap.beat.model import Beat, Scene, Visitor, Water
from reachmap.beat.place import local_crs, move, to_degrees
from reachmap.constants import METRES_A_DEGREE
from reachmap.errors import OutputError, SettingError

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS

DECIMALS = 9
"""Of degrees."""

PARTS = ("notes", "log")
"""Parts that may be left out."""

DAY = re.compile(r"\d{4}-\d\d-\d\d")


def share_beat(
    beat: Beat,
    out: Path,
    *,
    without: Collection[str] = (),
    round_m: float | None = None,
    name: str | None = None,
) -> list[Path]:
    """Write a copy of a beat that gives away no more than asked.

    Where it is moved or gets another name the lines of its soundings, its scenes and the trips of its log are numbered,
    as their names may tell the place; the trips too where remarks are left out.

    Parameters
    ----------
    beat : what to share
    out : a folder that is not there yet
    without : "notes" leaves out notes and every remark in the other files, "log" the log and the notes that
        belong to it
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
    crs = local_crs(*_moved(beat, round_m))
    remarks, hidden = "notes" not in without, round_m is not None or name is not None
    if hidden:
        beat = replace(beat, scenes=tuple(replace(s, name=f"scene {n}") for n, s in enumerate(beat.scenes, 1)))
    files: dict[str, str | bytes] = {
        "beat.toml": _settings(beat, name or beat.name, crs),
        "outline.geojson": _outline(beat, crs),
    }
    if not beat.soundings.empty:
        soundings = beat.soundings
        lines = _numbered(soundings["line"]) if hidden else soundings["line"]
        files["soundings.csv"] = _soundings(soundings.assign(line=lines), crs, remarks)
    for part in ("cover", "shade"):
        table = getattr(beat, part)
        if not table.empty:
            files[f"{part}.geojson"] = _features(table, crs, remarks)
    if beat.terrain is not None:
        files["terrain.tif"] = _terrain(beat, crs)
    if beat.skyline is not None:
        pairs = zip(beat.skyline.azimuth_deg, beat.skyline.elevation_deg, strict=True)
        files["horizon.csv"] = "azimuth_deg,elevation_deg\n" + "".join(f"{a:g},{e:g}\n" for a, e in pairs)
    notes, log = (table.drop(columns=["file", "where"], errors="ignore") for table in (beat.notes, beat.log))
    if "log" in without and not notes.empty:
        notes = notes[notes["kind"] == "note"]
    if (hidden or not remarks) and not log.empty:
        log = log.assign(trip=_numbered(log["trip"]))
    if round_m is not None:
        notes, log = _renamed(notes, log)
    for part, table in zip(PARTS, (notes, log), strict=True):
        if part not in without and not table.empty:
            files[f"{part}.geojson"] = _features(table, crs, remarks)
    return _write(out, files)


def _moved(beat: Beat, round_m: float | None) -> tuple[float, float]:
    """Latitude and longitude of the middle, on the lattice if one is asked for."""
    if round_m is None:
        return beat.lat, beat.lon
    step = round_m / METRES_A_DEGREE
    lat = round(beat.lat / step) * step
    across = step / max(np.cos(np.radians(lat)), 0.01)
    return lat, round(beat.lon / across) * across


def _placed(shapes: np.ndarray, crs: CRS) -> np.ndarray:
    """Geometries in the beat's metres in degrees around the given middle.

    To a tenth of a millimetre: to a centimetre an outline of many corners can come to cross itself.
    """
    return move(shapes, lambda xy: to_degrees(xy, crs).round(DECIMALS))


def _features(table: gpd.GeoDataFrame, crs: CRS, remarks: bool) -> str:
    """A table as GeoJSON; without remarks the free text goes."""
    kept = [c for c in table.columns if c != table.geometry.name and (remarks or c not in ("note", "text"))]
    features = [
        {
            "type": "Feature",
            "properties": {c: _plain(table[c].iloc[i]) for c in kept},
            "geometry": json.loads(shapely.to_geojson(shape)),
        }
        for i, shape in enumerate(_placed(table.geometry.to_numpy(), crs))
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False) + "\n"


def _outline(beat: Beat, crs: CRS) -> str:
    """The outline and the end lines."""
    import geopandas as gpd

    shapes: list[Any] = [beat.outline]
    roles: list[str | None] = [None]
    for role, cap in zip(("head end", "tail end"), beat.caps or (), strict=False):
        shapes.append(shapely.LineString([cap[:2], cap[2:]]))
        roles.append(role)
    return _features(gpd.GeoDataFrame({"role": roles}, geometry=shapes), crs, True)


def _numbered(names: Iterable[str | None]) -> list[str]:
    """Numbers in place of names; a day, which trips without a name go by, stays."""
    given = list(names)
    told = [name for name in dict.fromkeys(given) if name and not DAY.fullmatch(name)]
    numbers = {name: str(number) for number, name in enumerate(told, 1)}
    return [numbers.get(name, name) if name else "" for name in given]


def _renamed(*tables: gpd.GeoDataFrame) -> list[gpd.GeoDataFrame]:
    """Tables with other ids, as one made from a note's true place would help to find it.

    What had one id still has, in all of them: a fish that stands among the notes and in the log is one fish. Drawn at
    random, no id is that of a note in another copy.
    """
    other: dict[str, str] = defaultdict(lambda: uuid4().hex)
    return [table.assign(id=[other[one] for one in table["id"]]) if len(table) else table for table in tables]


def _soundings(soundings: gpd.GeoDataFrame, crs: CRS, remarks: bool) -> str:
    """Soundings as a table, in metres and m/s."""
    text = io.StringIO()
    toward = ["toward_deg"] if soundings["toward_deg"].notna().any() else []
    columns = ["depth_m", "speed_m_s", "speed_how", *toward, "line", *(["note"] if remarks else [])]
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["lon", "lat", *(f"flow_{c}" if c in toward else c for c in columns)])
    places = shapely.get_coordinates(_placed(soundings.geometry.to_numpy(), crs))
    for (x, y), row in zip(places, soundings[columns].itertuples(index=False), strict=True):
        writer.writerow([f"{x:.{DECIMALS}f}", f"{y:.{DECIMALS}f}", *("" if v is None or v != v else v for v in row)])
    return text.getvalue()


def _terrain(beat: Beat, crs: CRS) -> bytes:
    """The surface model around the given middle."""
    import rasterio
    from rasterio.io import MemoryFile
    from rasterio.transform import from_origin

    terrain = beat.terrain
    assert terrain is not None  # the caller asks only where there is one
    rows, columns = terrain.height_m.shape
    with MemoryFile() as memory:
        with memory.open(
            driver="GTiff",
            width=columns,
            height=rows,
            count=1,
            dtype="float32",
            crs=rasterio.crs.CRS.from_wkt(crs.to_wkt()),
            transform=from_origin(terrain.x0, terrain.y1, terrain.cell_m, terrain.cell_m),
            nodata=float("nan"),
            compress="deflate",
        ) as raster:
            raster.write(terrain.height_m.astype("float32"), 1)
        return memory.read()


def _settings(beat: Beat, name: str, crs: CRS) -> str:
    """beat.toml with what the map needs and nothing else."""
    lines = [f"name = {_text(name)}", f"time_zone = {_text(beat.time_zone)}", f"units = {_text(beat.units)}"]
    lines += ["", "[survey]"]
    lines += [f"date = {beat.survey_date}"] if beat.survey_date else []
    if beat.head is not None:
        lon, lat = to_degrees(np.array([beat.head]), crs)[0]
        lines += [f"head = [{lat:.{DECIMALS}f}, {lon:.{DECIMALS}f}]"]
    for key, value in (("flow_m3_s", beat.flow_m3_s), ("slope", beat.slope), ("d84_m", beat.d84_m)):
        lines += [f"{key} = {float(value)}"] if value is not None else []
    lines += ["", "[water]", *_water(beat.water)]
    lines += ["", "[fish]", f"species = {_text(beat.fish.species)}", f"length_m = {beat.fish.length_m}"]
    lines += ["", "[visitor]", *_visitor(beat.visitor)]
    # As they were written: what the reader sets aside once, it sets aside again.
    cleaning: Any = beat.settings.get("cleaning", {})
    lines += ["", "[cleaning]", *(f"{key} = {value}" for key, value in cleaning.items())] if cleaning else []
    for scene in beat.scenes:
        lines += ["", *_scene(scene)]
    return "\n".join(lines) + "\n"


def _text(text: str) -> str:
    """A text as TOML takes it: escaped as in JSON, but for what lies beyond 16 bits, which stands as it is."""
    return json.dumps(text, ensure_ascii=False)


def _yes(value: bool) -> str:
    return str(value).lower()


def _water(water: Water) -> list[str]:
    """Clarity, colour, temperature as settings."""
    lines = [f"clarity_m = {water.clarity_m}", f"clarity_how = {_text(water.how)}", f"colour = {_text(water.colour)}"]
    lines += [f"temperature_c = {water.temperature_c}"] if water.temperature_c is not None else []
    return [*lines, f"bed_visible = {_yes(water.bed_visible)}"]


def _visitor(visitor: Visitor) -> list[str]:
    """Who comes as settings: whom the map counts as unsure must not wade more by a copy of it."""
    lines = [f"unsure = {_yes(visitor.unsure)}"]
    return lines + [f"{key} = {float(getattr(visitor, key))}" for key in ("height_m", "cast_m", "sink_m_s")]


def _scene(scene: Scene) -> list[str]:
    """One scene as settings."""
    lines = ["[[scenes]]", f"name = {_text(scene.name)}", f"when = {_text(scene.when.isoformat())}"]
    lines += [f"cloud = {scene.cloud}", *_water(scene.water), f"town_glow_lux = {float(scene.town_glow_lux)}"]
    return [*lines, f"leaf_on = {_yes(scene.leaf_on)}"] if scene.leaf_on is not None else lines


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
