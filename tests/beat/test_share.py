"""What is shared holds nothing that was to stay private, and still maps."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from reachmap.beat import read_beat
from reachmap.beat.share import share_beat
from reachmap.errors import OutputError, SettingError
from tests import toy
from tests.beat.folders import collection, feature, make, ring

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


@pytest.mark.parametrize(("round_m", "kept"), [(None, True), (100.0, False)])
def test_a_moved_copy_keeps_no_name_made_from_the_true_place_of_a_note(tmp_path, round_m, kept):
    share_beat(secret_beat(), tmp_path / "out", round_m=round_m)
    notes = read_beat(tmp_path / "out").notes
    assert list(notes["text"]) == [SECRET]
    assert (notes["id"][0] == "a") == kept


@pytest.mark.parametrize("hidden", [{}, {"round_m": 1000.0}, {"name": "A river"}])
def test_the_names_of_lines_go_with_the_name_or_the_place(tmp_path, hidden):
    """What hangs together still does, and what had no line has none."""
    beat = read_beat(make(tmp_path / "beat"))
    lines = beat.soundings["line"].replace({"x-55": "Mill Shed weir 1", "x-45": "", "x-35": None})
    share_beat(replace(beat, soundings=beat.soundings.assign(line=lines)), tmp_path / "out", **hidden)
    told = gpd.read_file(tmp_path / "out" / "soundings.csv")["line"].fillna("")
    assert ("Mill Shed weir 1" in set(told)) == (not hidden)
    assert ({*told} - {""} <= {str(n) for n in range(1, 13)}) == bool(hidden)
    assert list(pd.factorize(told)[0]) == list(pd.factorize(lines.fillna(""))[0])
    assert list(told == "") == list(lines.fillna("") == "")


LOG = """date_time,lat,lon,what,count,trip,id
2026-06-20T10:00,54.6001,-2.8,catch,1,with B at the weir,a
2026-06-20T11:00,54.6001,-2.8001,catch,1,,b
2026-06-21T10:00,54.6,-2.8,blank,,with B at the weir,c
2026-06-21T11:00,54.6,-2.8,blank,,the mill,d
"""
NOTES = collection(
    *(
        feature("Point", [-2.8, 54.6], id=number, kind=kind, text="", time="2026-06-20T18:00:00Z", replaces=[])
        for number, kind in (("a", "catch"), ("e", "blank"), ("f", "note"))
    )
)


def logged(tmp_path, **given):
    """A beat with a log and notes of which one stands in both, and its copy."""
    beat = read_beat(make(tmp_path / "beat", toml=WHOLE, files={"log.csv": LOG}, notes__geojson=NOTES))
    share_beat(beat, tmp_path / "out", **given)
    return beat, read_beat(tmp_path / "out")


@pytest.mark.parametrize("hidden", [{"round_m": 1000.0}, {"name": "A river"}, {"without": ["notes"]}])
def test_the_words_for_trips_go_with_the_name_the_place_or_the_remarks(tmp_path, hidden):
    _, copy = logged(tmp_path, **hidden)
    assert list(copy.log["trip"]) == ["1", "2026-06-20", "1", "2"]
    assert b"weir" not in (tmp_path / "out" / "log.geojson").read_bytes()


@pytest.mark.parametrize("hidden", [{"round_m": 1000.0}, {"name": "A river", "without": ["notes", "log"]}])
def test_the_names_of_scenes_go_with_the_name_or_the_place(tmp_path, hidden):
    beat, copy = logged(tmp_path, **hidden)
    assert [scene.name for scene in copy.scenes] == ["scene 1"]
    assert [replace(scene, name=beat.scenes[0].name) for scene in copy.scenes] == [*beat.scenes]


def test_with_the_log_go_the_notes_that_belong_to_it(tmp_path):
    _, copy = logged(tmp_path, without=["log"])
    assert copy.log.empty
    assert list(copy.notes["kind"]) == ["note"]


def test_in_a_moved_copy_a_fish_in_both_notes_and_log_is_still_one(tmp_path):
    _, copy = logged(tmp_path, round_m=1000.0)
    assert set(copy.notes["id"]) & set(copy.log["id"]) == {copy.log["id"][0]} == {copy.notes["id"][0]}
    assert not {*copy.notes["id"], *copy.log["id"]} & {*"abcdef"}
    assert b"log.csv" not in (tmp_path / "out" / "log.geojson").read_bytes()


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


WHOLE = """
name = "Höhle 🎣"
time_zone = "Europe/London"
units = "imperial"
[survey]
date = 2026-06-14
flow_m3_s = 3.1
slope = 0.004
head = [54.6, -2.80093]
bed = "cobble"
[water]
clarity_m = 2.5
clarity_how = "dark sideways"
temperature_c = 13
[fish]
species = "rainbow"
length_m = 0.41
[visitor]
unsure = true
height_m = 1.6
cast_m = 9
sink_m_s = 0.2
[cleaning]
deepest_ft = 60
spike_m = 0.9
[[scenes]]
name = "evening 🎣"
when = "2026-06-20 20:30"
cloud = 3
clarity_m = 0.8
clarity_how = "dark from above"
colour = "cloudy"
temperature_c = 19.5
bed_visible = true
town_glow_lux = 0.01
leaf_on = false
"""


def test_a_copy_reads_as_the_beat_it_was_made_from(tmp_path):
    beat = read_beat(make(tmp_path / "beat", toml=WHOLE))
    share_beat(beat, tmp_path / "out")
    copy = read_beat(tmp_path / "out")
    for name in (
        "name",
        "time_zone",
        "units",
        "survey_date",
        "flow_m3_s",
        "slope",
        "d84_m",
        "water",
        "fish",
        "visitor",
    ):
        assert getattr(copy, name) == getattr(beat, name), name
    assert copy.scenes == beat.scenes
    assert copy.settings["cleaning"] == beat.settings["cleaning"]
    np.testing.assert_allclose(copy.head, beat.head, atol=0.05)
    for name in ("depth_m", "speed_m_s"):
        np.testing.assert_array_equal(copy.soundings[name], beat.soundings[name])
    for name in ("speed_how", "line", "flag"):
        assert list(copy.soundings[name]) == list(beat.soundings[name])


def test_the_upstream_end_moves_along(tmp_path):
    """Without it the copy's river could run the other way."""
    beat = read_beat(make(tmp_path / "beat", toml=WHOLE))
    share_beat(beat, tmp_path / "out", round_m=1000)
    copy = read_beat(tmp_path / "out")
    assert abs(copy.lat - beat.lat) > 1e-4 or abs(copy.lon - beat.lon) > 1e-4
    np.testing.assert_allclose(copy.head, beat.head, atol=0.05)


def test_a_beat_nobody_sounded_can_be_shared(tmp_path):
    share_beat(read_beat(make(tmp_path / "beat", files={"soundings.csv": None})), tmp_path / "out")
    assert read_beat(tmp_path / "out").soundings.empty


def test_an_outline_with_a_slit_of_millimetres_stays_whole(tmp_path):
    """To a centimetre its sides would cross each other, and the copy could not be read."""
    slit = [(-60, -8), (60, -8), (60, 8), (0.007, 8), (0.004, -7.9), (0.003, -7.9), (0, 8), (-60, 8), (-60, -8)]
    outline = collection(feature("Polygon", [ring(slit)]))
    beat = read_beat(make(tmp_path / "beat", outline__geojson=outline))
    share_beat(beat, tmp_path / "out", round_m=100)
    assert read_beat(tmp_path / "out").outline.area == pytest.approx(beat.outline.area, rel=1e-6)
