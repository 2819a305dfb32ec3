"""The command line: exit codes, clear messages, whole output or none."""

from __future__ import annotations

import json
import re
import resource
import shutil
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from reachmap.beat.catalogue import SECTIONS
from reachmap.cli import main
from reachmap.cli.typed import CLARITY, FLOW, LENGTH, STAGE, WARMTH

FILES = {"map.html", "card.html", "layers.tif", "lies.gpkg", "lies.csv", "waypoints.gpx", "run.json"}


def call(*words: str | Path):
    """Run the command line in this process."""
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.fixture
def beat(sample_folder, tmp_path) -> Path:
    """A copy of the sample to break."""
    return Path(shutil.copytree(sample_folder, tmp_path / "beat"))


def test_help_is_quick():
    best = min(_seconds_of_help() for _ in range(5))
    assert best < 0.2


def _seconds_of_help() -> float:
    """Processor time, which other work on the machine does not lengthen."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-m", "reachmap", "--help"], capture_output=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_version_and_wrong_use():
    assert "reachmap" in call("--version").output
    assert call("map").exit_code == 2
    assert call("mapp", "x").exit_code == 2


def test_map_writes_the_whole_folder_and_a_summary(sample_folder, tmp_path):
    done = call("map", sample_folder, "--out", tmp_path / "out", "--quiet")
    assert done.exit_code == 0, done.output
    assert {p.name for p in (tmp_path / "out").iterdir()} == FILES
    for words in ("sunny noon", "left out", "Before you wade", "licensed guides"):
        assert words in done.output


def test_an_unknown_scene_is_wrong_use(sample_folder, tmp_path):
    done = call("map", sample_folder, "--scene", "noon on the moon", "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert "sunny noon" in done.output
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--when", "2026-10-10"], "Write 2026-10-10 18:30"),
        (["--when", "evening"], "Write 2026-10-10 18:30"),
        (["--when", "25:00"], "Write 2026-10-10 18:30"),
        (["--when", "2026-03-29 01:30"], "skip this time"),
        (["--when", "now", "--scene", "sunny"], "one or the other"),
        (["--cloud", "3"], "give --when as well"),
    ],
)
def test_a_moment_that_cannot_be_shown_is_wrong_use(sample_folder, tmp_path, words, says):
    done = call("map", sample_folder, "--out", tmp_path / "out", "--quiet", *words)
    assert done.exit_code == 2
    assert says in done.output
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("kind", "typed", "si"),
    [
        (STAGE, "0.3", 0.3),
        (STAGE, "-0.5ft", -0.1524),
        (STAGE, "2'6\"", 0.762),
        (LENGTH, "14in", 0.3556),
        (LENGTH, "36 cm", 0.36),
        (FLOW, "110cfs", 3.114853),
        (FLOW, "3.1 m3/s", 3.1),
        (WARMTH, "55F", 12.777778),
        (WARMTH, "32 °F", 0.0),
        (WARMTH, "13C", 13.0),
    ],
)
def test_measures_take_their_unit(kind, typed, si):
    """NIST SP 811, appendix B (from memory): foot 0.3048 m, inch 0.0254 m, cubic foot 0.02831685 m3, (F - 32)/1.8 C."""
    assert kind.convert(typed, None, None) == pytest.approx(si, abs=1e-6)


def test_the_command_line_asks_for_what_the_settings_allow():
    rows = (CLARITY, "water", "clarity_m"), (WARMTH, "water", "temperature_c"), (LENGTH, "fish", "length_m")
    for kind, section, key in (*rows, (FLOW, "survey", "flow_m3_s")):
        setting = SECTIONS[section][key]
        assert (kind.name, kind.low, kind.high) == (setting.kind, setting.low, setting.high), key


@pytest.mark.parametrize(
    ("kind", "typed"), [(WARMTH, "70"), (WARMTH, "110F"), (STAGE, "nan"), (STAGE, "2 lb"), (LENGTH, "inf"), (FLOW, "0")]
)
def test_a_measure_that_cannot_be_says_how_to_type_one(kind, typed):
    with pytest.raises(click.BadParameter, match="or with its unit"):
        kind.convert(typed, None, None)


def test_now_is_this_hour_under_both_skies(sample_folder, tmp_path):
    done = call("map", sample_folder, "--out", tmp_path / "out", "--quiet", "--json", "--when", "now")
    assert done.exit_code == 0, done.output
    skies = json.loads(done.output)["scenes"]
    assert [sky["cloud_oktas"] for sky in skies] == [0, 8]
    when = datetime.fromisoformat(skies[0]["when"])
    assert abs(datetime.now(UTC) - when) < timedelta(minutes=10)
    assert when.minute % 10 == 0
    assert str(when.utcoffset()) in ("0:00:00", "1:00:00")


def test_an_hour_alone_is_one_of_today(sample_folder):
    before = date.today()
    done = call("lies", sample_folder, "--quiet", "--json", "--when", "9:05", "--cloud", "4")
    rows = json.loads(done.output)
    assert rows
    for row in rows:
        when = datetime.fromisoformat(row["when"])
        assert (row["scene"], row["cloud_oktas"], f"{when:%H:%M}") == ("cloud 4/8", 4, "09:05")
        assert before <= when.date() <= date.today()


def test_json_record_is_json(sample_folder, tmp_path):
    done = call("map", sample_folder, "--out", tmp_path / "out", "--json", "--quiet")
    assert json.loads(done.stdout) == json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("charset", ["cp1252", "utf-8"])
def test_a_name_that_the_terminal_cannot_print_stops_nothing(beat, tmp_path, charset):
    name = "Bäch – 春"
    _edit("beat.toml", "Tarrowby Water, Mill Shed beat", name)(beat)
    runner, asked = CliRunner(charset=charset), (str(beat), "--quiet", "--cell", "2")
    mapped = runner.invoke(main, ["map", *asked, "--out", str(tmp_path / "out")])
    assert mapped.exit_code == 0, mapped.output
    shown = name.encode(charset, "backslashreplace").decode(charset)
    assert shown in mapped.output
    as_json = runner.invoke(main, ["map", *asked, "--out", str(tmp_path / "out"), "--json"])
    assert json.loads(as_json.stdout)["beat"] == name


def _swap(folder: Path) -> None:
    path = folder / "soundings.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    names = head.split(",")
    i, j = names.index("lon"), names.index("lat")
    names[i], names[j] = names[j], names[i]
    path.write_text("\n".join([",".join(names), *rows]), encoding="utf-8")


def _edit(name: str, old: str, new: str, count: int = 1):
    def change(folder: Path) -> None:
        path = folder / name
        text = path.read_text(encoding="utf-8")
        assert old in text, f"the sample's {name} no longer holds {old!r}"
        path.write_text(text.replace(old, new, count), encoding="utf-8")

    return change


def _outline(change):
    def edit(folder: Path) -> None:
        path = folder / "outline.geojson"
        data = json.loads(path.read_text(encoding="utf-8"))
        for feature in data["features"]:
            if feature["geometry"]["type"] in ("Polygon", "MultiPolygon"):
                change(feature)
        path.write_text(json.dumps(data), encoding="utf-8")

    return edit


def _ring(feature: dict) -> list:
    rings = feature["geometry"]["coordinates"]
    return rings[0] if feature["geometry"]["type"] == "Polygon" else rings[0][0]


def _cross(feature: dict) -> None:
    ring = _ring(feature)
    ring[3], ring[len(ring) // 2] = ring[len(ring) // 2], ring[3]


def _metres(feature: dict) -> None:
    ring = _ring(feature)
    ring[:] = [[(x + 3) * 70000, y * 111000] for x, y in ring]


BROKEN = {
    "no outline": (lambda f: (f / "outline.geojson").unlink(), "outline"),
    "empty outline": (lambda f: (f / "outline.geojson").write_text(""), "empty"),
    "half an outline": (
        lambda f: (f / "outline.geojson").write_text((f / "outline.geojson").read_text()[:2000]),
        "outline.geojson",
    ),
    "outline crosses itself": (_outline(_cross), "crosses itself"),
    "metres in GeoJSON": (_outline(_metres), "metres"),
    "latitude and longitude swapped": (_swap, "swapped"),
    "decimal comma": (
        lambda f: (f / "soundings.csv").write_text(
            "lon,lat,depth_m\n-2,81,54,61,0,85\n-2,8101,54,6101,0,75\n", encoding="utf-8"
        ),
        "row 2",
    ),
    "a depth in words": (
        lambda f: (f / "soundings.csv").write_text(
            "lon,lat,depth_m\n-2.81,54.61,deep\n-2.8101,54.6101,0.75\n", encoding="utf-8"
        ),
        "deep",
    ),
    "settings do not parse": (lambda f: (f / "beat.toml").write_text("name = Tarrowby\n"), "beat.toml"),
    "an unknown time zone": (_edit("beat.toml", "Europe/London", "Europe/Tarrowby"), "Europe/Tarrowby"),
    "a virtual raster in disguise": (
        lambda f: (f / "outline.geojson").write_text('<OGRVRTDataSource><OGRVRTLayer name="x"/></OGRVRTDataSource>'),
        "outline.geojson",
    ),
}


@pytest.mark.parametrize(("breaks", "says"), BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_beat_gets_one_clear_message_and_nothing_is_written(beat, tmp_path, breaks, says):
    breaks(beat)
    before = sorted(p.name for p in tmp_path.rglob("*"))
    checked = call("check", beat)
    assert checked.exit_code == 1, checked.output
    assert says in checked.output
    assert "error:" in checked.output
    assert "Traceback" not in checked.output
    mapped = call("map", beat, "--out", tmp_path / "out")
    assert mapped.exit_code == 1
    assert says in mapped.output
    assert sorted(p.name for p in tmp_path.rglob("*")) == before


def test_check_passes_the_sample(sample_folder):
    done = call("check", sample_folder)
    assert done.exit_code == 0, done.output
    assert "ready to map" in done.output


def test_check_tells_what_the_map_will_and_strict_stops_at_it(sample_folder, tmp_path):
    """Two soundings of one place that differ only show when the water is laid out."""
    pair = "rows 371, 372: 1 pair(s) of soundings within 0.5 m"
    assert f"warning: soundings.csv, {pair}" in call("check", sample_folder).output
    noticed = call("map", sample_folder, "--out", tmp_path / "out", "--quiet").output
    assert f"  - soundings.csv, {pair}" in noticed
    before = sorted(tmp_path.rglob("*"))
    for done in (
        call("check", "--strict", sample_folder),
        call("map", "--strict", sample_folder, "--out", tmp_path / "x"),
    ):
        assert done.exit_code == 1
        assert pair in done.output
    assert sorted(tmp_path.rglob("*")) == before


def test_check_is_in_the_units_of_the_beat_and_tells_once_which_end_is_upstream(sample_folder, tmp_path):
    folder = shutil.copytree(sample_folder, tmp_path / "beat")
    text = (folder / "beat.toml").read_text(encoding="utf-8")
    (folder / "beat.toml").write_text('units = "imperial"\n' + re.sub(r"(?m)^head = .*$", "", text), encoding="utf-8")
    told = call("check", folder).output
    assert "within 1.6 ft of each other" in told
    assert len([line for line in told.splitlines() if "upstream" in line]) == 1, told


def test_check_says_of_an_outline_no_river_runs_through_that_it_is_not_ready(tmp_path):
    folder = tmp_path / "beat"
    folder.mkdir()
    # Two ponds joined by a ditch no cell fits into.
    half = [(0, 0), (60, 0), (60, 9.98), (90, 9.98), (90, 0), (150, 0)]
    ring = [*half, *((x, 20 - y) for x, y in reversed(half)), half[0]]
    shapes = (
        ("Polygon", "", ring),
        ("LineString", "head end", [(0, 0), (0, 20)]),
        ("LineString", "tail end", [(150, 20), (150, 0)]),
    )
    features = []
    for kind, role, corners in shapes:
        places = [[-2.8 + x / 64000, 54.6 + y / 111000] for x, y in corners]
        geometry = {"type": kind, "coordinates": [places] if kind == "Polygon" else places}
        features.append({"type": "Feature", "properties": {"role": role}, "geometry": geometry})
    text = json.dumps({"type": "FeatureCollection", "features": features})
    (folder / "outline.geojson").write_text(text, encoding="utf-8")
    for words in (["check"], ["map", "--out", tmp_path / "out"]):
        done = call(*words, folder)
        assert done.exit_code == 1, done.output
        assert "error: outline: no water leads from the upstream end" in done.output
    # With what was noticed while reading.
    assert "there are no soundings" in call("check", folder).output


def test_places_that_cannot_be_written_are_told(beat, tmp_path):
    (tmp_path / "file").write_text("mine")
    for words, says in (
        (("map", beat, "--cell", "2", "--quiet", "--out", tmp_path / "file" / "out"), "can't be written"),
        (("compare", beat, "sunny", "overcast", "--cell", "2", "--layer", tmp_path / "no" / "x.tif"), "no such folder"),
        (("hours", beat, "--cell", "2", "--quiet", "--picture", tmp_path), "is no page, so it is left as it was"),
        (("hours", beat, "--cell", "2", "--quiet", "--picture", tmp_path / "no" / "x.html"), "can't be written"),
        (("sheet", beat, "--out", tmp_path / "file"), "is no page, so it is left as it was"),
        (("learn", beat, "--out", tmp_path / "file"), "is no page, so it is left as it was"),
        (("compare", beat, "sunny", "overcast", "--cell", "2", "--layer", tmp_path / "file"), "is no difference"),
        (("sheet", beat, "--out", "."), "is no page"),
        (("check", "a" * 300), "too long"),
        (("map", "a" * 300), "too long"),
    ):
        done = call(*words)
        assert done.exit_code == 1, words
        assert says in done.stderr
    assert (tmp_path / "file").read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


def test_a_page_and_a_difference_are_written_over_their_like(beat, tmp_path):
    for words in (
        ("sheet", beat, "--out", tmp_path / "x.html"),
        ("compare", beat, "sunny", "overcast", "--cell", "2", "--layer", tmp_path / "x.tif"),
    ):
        assert [call(*words).exit_code for _ in range(2)] == [0, 0]


def test_a_page_taken_for_a_list_of_beats_is_told_in_few_lines(beat, tmp_path):
    """Among its lines are some longer than any name of a file can be."""
    page = tmp_path / "sheet.html"
    assert call("sheet", beat, "--out", page).exit_code == 0
    done = call("map", page)
    assert done.exit_code == 1
    assert "there is no folder" in done.stderr
    assert "more lines name no folder" in done.stderr
    assert len(done.stderr.splitlines()) < 12


def test_a_day_nobody_can_mean_is_told(beat):
    done = call("hours", beat, "--cell", "2", "--quiet", "--date", "1500-01-01")
    assert done.exit_code == 2
    assert "Use 1900 to 2100" in done.stderr


def test_curves_that_were_not_written_are_not_said_to_be(beat, tmp_path):
    """The sample's log is too short to tune by; a file of that name stays what it was."""
    (tmp_path / "own.toml").write_text("mine")
    done = call("learn", beat, "--out", tmp_path / "learned.html", "--write-curves", tmp_path / "own.toml", "--quiet")
    assert done.exit_code == 0
    assert "too few to tune" in done.stdout
    assert done.stdout.splitlines()[-1] == f"Written: {tmp_path / 'learned.html'}"
    assert (tmp_path / "own.toml").read_text() == "mine"
