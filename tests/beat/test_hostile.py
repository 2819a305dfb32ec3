"""Whatever stands in a folder: no network, no traceback, bounded memory; odd environments change nothing."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

from reachmap.beat import read_beat
from tests.beat.folders import LAT, LON, TOML, make, sounding_rows, table_text
from tests.beat.test_formats import FORMATS, kml, moved, write

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
