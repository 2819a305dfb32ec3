"""The same survey in many formats, units and coordinate systems gives the same soundings."""

from __future__ import annotations

import contextlib
import io
import sqlite3
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from pyproj import Transformer

from reachmap.beat import read_beat
from reachmap.beat.new import new_beat
from reachmap.beat.share import share_beat
from reachmap.errors import InputError
from tests.beat.folders import LAT, LON, SOUNDING_COLUMNS, TOML, make, outline_text, sounding_rows, table_text

ROWS = sounding_rows()


def frame() -> gpd.GeoDataFrame:
    """The survey as a GeoDataFrame in degrees; missing speeds are NaN."""
    table = pd.DataFrame(ROWS, columns=SOUNDING_COLUMNS)
    for name in ("lon", "lat", "depth_m", "speed_m_s"):
        table[name] = pd.to_numeric(table[name])
    points = gpd.points_from_xy(table.pop("lon"), table.pop("lat"), crs=4326)
    return gpd.GeoDataFrame(table.drop(columns="note"), geometry=points)


def through(tmp_path, name, **options) -> bytes:
    """The survey written by the reference library in some format."""
    path = tmp_path / f"made.{name}"
    frame().to_file(path, **options)
    return path.read_bytes()


def shapefile(tmp_path) -> dict[str, bytes]:
    """The parts of the survey as a shapefile, by ending."""
    short = frame().rename(columns={"depth_m": "depth", "speed_m_s": "speed_ms"})
    folder = tmp_path / "shp"
    folder.mkdir()
    short.to_file(folder / "made.shp")
    return {path.suffix: path.read_bytes() for path in folder.iterdir()}


def zipped(parts: dict[str, bytes]) -> bytes:
    """A zip archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return out.getvalue()


def moved(epsg: int) -> str:
    """The survey as a table in another coordinate system, at full precision."""
    change = Transformer.from_crs(4326, epsg, always_xy=True)
    rows = []
    for lon, lat, *rest in ROWS:
        x, y = change.transform(float(lon), float(lat))
        rows.append([f"{x:.4f}", f"{y:.4f}", *rest])
    return table_text(rows, ("easting", "northing", *SOUNDING_COLUMNS[2:]))


def as_nmea() -> str:
    """The survey as an NMEA 0183 log; the checksum is the exclusive or of the characters, as the standard has it."""

    def sentence(body):
        total = 0
        for c in body:
            total ^= ord(c)
        return f"${body}*{total:02X}"

    lines = []
    for lon, lat, depth, *_ in ROWS:
        lat_text = f"{int(float(lat)):02d}{(float(lat) % 1) * 60:09.6f}"
        west = -float(lon)
        lon_text = f"{int(west):03d}{(west % 1) * 60:09.6f}"
        lines.append(sentence(f"GPGGA,101500.00,{lat_text},N,{lon_text},W,1,08,1.0,100.0,M,50.0,M,,"))
        lines.append(sentence(f"SDDBT,{float(depth) / 0.3048:.4f},f,{depth},M,{float(depth) / 1.8288:.4f},F"))
    return "\n".join(lines) + "\n"


def kml(tmp_path) -> bytes:
    """The survey as KML by the reference library."""
    path = tmp_path / "made.kml"
    frame().to_file(path, driver="LIBKML")
    return path.read_bytes()


def waypoints(names=tuple(row[2] for row in ROWS)) -> str:
    """The survey as GPX waypoints, named by their depth as a wader writes them if not otherwise."""
    points = [
        f'<wpt lat="{lat}" lon="{lon}"><name>{name}</name></wpt>'
        for (lon, lat, *_), name in zip(ROWS, names, strict=True)
    ]
    head = '<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
    return f"{head}{''.join(points)}</gpx>"


def workbook(tmp_path) -> bytes:
    """The survey as an Excel workbook."""
    table = pd.DataFrame(frame().drop(columns="geometry"))
    table.insert(0, "lon", [float(row[0]) for row in ROWS])
    table.insert(1, "lat", [float(row[1]) for row in ROWS])
    pyogrio.write_dataframe(table, tmp_path / "made.xlsx", driver="XLSX")
    return (tmp_path / "made.xlsx").read_bytes()


def write(tmp_path, name):
    """A beat folder with its soundings in one of the formats."""
    folder = tmp_path / "beat"
    comma = table_text([[cell.replace(".", ",") for cell in row[:4]] + row[4:] for row in ROWS], delimiter=";")
    texts = {
        "comma": ("soundings.csv", table_text(ROWS)),
        "tab": ("soundings.tsv", table_text(ROWS, delimiter="\t")),
        "semicolon, decimal comma": ("soundings.csv", comma),
        "declared separator": ("soundings.csv", "sep=;\n" + table_text(ROWS, delimiter=";")),
        "Windows line ends": ("soundings.csv", table_text(ROWS, line_end="\r\n")),
        "old line ends": ("soundings.csv", table_text(ROWS, line_end="\r")),
        "UTF-8 with mark": ("soundings.csv", table_text(ROWS).encode("utf-8-sig")),
        "UTF-16": ("soundings.csv", table_text(ROWS).encode("utf-16")),
        "Windows-1252": ("soundings.csv", table_text(ROWS).replace("x-55", "trave\u00e9").encode("cp1252")),
        "NMEA": ("soundings.nmea", as_nmea()),
    }
    if name in texts:
        file, content = texts[name]
        return make(folder, soundings__csv=None, files={file: content})
    if name == "British grid":
        return make(folder, toml=TOML + '[files.soundings]\ncrs = "EPSG:27700"\n', soundings__csv=moved(27700))
    if name == "UTM":
        return make(folder, toml=TOML + "[files.soundings]\ncrs = 'EPSG:32630'\n", soundings__csv=moved(32630))
    if name == "GPX":
        toml = TOML + '[files.soundings.columns]\ndepth = "name"\n'
        return make(folder, toml=toml, soundings__csv=None, soundings__gpx=waypoints())
    if name in ("shapefile", "zipped shapefile", "zipped with attributes", "shapefile in a folder"):
        parts = shapefile(tmp_path)
        if name == "zipped with attributes":
            content = {f"survey/made{ending}": part for ending, part in parts.items()}
            # Magic number of AppleDouble files (RFC 1740).
            about = {f"__MACOSX/survey/._made{ending}": b"\x00\x05\x16\x07" for ending in parts}
            return make(folder, soundings__csv=None, soundings__zip=zipped(content | about))
        if name == "zipped shapefile":
            content = zipped({f"made{ending}": part for ending, part in parts.items()})
            return make(folder, soundings__csv=None, soundings__zip=content)
        make(folder, soundings__csv=None)
        inside = folder / "soundings" if name.endswith("folder") else folder
        inside.mkdir(exist_ok=True)
        for ending, part in parts.items():
            (inside / f"soundings{ending}").write_bytes(part)
        return folder
    made = {
        "GeoJSON": lambda: ("soundings__geojson", through(tmp_path, "geojson")),
        "GeoPackage": lambda: ("soundings__gpkg", through(tmp_path, "gpkg", layer="soundings")),
        "KML": lambda: ("soundings__kml", kml(tmp_path)),
        "KMZ": lambda: ("soundings__kmz", zipped({"doc.kml": kml(tmp_path)})),
        "Excel": lambda: ("soundings__xlsx", workbook(tmp_path)),
    }
    file, content = made[name]()
    return make(folder, soundings__csv=None, **{file: content})


FORMATS = {
    "comma": 0.001, "tab": 0.001, "semicolon, decimal comma": 0.001, "declared separator": 0.001,
    "Windows line ends": 0.001, "old line ends": 0.001, "UTF-8 with mark": 0.001, "UTF-16": 0.001,
    "Windows-1252": 0.001, "Excel": 0.001, "GeoJSON": 0.001, "GeoPackage": 0.001, "shapefile": 0.001,
    "zipped shapefile": 0.001, "zipped with attributes": 0.001, "shapefile in a folder": 0.001, "KML": 0.001,
    "KMZ": 0.001, "GPX": 0.001, "UTM": 0.001, "British grid": 0.001, "NMEA": 0.003,
}  # fmt: skip
"""Formats with the difference of place allowed [m]: what the digits written can hold."""


@pytest.fixture(scope="module")
def truth(tmp_path_factory):
    return read_beat(make(tmp_path_factory.mktemp("truth") / "beat")).soundings


@pytest.mark.parametrize("name", FORMATS)
def test_the_same_survey_in_any_format(tmp_path, truth, name):
    got = read_beat(write(tmp_path, name)).soundings
    assert len(got) == len(truth)
    assert (got["flag"] == "").all()
    away = shapely.distance(got.geometry.to_numpy(), truth.geometry.to_numpy())
    assert away.max() < FORMATS[name]
    np.testing.assert_allclose(got["depth_m"], truth["depth_m"], atol=1e-9)
    if name not in ("NMEA", "GPX"):
        np.testing.assert_allclose(got["speed_m_s"], truth["speed_m_s"], atol=1e-9)
        assert (got["speed_how"] == truth["speed_how"]).all()


@pytest.mark.parametrize("kind", ["geojson", "gpkg", "shp", "xlsx"])
def test_decimal_commas_in_text_are_read_where_beat_toml_says_so(tmp_path, truth, kind):
    """What the message for such a number tells one to write."""
    table = frame()[["depth_m", "geometry"]]
    table["depth_m"] = [row[2].replace(".", ",") for row in ROWS]
    if kind == "xlsx":
        table = pd.DataFrame(table.drop(columns="geometry")).assign(lon=[r[0] for r in ROWS], lat=[r[1] for r in ROWS])
    folder = make(tmp_path / "beat", soundings__csv=None)
    pyogrio.write_dataframe(table, folder / f"soundings.{kind}")
    with pytest.raises(InputError, match=r'Write decimal = ","'):
        read_beat(folder)
    (folder / "beat.toml").write_text(TOML + "[files.soundings]\ndecimal = ','\n", encoding="utf-8")
    np.testing.assert_allclose(read_beat(folder).soundings["depth_m"], truth["depth_m"], atol=1e-9)


def test_rows_are_counted_as_in_the_file(tmp_path):
    text = table_text(ROWS)
    head, rest = text.split("\n", 1)
    with_gaps = f"# remark\n\n{head}\n" + rest.replace("\n", "\n\n", 1)
    got = read_beat(make(tmp_path / "beat", soundings__csv=with_gaps)).soundings
    assert list(got["row"][:3]) == [4, 6, 7]


IMPERIAL = (
    TOML.replace("clarity_m = 2.5", f"clarity_ft = {2.5 / 0.3048}")
    .replace("temperature_c = 13", "temperature_f = 55.4")
    .replace("length_m = 0.35", f"length_in = {0.35 / 0.0254}")
    .replace('bed = "cobble"', f'bed = "cobble"\nflow_cfs = {3.1 / 0.028316846592}')
)
"""The trial water in feet, inches and degrees Fahrenheit; 0.3048 m a foot and 0.0254 m an inch by definition."""


@pytest.mark.parametrize("where", ["header", "settings"])
def test_a_beat_in_feet_equals_the_metric_one(tmp_path, where):
    rows = [
        [lon, lat, f"{float(d) / 0.3048:.9f}", v and f"{float(v) / 0.44704:.9f}", *rest]
        for lon, lat, d, v, *rest in ROWS
    ]
    if where == "header":
        header, toml = ("lon", "lat", "Depth (ft)", "Current [mph]", "how", "line", "note"), IMPERIAL
    else:
        header = ("lon", "lat", "depth", "speed", "how", "line", "note")
        toml = IMPERIAL + '[files.soundings]\ndepth_unit = "ft"\nspeed_unit = "mph"\n'
    got = read_beat(make(tmp_path / "feet", toml=toml, soundings__csv=table_text(rows, header)))
    metric = TOML.replace('bed = "cobble"', 'bed = "cobble"\nflow_m3_s = 3.1')
    want = read_beat(make(tmp_path / "metres", toml=metric))
    np.testing.assert_allclose(got.soundings["depth_m"], want.soundings["depth_m"], atol=1e-8)
    np.testing.assert_allclose(got.soundings["speed_m_s"], want.soundings["speed_m_s"], atol=1e-8)
    assert got.water.clarity_m == pytest.approx(want.water.clarity_m)
    assert got.water.temperature_c == pytest.approx(want.water.temperature_c)
    assert got.fish.length_m == pytest.approx(want.fish.length_m)
    assert got.flow_m3_s == pytest.approx(want.flow_m3_s)


def test_a_tape_survey_in_feet_laid_on_an_anchor(tmp_path):
    # Local +y points at compass 90 (east), so local x points south: (x, y) lies y east and -x north of the anchor.
    rows = [[-y / 0.3048, x / 0.3048, 0.5] for x in range(-50, 60, 10) for y in (-6, 0, 6)]
    toml = TOML + f'[place]\nanchor = [{LAT}, {LON}]\nbearing_deg = 90\n[files.soundings]\nposition_unit = "ft"\n'
    text = table_text(rows, ("x", "y", "depth_m"))
    got = read_beat(make(tmp_path / "beat", toml=toml, soundings__csv=text)).soundings
    want = [(x, y) for x in range(-50, 60, 10) for y in (-6, 0, 6)]
    np.testing.assert_allclose(shapely.get_coordinates(got.geometry.to_numpy()), want, atol=0.002)


@pytest.mark.parametrize(("names", "told"), [("x,y", True), ("x_m,y_m", False), ("x (ft),y (ft)", False)])
def test_a_unit_that_local_positions_do_not_name_is_told(tmp_path, names, told):
    """As for depths: a guess, unless the header or beat.toml says it."""
    text = f"{names},depth_m\n" + "".join(f"{x},{y},0.5\n" for x in range(-50, 60, 10) for y in (-6, 0, 6))
    toml = TOML + f"[place]\nanchor = [{LAT}, {LON}]\n"
    found = read_beat(make(tmp_path / "beat", toml, soundings__csv=text)).findings
    assert [f.where for f in found if f.code == "unit-assumed"] == ["place of a point"] * told
    said = toml + "[files.soundings]\nposition_unit = 'm'\n"
    found = read_beat(make(tmp_path / "said", said, soundings__csv=text)).findings
    assert "unit-assumed" not in {f.code for f in found}


def test_sections_of_a_tape_survey_are_found(tmp_path):
    rows = [[x, y, 0.5] for x in range(-50, 60, 10) for y in (-6, -3, 0, 3, 6)]
    toml = TOML + f"[place]\nanchor = [{LAT}, {LON}]\nbearing_deg = 0\n"
    beat = read_beat(make(tmp_path / "a", toml=toml, soundings__csv=table_text(rows, ("x_m", "y_m", "depth_m"))))
    assert list(beat.soundings["line"][:6]) == ["x -50"] * 5 + ["x -40"]
    assert "11 cross-sections" in next(f.what for f in beat.findings if f.code == "sections-found")
    scattered = [[x + 0.37 * k, y, 0.5] for k, (x, y, _) in enumerate(rows)]
    text = table_text(scattered, ("x_m", "y_m", "depth_m"))
    assert set(read_beat(make(tmp_path / "b", toml=toml, soundings__csv=text)).soundings["line"]) == {""}


def test_levels_give_depths_and_dry_places(tmp_path):
    text = "lon,lat,bed_level_m,water_level_m\n"
    levels = [(174.0, 174.8), (174.5, 174.8), (175.1, -9999), (174.9, 174.8)]
    text += "".join(f"{row[0]},{row[1]},{bed},{water}\n" for row, (bed, water) in zip(ROWS, levels, strict=False))
    got = read_beat(make(tmp_path / "beat", soundings__csv=text)).soundings
    np.testing.assert_allclose(got["depth_m"][:2], [0.8, 0.3])
    assert list(got["flag"]) == ["", "", "dry", "dry"]


@pytest.mark.parametrize("unit", ["_m", "_ft", ""])
def test_a_unit_that_levels_do_not_name_is_told(tmp_path, unit):
    """As for depths: a guess, unless the header or beat.toml says it."""
    metres = 0.3048 if unit == "_ft" else 1.0
    text = f"lon,lat,bed_level{unit},water_level{unit}\n"
    text += "".join(f"{row[0]},{row[1]},{(9 - float(row[2])) / metres},{9 / metres}\n" for row in ROWS)
    beat = read_beat(make(tmp_path / "beat", soundings__csv=text))
    np.testing.assert_allclose(beat.soundings["depth_m"], [float(row[2]) for row in ROWS])
    told = [finding.where for finding in beat.findings if finding.code == "unit-assumed"]
    assert told == ([] if unit else ["column 'bed_level'", "column 'water_level'"])
    folder = make(tmp_path / "said", TOML + "[files.soundings]\ndepth_unit = 'm'\n", soundings__csv=text)
    assert "unit-assumed" not in {finding.code for finding in read_beat(folder).findings}


@pytest.mark.parametrize(
    ("depth", "speed", "unit", "speed_unit"),
    [
        ("Max Depth ft", "Mean Velocity ft/s", 0.3048, 0.3048),
        ("gauge_depth_ft", "mean_velocity_fps", 0.3048, 0.3048),
        ("Staff reading cm", "meter cm s", 0.01, 0.01),
        ("Rod [in]", "Prop (mph)", 0.0254, 0.44704),
        ("Staff reading", "Meter reading", 1.0, 1.0),
    ],
)
def test_a_column_named_in_the_settings_keeps_the_unit_in_its_header(tmp_path, depth, speed, unit, speed_unit):
    """The international foot and inch, and the mile of 1760 yards an hour, by definition."""
    columns = f"[files.soundings.columns]\ndepth = {depth!r}\nspeed = {speed!r}\n"
    rows = [[*row[:2], f"{float(row[2]) / unit:.6f}", f"{0.6 / speed_unit:.6f}"] for row in ROWS]
    text = table_text(rows, ("lon", "lat", depth, speed))
    beat = read_beat(make(tmp_path / "beat", toml=TOML + columns, soundings__csv=text))
    np.testing.assert_allclose(beat.soundings["depth_m"], [float(row[2]) for row in ROWS], atol=1e-5)
    np.testing.assert_allclose(beat.soundings["speed_m_s"], 0.6, atol=1e-5)
    assert ("unit-assumed" in {f.code for f in beat.findings}) == (depth == "Staff reading")


def test_a_column_chosen_for_what_there_is_none_of_is_told(tmp_path):
    columns = "[files.soundings.columns]\nring = 'depth_m'\n"
    with pytest.raises(InputError) as refused:
        read_beat(make(tmp_path / "beat", toml=TOML + columns))
    [told] = [f for f in refused.value.findings if f.code == "column-choice"]
    assert told.what.startswith("'ring' is no column of this kind of file; there are: ")
    assert "depth" in told.what


@pytest.mark.parametrize(("unit", "factor"), [("m", 1.0), ("cm", 0.01), ("ft", 0.3048), ("in", 0.0254)])
@pytest.mark.parametrize("given", [None, 999.0])
def test_a_number_that_stands_for_no_value_is_known_in_every_unit(tmp_path, unit, factor, given):
    """It is compared as it is written: -99 cm/s is no current of 0.99 m/s, 999 cm no pool of 9.99 m."""
    sign = f"{-99 if given is None else given:g}"
    depths = [sign if k % 10 == 7 else f"{float(row[2]) / factor:.6f}" for k, row in enumerate(ROWS)]
    speed_unit, scale = ("ft/s", 0.3048) if unit in ("ft", "in") else (f"{unit}/s", factor)
    speeds = [sign if k % 3 else f"{0.6 / scale:.6f}" for k in range(len(ROWS))]
    rows = [[*row[:2], depth, speed] for row, depth, speed in zip(ROWS, depths, speeds, strict=True)]
    toml = TOML + (f"[files.soundings]\nnodata = {given:g}\n" if given else "")
    text = table_text(rows, ("lon", "lat", f"depth_{unit}", f"speed ({speed_unit})"))
    beat = read_beat(make(tmp_path / "beat", toml=toml, soundings__csv=text))
    want = [np.nan if k % 10 == 7 else float(row[2]) for k, row in enumerate(ROWS)]
    np.testing.assert_allclose(beat.soundings["depth_m"], want, atol=1e-5)
    speed = beat.soundings["speed_m_s"].to_numpy()
    np.testing.assert_array_equal(np.isnan(speed), [k % 3 > 0 for k in range(len(ROWS))])
    np.testing.assert_allclose(speed[::3], 0.6, atol=1e-5)
    told = [f for f in beat.findings if f.code == "nodata-guessed"]
    assert [f.what.split()[0] for f in told] == ([] if given else ["-99", "-99"])


@pytest.mark.parametrize(
    ("written", "told"),
    [(lambda m: f"{m} m", False), (lambda m: f"{m / 0.0254 // 12:.0f}'{m / 0.0254 % 12:.4f}\"", False), (str, True)],
)
def test_depths_that_name_their_unit_each_were_not_guessed(tmp_path, written, told):
    """One of the last 0.85 m among plain numbers leaves the others a guess."""
    rows = [[*row[:2], written(float(row[2]))] for row in ROWS]
    rows[0][2] = f"{ROWS[0][2]} m"
    beat = read_beat(make(tmp_path / "beat", soundings__csv=table_text(rows, ("lon", "lat", "depth"))))
    np.testing.assert_allclose(beat.soundings["depth_m"], [float(row[2]) for row in ROWS], atol=1e-5)
    assert ("unit-assumed" in {finding.code for finding in beat.findings}) == told


def test_offsets_are_added_to_every_sounding(tmp_path):
    toml = TOML.replace("[water]", "transducer_depth_m = 0.2\nstage_m = 0.1\n\n[water]")
    got = read_beat(make(tmp_path / "a", toml=toml)).soundings
    want = read_beat(make(tmp_path / "b")).soundings
    np.testing.assert_allclose(got["depth_m"], want["depth_m"] + 0.3)


def test_two_days_each_with_its_own_stage(tmp_path):
    toml = TOML + ('[[files.soundings]]\npath = "may.csv"\nstage_m = 0.25\n[[files.soundings]]\npath = "june.csv"\n')
    files = {"may__csv": table_text(ROWS[:40]), "june__csv": table_text(ROWS[40:])}
    got = read_beat(make(tmp_path / "beat", toml=toml, soundings__csv=None, **files)).soundings
    want = np.array([float(row[2]) for row in ROWS])
    want[:40] += 0.25
    np.testing.assert_allclose(got["depth_m"], want)
    assert list(got["file"].unique()) == ["may.csv", "june.csv"]


def test_a_float_timing_becomes_a_speed(tmp_path):
    rows = [[*row[:3], "10", "16"] for row in ROWS]
    text = table_text(rows, ("lon", "lat", "depth_m", "float distance (m)", "seconds"))
    beat = read_beat(make(tmp_path / "beat", soundings__csv=text))
    np.testing.assert_allclose(beat.soundings["speed_m_s"], 10 / 16)
    assert (beat.soundings["speed_how"] == "surface float").all()
    assert next(f.what for f in beat.findings if f.code == "speed-timed").startswith(f"{len(ROWS)} speeds")


@pytest.mark.parametrize(
    ("row", "code", "severity"),
    [(lambda k: (3.1 * k, 6 * k), "float-counted", "note"), (lambda k: (10, 14 + k % 5), "float-unsaid", "warning")],
)
def test_distance_and_seconds_of_nobody_knows_what_are_no_floats(tmp_path, row, code, severity):
    """A logger counts both from where it was switched on; said in beat.toml they are those of floats."""
    rows = [[*cells[:3], *row(k)] for k, cells in enumerate(ROWS)]
    text = table_text(rows, ("lon", "lat", "depth_m", "Distance (m)", "Seconds"))
    beat = read_beat(make(tmp_path / "a", soundings__csv=text))
    assert np.isnan(beat.soundings["speed_m_s"]).all()
    (told,) = (f for f in beat.findings if f.code in ("speed-timed", "float-counted", "float-unsaid"))
    assert (told.code, told.severity) == (code, severity)
    assert "'Distance (m)' and 'Seconds'" in told.what
    toml = TOML + '[files.soundings.columns]\nfloat_distance = "Distance (m)"\n'
    said = read_beat(make(tmp_path / "b", toml=toml, soundings__csv=text)).soundings
    want = [row(k)[0] / row(k)[1] if row(k)[1] else np.nan for k in range(len(ROWS))]
    np.testing.assert_allclose(said["speed_m_s"], want)


@pytest.mark.parametrize(
    ("column", "said", "toml"),
    [("speed_how", "surface float", ""), ("method", "float", ""),
     ("line", "a", '[files.soundings]\nspeed_how = "surface float"\n')],
)  # fmt: skip
def test_timings_that_are_said_to_be_of_floats_are(tmp_path, column, said, toml):
    """Also where their seconds happen to rise from row to row."""
    rows = [[*row[:3], *((10, 11 + k, said) if k < 6 else ("", "", ""))] for k, row in enumerate(ROWS)]
    text = table_text(rows, ("lon", "lat", "depth_m", "distance_m", "seconds", column))
    beat = read_beat(make(tmp_path / "beat", toml=TOML + toml, soundings__csv=text))
    np.testing.assert_allclose(beat.soundings["speed_m_s"][:6], 10 / np.arange(11, 17))
    assert np.isnan(beat.soundings["speed_m_s"][6:]).all()
    assert not {"float-counted", "float-unsaid", "how-missing"} & {f.code for f in beat.findings}


@pytest.mark.parametrize("count", [1, 3, 20])
def test_a_few_timings_over_one_tape_are_not_called_counted(tmp_path, count):
    """One row rises nowhere, and a distance that stays the same does not either."""
    rows = [[*row[:3], *((10, 11 + k) if k < count else ("", ""))] for k, row in enumerate(ROWS)]
    text = table_text(rows, ("lon", "lat", "depth_m", "distance_m", "seconds"))
    codes = {f.code: f for f in read_beat(make(tmp_path / "beat", soundings__csv=text)).findings}
    assert codes["float-unsaid"].severity == "warning"
    assert "float-counted" not in codes


def test_what_a_logger_counted_is_no_float_though_others_in_its_file_are(tmp_path):
    """Rows that say so themselves are used; beat.toml tells how a file's speeds are measured, not what a count is."""
    rows = [[*row[:3], *((10, 16, "float") if k == 2 else (3.1 * k, 6 * k, ""))] for k, row in enumerate(ROWS)]
    text = table_text(rows, ("lon", "lat", "depth_m", "distance_m", "seconds", "how"))
    toml = TOML + '[files.soundings]\nspeed_how = "surface float"\n'
    beat = read_beat(make(tmp_path / "beat", toml=toml, soundings__csv=text))
    assert np.flatnonzero(np.isfinite(beat.soundings["speed_m_s"])).tolist() == [2]
    (told,) = (f for f in beat.findings if f.code in ("float-counted", "float-unsaid"))
    assert told.code == "float-counted"
    assert told.where.startswith("rows 2, 3, 5")


def test_where_a_float_went_is_kept_as_a_bearing(tmp_path):
    """Turns over 360 deg are wrapped; a silent row has none; what is shared is read back the same."""
    rows = [[*row[:3], ("", "95.5", "-10", "370")[k % 4]] for k, row in enumerate(ROWS)]
    text = table_text(rows, ("lon", "lat", "depth_m", "flow_toward_deg"))
    beat = read_beat(make(tmp_path / "beat", soundings__csv=text))
    want = np.resize([np.nan, 95.5, 350.0, 10.0], len(ROWS))
    np.testing.assert_allclose(beat.soundings["toward_deg"], want)
    share_beat(beat, tmp_path / "shared")
    np.testing.assert_allclose(read_beat(tmp_path / "shared").soundings["toward_deg"], want)


def outlines(tmp_path):
    """The outline in other formats: file name (dots doubled) -> content."""
    shape = gpd.read_file(io.BytesIO(outline_text(island=True).encode()))
    ring_rows = [
        [f"{x:.9f}", f"{y:.9f}", name]
        for name, line in zip("ab", [shape.geometry[0].exterior, *shape.geometry[0].interiors], strict=True)
        for x, y in line.coords[:-1]
    ]
    lines = gpd.GeoDataFrame(
        {"name": ["a", "b"]},
        geometry=[shapely.LineString(g.coords) for g in (shape.geometry[0].exterior, shape.geometry[0].interiors[0])],
        crs=4326,
    )
    tracks = gpd.GeoDataFrame(
        {"name": ["a", "b"]}, geometry=[shapely.MultiLineString([line]) for line in lines.geometry], crs=4326
    )
    for name, table, driver in (
        ("a.gpkg", shape, "GPKG"), ("a.kml", shape, "LIBKML"), ("b.kml", lines, "LIBKML"), ("a.gpx", tracks, "GPX"),
        ("a.shp", shape, "ESRI Shapefile"),
    ):  # fmt: skip
        options = {"FORCE_GPX_TRACK": "YES"} if driver == "GPX" else {}
        table.to_file(tmp_path / name, driver=driver, **options)
    parts = {
        path.name: path.read_bytes() for path in tmp_path.glob("a.*") if path.suffix in (".shp", ".shx", ".dbf", ".prj")
    }
    return {
        "outline__geojson": outline_text(island=True),
        "outline__gpkg": (tmp_path / "a.gpkg").read_bytes(),
        "outline__kml": (tmp_path / "a.kml").read_bytes(),
        "outline__gpx": (tmp_path / "a.gpx").read_bytes(),
        "outline__zip": zipped(parts),
        "outline__csv": table_text(ring_rows, ("lon", "lat", "ring")),
    }


def test_the_same_outline_in_any_format(tmp_path):
    areas = {}
    for name, content in outlines(tmp_path).items():
        beat = read_beat(make(tmp_path / name, soundings__csv=None, **{"outline__geojson": None, name: content}))
        areas[name] = beat.outline.area
        assert [len(part.interiors) for part in beat.outline.geoms] == [1], name
    assert areas["outline__geojson"] == pytest.approx(120 * 16 - 10 * 4, rel=1e-4)
    np.testing.assert_allclose(list(areas.values()), areas["outline__geojson"], rtol=1e-5)


SPOKEN = {
    "plain": lambda metres: f"{metres:.2f}",
    "metres": lambda metres: f"{metres:.2f} m",
    "decimal comma": lambda metres: f"{metres:.2f}".replace(".", ","),
    "feet": lambda metres: f"{metres / 0.3048:.2f} ft",
}


@pytest.mark.parametrize("how", SPOKEN)
def test_waypoints_named_by_their_depth_need_nothing_more(tmp_path, how):
    """What anybody with a phone can do while wading; a foot is 0.3048 m by definition."""
    names = [SPOKEN[how](float(row[2])) for row in ROWS]
    names[0], names[7] = "car park", "good fish"
    folder = make(tmp_path / "beat", soundings__csv=None, soundings__gpx=waypoints(names))
    beat = read_beat(folder)
    depths = [float(row[2]) for k, row in enumerate(ROWS) if k not in (0, 7)]
    np.testing.assert_allclose(beat.soundings["depth_m"], depths, atol=0.006)
    (told,) = [finding for finding in beat.findings if finding.code == "depth-in-words"]
    assert "2 that say something else were left out" in told.what
    x, y = beat.soundings.geometry.x, beat.soundings.geometry.y
    same = read_beat(make(tmp_path / "same")).soundings.geometry.drop([0, 7])
    np.testing.assert_allclose(
        np.hypot(x.to_numpy() - same.x.to_numpy(), y.to_numpy() - same.y.to_numpy()), 0, atol=0.05
    )


def test_waypoints_that_are_only_counted_are_no_depths(tmp_path):
    names = [f"{k:03d}" for k in range(len(ROWS))]
    folder = make(tmp_path / "beat", soundings__csv=None, soundings__gpx=waypoints(names))
    with pytest.raises(InputError, match="no depth among the columns"):
        read_beat(folder)


def test_what_was_saved_last_in_an_open_geopackage_is_read(tmp_path):
    """Programs that hold one open write into a log beside it (SQLite's); geopandas reads it as well."""
    folder = make(tmp_path / "beat", soundings__csv=None)
    path = folder / "soundings.gpkg"
    frame().to_file(path, layer="soundings", SPATIAL_INDEX="NO")
    before = read_beat(folder)
    with contextlib.closing(sqlite3.connect(path)) as program:
        assert program.execute("pragma journal_mode = wal").fetchone() == ("wal",)
        program.execute("update soundings set depth_m = depth_m + 1")
        program.commit()
        after = read_beat(folder)
        new_beat(tmp_path / "new", sources=[folder / "outline.geojson", path])
        truth = gpd.read_file(path)["depth_m"]
    np.testing.assert_allclose(truth, before.soundings["depth_m"] + 1)
    for beat in (after, read_beat(tmp_path / "new")):
        np.testing.assert_allclose(beat.soundings["depth_m"], truth)
    assert set(after.sources) - set(before.sources) == {"soundings.gpkg-wal"}


def test_every_part_of_a_shapefile_counts_for_what_was_read(tmp_path):
    """The depths stand in the .dbf: who mends one there must not get the water of before."""
    parts = {f"soundings{ending}": content for ending, content in shapefile(tmp_path).items()}
    folder = make(tmp_path / "beat", files={"soundings.csv": None, **parts})
    before = read_beat(folder)
    table = (folder / "soundings.dbf").read_bytes()
    first = f"{before.soundings['depth_m'].iloc[0]:.3f}".encode()
    (folder / "soundings.dbf").write_bytes(table.replace(first, b"0.777", 1))
    after = read_beat(folder)
    assert after.soundings["depth_m"].iloc[0] == 0.777
    changed = {name for name, digest in after.sources.items() if before.sources[name] != digest}
    assert changed == {"soundings.dbf"}
    assert set(parts) >= set(after.sources) - {"beat.toml", "outline.geojson"} >= {"soundings.shp", "soundings.shx"}
