"""The same survey through eight formats, and in feet, gives the same grid.

Print the differences with: pytest tests/beat/test_same_grid.py -s
"""

from __future__ import annotations

import numpy as np
import pytest

from reachmap.beat import read_beat
from reachmap.channel import build_channel
from tests.beat.folders import TOML, make, sounding_rows, table_text
from tests.beat.test_formats import write

EIGHT = ("tab", "semicolon, decimal comma", "UTF-16", "Excel", "GeoJSON", "GeoPackage", "zipped shapefile", "KMZ")
FOOT_M = 0.3048


@pytest.fixture(scope="module")
def comma(tmp_path_factory):
    return grid(write(tmp_path_factory.mktemp("comma"), "comma"))


def grid(folder):
    channel = build_channel(read_beat(folder), cell_m=0.5)
    return np.array([channel[name] for name in ("depth", "depth_sd", "speed", "nose_speed")])


@pytest.mark.parametrize("name", EIGHT)
def test_eight_formats_one_grid(tmp_path, comma, name):
    most = float(np.abs(grid(write(tmp_path, name)) - comma).max())
    print(f"{name}: greatest difference of depth, its error and speeds {most:.1e}")
    assert most < 1e-4


def test_feet_and_miles_an_hour_one_grid(tmp_path, comma):
    """1 ft = 0.3048 m and 1 mph = 0.44704 m/s by definition; the table is written to four digits after the point."""
    rows = [
        [*row[:2], f"{float(row[2]) / FOOT_M:.4f}", f"{float(row[3]) / 0.44704:.4f}" if row[3] else "", *row[4:]]
        for row in sounding_rows()
    ]
    text = table_text(rows, ("lon", "lat", "depth_ft", "speed_mph", "speed_how", "line", "note"))
    toml = TOML.replace("clarity_m = 2.5", "clarity_ft = 8.2021").replace("temperature_c = 13", "temperature_f = 55.4")
    folder = make(tmp_path / "beat", toml=toml, soundings__csv=text)
    most = float(np.abs(grid(folder) - comma).max())
    print(f"feet and mph: greatest difference {most:.1e}")
    assert most < 1e-3
    beat = read_beat(folder)
    assert beat.water.clarity_m == pytest.approx(2.5, abs=1e-4)
    assert beat.water.temperature_c == pytest.approx(13.0, abs=1e-9)
