"""A new beat maps from the start; one made from files at hand tells every guess; nothing is overwritten."""

from __future__ import annotations

import os
import re
import time
import tomllib

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from pyproj import Transformer

from reachmap.beat import read_beat
from reachmap.beat.new import new_beat
from reachmap.cli import main
from reachmap.errors import InputError, OutputError, SettingError
from tests.beat.folders import LAT, LON, make, outline_text, sounding_rows, table_text
from tests.beat.folders import to_degrees as plane_degrees
from tests.beat.test_formats import shapefile, waypoints


def test_the_example_reads_without_a_warning(tmp_path):
    found = new_beat(tmp_path / "mill")
    assert not [f for f in found if f.severity != "note"]
    beat = read_beat(tmp_path / "mill", strict=True)
    assert beat.name == "mill"
    assert len(beat.soundings) == 90
    assert (beat.soundings["flag"] == "").all()
    # The example is a bend of 120 m by 12 m along its middle.
    assert beat.outline.area == pytest.approx(1440, rel=0.01)
    assert list(tmp_path.iterdir()) == [tmp_path / "mill"]


def test_every_setting_of_the_template_is_known_when_its_mark_is_taken_off(tmp_path):
    new_beat(tmp_path / "mill")
    path = tmp_path / "mill" / "beat.toml"
    text = path.read_text(encoding="utf-8")
    # Settings that would change what the example's files mean stay shut.
    shut = (
        "# depth_unit",
        "# speed_unit",
        "# depth =",
        "# [files.soundings",
        "# Without",
        "# What",
        "# Everything",
        "# setting",
    )
    opened = [
        line[2:] if line.startswith("# ") and not line.startswith(shut) and ("=" in line or line[2] == "[") else line
        for line in text.splitlines()
    ]
    path.write_text("\n".join(opened), encoding="utf-8")
    beat = read_beat(tmp_path / "mill")
    assert beat.flow_m3_s == 3.1
    assert [scene.name for scene in beat.scenes] == ["evening rise"]


def test_a_beat_from_files_at_hand(tmp_path):
    change = Transformer.from_crs(4326, 27700, always_xy=True)
    rows = []
    for lon, lat, depth, *_ in sounding_rows():
        x, y = change.transform(float(lon), float(lat))
        rows.append(
            [f"{x:.2f}".replace(".", ","), f"{y:.2f}".replace(".", ","), str(float(depth) * 100).replace(".", ",")]
        )
    (tmp_path / "trace.geojson").write_text(outline_text())
    (tmp_path / "kayak.csv").write_text(table_text(rows, ("East", "North", "Depth at staff (cm)"), delimiter=";"))
    found = new_beat(tmp_path / "mill", "Mill Shed", [tmp_path / "trace.geojson", tmp_path / "kayak.csv"])
    codes = {f.code for f in found if f.severity == "note"}
    assert {"guess-role", "guess-column", "guess-crs", "guess-zone", "decimal-comma-read"} <= codes
    beat = read_beat(tmp_path / "mill")
    want = read_beat(make(tmp_path / "want"))
    # The national grid without its correction file is good to about 2 m here; depths are the same.
    assert beat.soundings["depth_m"].to_numpy() == pytest.approx(want.soundings["depth_m"].to_numpy(), abs=1e-6)
    assert beat.soundings.geometry.distance(want.soundings.set_crs(beat.crs, allow_override=True).geometry).max() < 3
    assert beat.name == "Mill Shed"


def test_soundings_alone_get_a_drawn_outline(tmp_path):
    (tmp_path / "kayak.csv").write_text(table_text(sounding_rows()))
    found = new_beat(tmp_path / "mill", sources=[tmp_path / "kayak.csv"])
    assert "guess-outline" in {f.code for f in found}
    beat = read_beat(tmp_path / "mill")
    assert (beat.lat, beat.lon) == pytest.approx((LAT, LON), abs=1e-4)


def command(*arguments):
    """A new beat by the command line."""
    return CliRunner().invoke(main, ["new", *(str(one) for one in arguments)])


def test_a_survey_in_metres_of_its_own_is_laid_where_it_is_said_to_lie(tmp_path):
    """By tape and compass: x along a line that runs 30 degrees east of north, y to its left, so +y points to 300."""
    rows = [(x, y, f"{1.5 - (y / 6) ** 2:.2f}") for x in range(0, 60, 6) for y in range(-5, 6, 2)]
    (tmp_path / "tape.csv").write_text(table_text(rows, ("x_m", "y_m", "depth_m")))
    assert "--at" in command(tmp_path / "mill", "--from", tmp_path / "tape.csv").output
    said = ("--at", f"{LAT},{LON}", "--bearing", "300", "--head", f"{LAT},{LON}")
    done = command(tmp_path / "mill", "--from", tmp_path / "tape.csv", *said)
    assert done.exit_code == 0, done.output
    assert not [line for line in done.stderr.splitlines() if not line.startswith("note: ")]
    beat = read_beat(tmp_path / "mill")
    # The middle of the line lies 27 m along it: 13.5 m east and 23.4 m north of its beginning.
    lon, lat = plane_degrees(27 * np.sin(np.radians(30)), 27 * np.cos(np.radians(30)))
    assert (beat.lat, beat.lon) == pytest.approx((lat, lon), abs=2e-5)
    head = beat.soundings.geometry.distance(shapely.Point(beat.head)).idxmin()
    assert head in (2, 3), "one of the two in the middle of the first section"


def test_to_which_side_x_lies_is_said_wherever_a_bearing_is(tmp_path):
    """Else a survey counted from the left bank comes out mirrored."""
    tape = "x_m,y_m,depth_m\n" + "".join(f"{x},{y},0.5\n" for x in range(0, 60, 10) for y in (1, 4, 7))
    (tmp_path / "tape.csv").write_text(tape)
    said = ("--at", f"{LAT},{LON}", "--bearing", "180")
    assert command(tmp_path / "mill", "--from", tmp_path / "tape.csv", *said).exit_code == 0
    assert command(tmp_path / "tiny").exit_code == 0
    help_text = " ".join(command("--help").output.split())
    for text in (help_text, *((tmp_path / name / "beat.toml").read_text() for name in ("mill", "tiny"))):
        assert re.search(r"\+x lies to the right of .+; if yours lies to the left, change the sign of x", text)
    # So it is: to the right of the south lies the west.
    x = read_beat(tmp_path / "mill").soundings.geometry.x
    assert x.round(1).is_monotonic_decreasing


def test_levels_on_a_grid_become_depths_by_what_is_said_of_them(tmp_path):
    change = Transformer.from_crs(4326, 27700, always_xy=True)
    rows = [
        (*change.transform(float(lon), float(lat)), 100.0 - float(depth)) for lon, lat, depth, *_ in sounding_rows()
    ]
    (tmp_path / "bed.csv").write_text(table_text(rows, ("easting", "northing", "bed_level_m")))
    assert "--water-level" in command(tmp_path / "mill", "--from", tmp_path / "bed.csv", "--crs", "EPSG:27700").output
    said = ("--crs", "EPSG:27700", "--water-level", "100")
    assert command(tmp_path / "mill", "--from", tmp_path / "bed.csv", *said).exit_code == 0
    beat = read_beat(tmp_path / "mill")
    np.testing.assert_allclose(beat.soundings["depth_m"], [float(row[2]) for row in sounding_rows()])
    assert (beat.lat, beat.lon) == pytest.approx((LAT, LON), abs=1e-4)


def test_what_no_file_asks_for_is_told(tmp_path):
    (tmp_path / "soundings.csv").write_text(table_text(sounding_rows()))
    said = ("--at", f"{LAT},{LON}", "--crs", "EPSG:27700", "--water-level", "100")
    done = command(tmp_path / "mill", "--from", tmp_path / "soundings.csv", *said)
    assert done.exit_code == 0, done.output
    assert done.stderr.count("no file at hand asks for it") == 3
    assert len(read_beat(tmp_path / "mill").soundings) == len(sounding_rows())


def test_what_is_said_of_files_needs_files(tmp_path):
    assert "name them too" in command(tmp_path / "mill", "--at", "54,-2").output
    assert "no coordinate system known" in command(tmp_path / "mill", "--crs", "utm").output
    assert "--at" in command(tmp_path / "mill", "--bearing", "300").output
    assert list(tmp_path.iterdir()) == []


def test_soundings_in_several_files_of_which_one_is_a_shapefile(tmp_path):
    (tmp_path / "trace.geojson").write_text(outline_text())
    for ending, content in shapefile(tmp_path).items():
        (tmp_path / f"one{ending}").write_bytes(content)
    change = Transformer.from_crs(4326, 27700, always_xy=True)
    rows = [(*change.transform(float(lon), float(lat)), depth) for lon, lat, depth, *_ in sounding_rows()[:9]]
    (tmp_path / "two.csv").write_text(table_text(rows, ("easting", "northing", "depth_m")))
    new_beat(tmp_path / "mill", sources=[tmp_path / name for name in ("trace.geojson", "one.shp", "two.csv")])
    assert len(read_beat(tmp_path / "mill").soundings) == len(sounding_rows()) + 9


def test_two_files_for_one_part_are_not_taken_one_over_the_other(tmp_path):
    (tmp_path / "trace.geojson").write_text(outline_text())
    (tmp_path / "depths.csv").write_text(table_text(sounding_rows()))
    for name in ("a", "b"):
        (tmp_path / f"cover {name}.geojson").write_text(outline_text().replace("{}", '{"kind": "weed"}'))
    sources = [tmp_path / name for name in ("trace.geojson", "depths.csv", "cover a.geojson", "cover b.geojson")]
    with pytest.raises(InputError, match=r"several files could be the cover: cover a\.geojson, cover b\.geojson"):
        new_beat(tmp_path / "mill", sources=sources)
    assert not (tmp_path / "mill").exists()


def test_a_skyline_is_known_by_its_columns(tmp_path):
    (tmp_path / "trace.geojson").write_text(outline_text())
    (tmp_path / "depths.csv").write_text(table_text(sounding_rows()))
    (tmp_path / "hills.csv").write_text("Azimuth,Elevation\n0,5\n120,12\n240,3\n")
    new_beat(tmp_path / "mill", sources=[tmp_path / name for name in ("trace.geojson", "depths.csv", "hills.csv")])
    assert read_beat(tmp_path / "mill").skyline.elevation_deg.tolist() == [5.0, 12.0, 3.0]


@pytest.mark.parametrize("name", ["LOG00012.csv", "coverage.csv", "sonar.csv", "Soundings 2.csv", "sounding-3.csv"])
def test_a_file_of_soundings_is_known_as_one(tmp_path, name):
    """Whatever the first letters of its name, and beside the course and height that a logger writes."""
    (tmp_path / "Coverdale beat.geojson").write_text(outline_text())
    rows = [(*row[:3], 101.2, k % 360) for k, row in enumerate(sounding_rows())]
    (tmp_path / name).write_text(table_text(rows, ("lon", "lat", "depth_m", "Elevation", "Bearing")))
    found = new_beat(tmp_path / "mill", sources=[tmp_path / "Coverdale beat.geojson", tmp_path / name])
    told = [(f.file, f.what) for f in found if f.code == "guess-role"]
    assert [file for file, what in told if "soundings" in what] == [name]
    assert [file for file, what in told if "outline" in what] == ["Coverdale beat.geojson"]
    np.testing.assert_allclose(read_beat(tmp_path / "mill").soundings["depth_m"], [float(row[2]) for row in rows])


@pytest.mark.parametrize("name", ["cover2.csv", "Cover (2).csv", "covers_may.csv"])
def test_a_number_behind_a_name_changes_nothing(tmp_path, name):
    (tmp_path / "trace.geojson").write_text(outline_text())
    (tmp_path / name).write_text(f"lon,lat,kind,size_m\n{LON},{LAT},boulder,1\n")
    new_beat(tmp_path / "mill", sources=[tmp_path / "trace.geojson", tmp_path / name])
    assert list(read_beat(tmp_path / "mill").cover["kind"]) == ["boulder"]


@pytest.mark.parametrize("name", ["Log 2026.csv", "logs.csv", "log-book.csv"])
def test_a_log_is_known_by_its_name(tmp_path, name):
    (tmp_path / "trace.geojson").write_text(outline_text())
    (tmp_path / name).write_text(f"time,lon,lat,kind\n2026-06-20 19:00,{LON},{LAT},catch\n")
    new_beat(tmp_path / "mill", sources=[tmp_path / "trace.geojson", tmp_path / name])
    assert len(read_beat(tmp_path / "mill").log) == 1


def test_waypoints_named_by_their_depth(tmp_path):
    (tmp_path / "trace.geojson").write_text(outline_text())
    (tmp_path / "garage.gpx").write_text(waypoints())
    found = new_beat(tmp_path / "mill", sources=[tmp_path / "trace.geojson", tmp_path / "garage.gpx"])
    assert "column 'name'" in next(f.where for f in found if f.code == "depth-in-words")
    got = read_beat(tmp_path / "mill").soundings["depth_m"]
    assert list(got) == [float(row[2]) for row in sounding_rows()]


def test_files_that_cannot_be_used_leave_nothing(tmp_path):
    (tmp_path / "a.csv").write_text("lon,lat,depth\n1,2,deep\n")
    before = sorted(tmp_path.iterdir())
    with pytest.raises(InputError, match="deep"):
        new_beat(tmp_path / "mill", sources=[tmp_path / "a.csv"])
    with pytest.raises(InputError, match="can't be read"):
        new_beat(tmp_path / "mill", sources=[tmp_path / "absent.csv"])
    assert sorted(tmp_path.iterdir()) == before


def test_what_was_guessed_is_told_where_the_beat_cannot_be_used(tmp_path):
    (tmp_path / "a.csv").write_text("lon,lat,depth\n1,2,deep\n")
    told = command(tmp_path / "mill", "--from", tmp_path / "a.csv").output
    assert "deep" in told
    assert "note: a.csv: was taken as the soundings" in told


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "mill").mkdir()
    with pytest.raises(OutputError, match="already there"):
        new_beat(tmp_path / "mill")
    (tmp_path / "file").write_text("mine")
    with pytest.raises(OutputError, match="already there"):
        new_beat(tmp_path / "file")
    assert (tmp_path / "file").read_text() == "mine"


@pytest.mark.parametrize("name", ["", "a\nb", "x" * 500, "\u202eabc"])
def test_a_name_must_be_one(tmp_path, name):
    with pytest.raises(SettingError, match="a name has 1 to 120 visible characters"):
        new_beat(tmp_path / "mill", name)
    assert not list(tmp_path.iterdir())


def test_a_name_with_quotes_and_slashes_is_kept(tmp_path):
    name = 'The "Long" \\ Pool {{7*7}} <b>'
    new_beat(tmp_path / "mill", name)
    assert tomllib.loads((tmp_path / "mill" / "beat.toml").read_text(encoding="utf-8"))["name"] == name
    assert read_beat(tmp_path / "mill").name == name


def test_a_place_below_a_file_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="can't be written"):
        new_beat(tmp_path / "file" / "mill")


def test_what_a_killed_run_left_is_swept_away(tmp_path):
    old, young = tmp_path / ".mill.new-1", tmp_path / ".mill.new-2"
    for folder in (old, young):
        folder.mkdir()
        (folder / "beat.toml").write_text("half")
    os.utime(old, (time.time() - 7200,) * 2)
    new_beat(tmp_path / "mill")
    assert not old.exists()
    assert young.exists()
