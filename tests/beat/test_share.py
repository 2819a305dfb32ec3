"""What is shared holds nothing that was to stay private, and still maps."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from reachmap.beat.share import share_beat
from reachmap.errors import OutputError, SettingError
from tests import toy

SECRET = "otter hole behind the third alder"


def secret_beat():
    notes = gpd.GeoDataFrame(
        {"id": ["a"], "text": [SECRET], "kind": ["note"], "time": ["2026-06-01T10:00:00Z"]},
        geometry=[shapely.Point(3, 2)],
        crs=toy.CRS_LOCAL,
    )
    beat = toy.beat(notes=notes, name="Secret Beck")
    soundings = beat.soundings.assign(note=SECRET)
    return toy.beat(notes=notes, name="Secret Beck", soundings=soundings, cover=beat.cover.assign(note=SECRET))


def test_nothing_private_is_left_in_any_byte(tmp_path):
    files = share_beat(secret_beat(), tmp_path / "out", without=["notes", "log"], round_m=100, name="A river")
    assert {p.name for p in files} == {
        "beat.toml",
        "outline.geojson",
        "soundings.csv",
        "cover.geojson",
        "shade.geojson",
    }
    for path in files:
        data = path.read_bytes()
        assert SECRET.encode() not in data
        assert b"Secret Beck" not in data


def test_the_place_is_on_the_lattice_and_the_shape_true(tmp_path):
    share_beat(secret_beat(), tmp_path / "out", round_m=1000)
    outline = gpd.read_file(tmp_path / "out" / "outline.geojson").geometry.iloc[0]
    middle = outline.centroid
    assert abs(middle.y - toy.LAT) > 1e-4 or abs(middle.x - toy.LON) > 1e-4
    step = 1000 / 111_320
    assert middle.y / step == pytest.approx(round(middle.y / step), abs=1e-3)
    local = gpd.GeoSeries([outline], crs=4326).to_crs(gpd.GeoSeries([outline], crs=4326).estimate_utm_crs())
    assert local.area.iloc[0] == pytest.approx(toy.LENGTH * 2 * toy.HALF, rel=2e-3)


def test_unrounded_coordinates_stay_put(tmp_path):
    share_beat(secret_beat(), tmp_path / "out")
    points = gpd.read_file(tmp_path / "out" / "notes.geojson").to_crs(toy.CRS_LOCAL)
    np.testing.assert_allclose([points.geometry.x[0], points.geometry.y[0]], [3, 2], atol=0.02)


def test_an_existing_folder_is_left_alone(tmp_path):
    (tmp_path / "out").mkdir()
    with pytest.raises(OutputError, match="already there"):
        share_beat(secret_beat(), tmp_path / "out")


@pytest.mark.parametrize(("given", "says"), [({"without": ["fish"]}, "no such part"), ({"round_m": 0}, "above 0")])
def test_wrong_settings_are_refused(tmp_path, given, says):
    with pytest.raises(SettingError, match=says):
        share_beat(secret_beat(), tmp_path / "out", **given)
