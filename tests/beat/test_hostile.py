"""Whatever stands in a folder: no network, no traceback, bounded memory; odd environments change nothing."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rasterio.transform import from_origin

from reachmap.beat import check_beat, read_beat
from reachmap.errors import Finding
from tests.beat.folders import LAT, LON, TOML, collection, feature, make, outline_text, sounding_rows, table_text
from tests.beat.test_formats import FORMATS, as_nmea, frame, kml, moved, outlines, waypoints, workbook, write, zipped

ROOT = Path(__file__).parents[2]


@pytest.fixture
def no_network(monkeypatch):
    """Any attempt to open a connection fails the test."""

    def refuse(*args, **kwargs):
        raise AssertionError("something tried to use the network")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)


@pytest.mark.parametrize("name", [name for name in FORMATS if name not in ("tab", "old line ends")])
def test_nothing_uses_the_network(tmp_path, no_network, name):
    assert read_beat(write(tmp_path, name)).soundings["depth_m"].notna().any()


def run_check(environment, *folders: Path) -> str:
    """Check beats in a process of its own."""
    code = "import sys\nfrom reachmap.beat import check_beat as check\n"
    code += "for name in sys.argv[1:]:\n  for f in check(name): print(f.severity, f.code)"
    command = [sys.executable, "-c", code, *map(str, folders)]
    done = subprocess.run(command, cwd=ROOT, env=dict(environment), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_no_call_leaves_the_machine(tmp_path):
    """The libraries below Python could open connections unseen; a listener of our own would notice."""
    recorder = socket.socket()
    recorder.bind(("127.0.0.1", 0))
    recorder.listen(1)
    recorder.settimeout(0.2)
    url = f"http://127.0.0.1:{recorder.getsockname()[1]}"
    link = f"<NetworkLink><Link><href>{url}/x.kml</href></Link></NetworkLink>"
    text = kml(tmp_path).decode().replace("</Document>", link + "</Document>")
    linked = make(tmp_path / "linked", soundings__csv=None, soundings__kml=text)
    grid = make(tmp_path / "grid", toml=TOML + "[files.soundings]\ncrs = 'EPSG:27700'\n", soundings__csv=moved(27700))
    environment = os.environ | dict.fromkeys(["PROJ_NETWORK_ENDPOINT", "http_proxy", "https_proxy"], url)
    found = run_check(environment | {"PROJ_NETWORK": "ON"}, linked, grid)
    assert "error" not in found
    with pytest.raises(TimeoutError):
        recorder.accept()
    recorder.close()


def test_odd_environments_change_nothing(tmp_path):
    text = table_text([[*row[:6], "d\u00e9j\u00e0 vu"] for row in sounding_rows()])
    folder = make(tmp_path / "b\u00e9at", soundings__csv=text)
    odd = {"LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "HOME": "/nowhere", "TZ": "Asia/Tokyo"}
    assert run_check(os.environ | odd, folder) == run_check(os.environ, folder)


def test_a_foreign_proj_is_named_where_it_hurts(tmp_path):
    folder = make(tmp_path / "beat")
    (folder / "terrain.tif").write_bytes(small_tiff(tmp_path))
    found = run_check(os.environ | {"PROJ_DATA": "/nowhere", "PROJ_LIB": "/nowhere", "GDAL_DATA": "/nowhere"}, folder)
    assert [line for line in found.splitlines() if line.startswith("error")] in ([], ["error proj-foreign"])


def small_tiff(tmp_path) -> bytes:
    """A surface model of 40 x 40 cells around the reach."""
    path = tmp_path / "made.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=40, height=40, count=1, dtype="float32", crs="EPSG:4326",
        transform=from_origin(LON - 0.002, LAT + 0.001, 0.0001, 0.00005),
    ) as raster:  # fmt: skip
        raster.write(np.ones((40, 40), "float32"), 1)
    return path.read_bytes()


@pytest.mark.slow
def test_ten_million_rows_are_refused_in_bounded_memory(tmp_path):
    folder = make(tmp_path / "beat")
    line = "-2.80000000,54.60000000,0.850\n" * 10_000
    with (folder / "soundings.csv").open("w") as file:
        file.write("lon,lat,depth_m\n")
        for _ in range(1000):
            file.write(line)
    code = (
        "import resource\nfrom reachmap.beat import check_beat\n"
        f"print([f.code for f in check_beat({str(folder)!r}) if f.severity == 'error'])\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    codes, peak = done.stdout.splitlines()
    assert codes == "['many-rows']"
    assert int(peak) < 800_000


def seeds(tmp_path) -> dict[str, bytes]:
    """One sound file of every kind."""
    frame().to_file(tmp_path / "seed.gpkg", layer="soundings")
    drawn = outlines(tmp_path)
    return {
        "soundings.csv": table_text(sounding_rows()[:6]).encode(),
        "soundings.nmea": as_nmea()[:900].encode(),
        "soundings.gpx": waypoints(tmp_path),
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
