"""Whatever stands in a file, reading it gives findings, never a traceback: mutated files, nasty tables and settings."""

from __future__ import annotations

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reachmap.beat import check_beat
from reachmap.beat.catalogue import FILE_SETTINGS, ROLES, SECTIONS
from reachmap.errors import Finding
from tests.beat.folders import LAT, LON, TOML, collection, feature, make, outline_text, sounding_rows, table_text
from tests.beat.test_formats import as_nmea, frame, kml, outlines, waypoints, workbook, zipped
from tests.beat.test_hostile import small_tiff


def seeds(tmp_path) -> dict[str, bytes]:
    """One sound file of every kind."""
    frame().to_file(tmp_path / "seed.gpkg", layer="soundings")
    drawn = outlines(tmp_path)
    return {
        "soundings.csv": table_text(sounding_rows()[:6]).encode(),
        "soundings.nmea": as_nmea()[:900].encode(),
        "soundings.gpx": waypoints().encode(),
        "soundings.xlsx": workbook(tmp_path),
        "soundings.gpkg": (tmp_path / "seed.gpkg").read_bytes(),
        "soundings.kmz": zipped({"doc.kml": kml(tmp_path)}),
        "outline.geojson": outline_text(island=True).encode(),
        "outline.kml": drawn["outline__kml"],
        "outline.zip": drawn["outline__zip"],
        "cover.geojson": collection(feature("Point", [LON, LAT], kind="boulder", size_m=1.0)).encode(),
        "log.csv": b"date_time,lat,lon,what,species\n2026-06-14 19:30,54.6,-2.8,catch,brown\n",
        "notes.geojson": collection(feature("Point", [LON, LAT], id="a", text="hi", replaces=["x"])).encode(),
        "terrain.tif": small_tiff(tmp_path),
        "beat.toml": TOML.encode(),
    }


@pytest.fixture(scope="module")
def sound_files(tmp_path_factory):
    return seeds(tmp_path_factory.mktemp("seeds"))


KINDS = (
    "soundings.csv", "soundings.nmea", "soundings.gpx", "soundings.xlsx", "soundings.gpkg", "soundings.kmz",
    "outline.geojson", "outline.kml", "outline.zip", "cover.geojson", "log.csv", "notes.geojson", "terrain.tif",
    "beat.toml",
)  # fmt: skip

WORDS = [
    b"NaN", b"-1e400", b"1e999", b"null", b"[]", b"{}", b'"', b",", b";", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf",
    b"99999999999", b"-9999", b"{{7*7}}", b"</script>", b"\r", b"\n\n", b"<!ENTITY a 'b'>", b"POINT EMPTY", b"true",
    b"1,5", b"'", b"\\u0000",
]  # fmt: skip
"""Bits that have broken readers before."""

CHANGES = st.lists(
    st.tuples(
        st.sampled_from(["cut", "put", "drop", "flip", "repeat"]),
        st.floats(0, 1),
        st.integers(1, 40),
        st.sampled_from(WORDS),
        st.integers(0, 255),
    ),
    min_size=1,
    max_size=6,
)


def changed(content: bytes, changes) -> bytes:
    """A file after some accidents."""
    for kind, share, length, word, byte in changes:
        at = int(share * len(content))
        if kind == "cut":
            content = content[: max(at, 1)]
        elif kind == "put":
            content = content[:at] + word + content[at:]
        elif kind == "drop":
            content = content[:at] + content[at + length :]
        elif kind == "flip":
            content = content[:at] + bytes([byte]) + content[at + 1 :]
        else:
            content = content[:at] + content[at : at + length] * 3 + content[at + length :]
    return content


def never_a_traceback(tmp_path, name: str, content: bytes) -> None:
    """Whatever the bytes, checking gives findings whose text is clean and short."""
    folder = tmp_path / "beat"
    make(folder, toml=None if name == "beat.toml" else TOML)
    role = name.split(".")[0]
    for path in folder.glob(f"{role}.*"):
        path.unlink()
    (folder / name).write_bytes(content)
    for finding in check_beat(folder):
        assert isinstance(finding, Finding)
        assert len(str(finding)) < 3000
        assert str(finding).isprintable()
        assert "reachmap-" not in str(finding), "a scratch path is no place for the user"


QUICK = settings(
    max_examples=8, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
LONG = settings(max_examples=1500, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.mark.parametrize("name", KINDS)
@QUICK
@given(changes=CHANGES)
def test_a_changed_file_never_breaks_the_reader(tmp_path, sound_files, name, changes):
    never_a_traceback(tmp_path, name, changed(sound_files[name], changes))


@pytest.mark.slow
@pytest.mark.parametrize("name", KINDS)
@LONG
@given(changes=CHANGES)
def test_many_changed_files_never_break_the_reader(tmp_path, sound_files, name, changes):
    never_a_traceback(tmp_path, name, changed(sound_files[name], changes))


@pytest.mark.parametrize(
    "name", ["soundings.csv", "outline.geojson", "outline.csv", "beat.toml", "log.csv", "soundings.log"]
)
@QUICK
@given(text=st.text(max_size=300))
def test_any_text_never_breaks_the_reader(tmp_path, name, text):
    never_a_traceback(tmp_path, name, text.encode("utf-8", "surrogatepass"))


VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-(10**20), 10**20), st.floats(), st.text(max_size=8)),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=6), inner, max_size=4)),
    max_leaves=12,
)
KEYS = st.sampled_from(["type", "features", "geometry", "coordinates", "properties", "geometries", "crs", "kind", "id"])
NAMES = st.sampled_from(
    ["FeatureCollection", "Feature", "Polygon", "Point", "MultiPolygon", "GeometryCollection", "LineString"]
)


@pytest.mark.parametrize("name", ["outline.geojson", "soundings.geojson", "cover.geojson", "notes.geojson"])
@QUICK
@given(
    content=st.recursive(
        st.one_of(VALUES, NAMES),
        lambda inner: st.one_of(
            st.lists(inner, max_size=4), st.dictionaries(KEYS, st.one_of(NAMES, inner), max_size=5)
        ),
        max_leaves=20,
    )
)
def test_any_json_never_breaks_the_reader(tmp_path, name, content):
    never_a_traceback(tmp_path, name, json.dumps(content).encode())


CELLS = st.sampled_from(
    [
        "", "-2.8", "54.6", "-2.80012", "54.60003", "0.5", "0", "-0.5", "-9999", "1e400", "nan", "inf", "0,85",
        "1 234", "2'6",
        "0.85 m", "3 ft", "n/a", "deep", "338429", "272918", "174.8", "85", "1e-320", "-0", "+1", "1e5",
        "99999999999999999999",
        "surface float", "boulder", "tree", "2026-06-14 19:30", "9999-12-31T23:59:59", "0001-01-01", "catch",
        "{{7*7}}", "\u202e",
        "x" * 5000, "=cmd()", '"', "TRUE", "[1]", "{}",
    ]
)  # fmt: skip
HEADERS = st.sampled_from(
    [
        "lon", "lat", "x", "y", "easting", "northing", "depth_m", "Depth (ft)", "depth", "bed_level",
        "water_level_m", "speed_m_s",
        "SOG", "speed (mph)", "how", "float distance", "seconds", "line", "note", "time", "kind", "size_m",
        "height (in)", "base_m",
        "radius_m", "leaf", "what", "species", "length_m", "count", "hours", "cloud", "clarity_ft", "trip",
        "id", "text", "replaces",
        "deleted", "ring", "Tide", "", "depth (cubits)",
    ]
)  # fmt: skip


@pytest.mark.parametrize("name", ["soundings.csv", "outline.csv", "cover.csv", "shade.csv", "log.csv", "notes.csv"])
@QUICK
@given(
    header=st.lists(HEADERS, min_size=1, max_size=6, unique=True),
    first=st.sampled_from([["lon", "lat"], ["lon", "lat", "depth_m"], ["x", "y"], []]),
    rows=st.lists(st.lists(CELLS, min_size=9, max_size=9), max_size=8),
    separator=st.sampled_from([",", ";", "\t"]),
)
def test_any_table_never_breaks_the_reader(tmp_path, name, header, first, rows, separator):
    names = [*first, *header]
    text = table_text([row[: len(names)] for row in rows], names, delimiter=separator)
    never_a_traceback(tmp_path, name, text.encode())


SETTING_VALUES = st.one_of(
    st.sampled_from(
        [
            "nan", "inf", "-1", "0", "1e308", "9" * 400, "true", '""', "[]", "{}", "[54.6, -2.8]", "[154, 2]",
            "[nan, 1]",
            "[1]", "2026-06-14", "0001-01-01", "9999-12-31T23:59:59", "2026-03-29T01:30:00", "12:00:00",
            '"2026-06-14"',
            '"local"', '"EPSG:27700"', '"EPSG:4326"', '"x"', '"soundings.csv"', '"../x"', '"a\\u0000b"',
            "{ a = 1 }",
        ]
    ),
    st.floats().map(repr),
    st.integers(-(10**6), 10**6).map(str),
)  # fmt: skip
PLACES = [("", key) for key in SECTIONS[""]]
PLACES += [(f"[{name}]", key) for name, keys in SECTIONS.items() if name not in ("", "scenes") for key in keys]
PLACES += [("[[scenes]]", key) for key in SECTIONS["scenes"]]
PLACES += [(f"[files.{role}]", key) for role in ROLES for key in (*FILE_SETTINGS, "columns")]
CHOSEN = st.lists(
    st.tuples(st.sampled_from(PLACES), SETTING_VALUES), min_size=1, max_size=3, unique_by=lambda pair: pair[0]
)


def settings_text(chosen) -> bytes:
    """beat.toml of some settings, those above all sections first."""
    lines = [f"{key} = {value}" for (section, key), value in chosen if not section]
    lines += [f"{section}\n{key} = {value}" for (section, key), value in chosen if section]
    return "\n".join(lines).encode()


@QUICK
@given(chosen=CHOSEN)
def test_any_setting_never_breaks_the_reader(tmp_path, chosen):
    never_a_traceback(tmp_path, "beat.toml", settings_text(chosen))


@pytest.mark.slow
@LONG
@given(chosen=CHOSEN)
def test_many_settings_never_break_the_reader(tmp_path, chosen):
    never_a_traceback(tmp_path, "beat.toml", settings_text(chosen))
