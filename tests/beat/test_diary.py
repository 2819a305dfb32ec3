"""Adding to the log and taking notes in: what is written is read back, what was there stays."""

from __future__ import annotations

import csv
import json
import shutil

import geopandas as gpd
import numpy as np
import pyproj
import pytest
from click.testing import CliRunner

from reachmap.beat import read_beat
from reachmap.beat.diary import COLUMNS, add_entry
from reachmap.beat.notes import merge_notes, read_notes, shown, write_notes
from reachmap.beat.notes_in import notes_of
from reachmap.cli import main
from reachmap.errors import InputError
from reachmap.write.webmap_data import note_features
from tests.beat.folders import LAT, LON, TOML, make

ENTRY = {"date_time": "2026-06-20T19:40", "lat": LAT, "lon": LON, "what": "catch", "length_m": 0.41, "note": 'a, "b"'}


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def test_the_first_entry_makes_the_log_and_reads_back(tmp_path):
    folder = make(tmp_path / "beat")
    for what in ("catch", "blank"):
        path = add_entry(folder, {**ENTRY, "what": what})
    assert rows(path)[0] == list(COLUMNS)
    log = read_beat(folder).log
    assert list(log["what"]) == ["catch", "blank"]
    assert log["length_m"].tolist() == [0.41, 0.41]
    assert log["text"].tolist() == ['a, "b"'] * 2
    assert f"{log['time'].iloc[0]:%Y-%m-%d %H:%M %Z}" == "2026-06-20 18:40 UTC"


@pytest.mark.parametrize("ending", ["\n", "\r\n", ""])
def test_columns_and_rows_of_the_users_own_stay(tmp_path, ending):
    mine = ["When;Lat;Lon;Weather;What;Length", "2026-05-01 10:00;54,6;-2,8;grim;follow;0,3"]
    folder = make(tmp_path / "beat", log__csv=(ending or "\n").join(mine) + ending)
    path = add_entry(folder, {k: v for k, v in ENTRY.items() if k != "note"})
    got = [line for line in path.read_text(encoding="utf-8").splitlines() if line]
    assert got[:2] == mine
    assert got[2] == f"2026-06-20T19:40;{str(LAT).replace('.', ',')};{str(LON).replace('.', ',')};;catch;0,41"
    assert len(read_beat(folder).log) == 2


@pytest.mark.parametrize(
    ("mine", "point"),
    [
        (f"date_time;lat;lon;what;length_m;note\n2026-05-01 10:00;{LAT};{LON};follow;0.3;dry fly, size 16\n", "."),
        ("sep=;\ndate_time;lat;lon;what;length_m;note\n2026-05-01 10:00;54,6;-2,8;follow;0,3;dry fly\n", ","),
        ("sep=|\n// by hand\ndate_time|lat|lon|what|length_m|note\n2026-05-01 10:00|54,6|-2,8|follow|0,3|\n", ","),
        ("date_time;lat;lon;what;length_m;note;;\n", "."),
    ],
)
def test_an_entry_is_written_as_the_log_is(tmp_path, mine, point):
    folder = make(tmp_path / "beat", log__csv=mine)
    path = add_entry(folder, ENTRY)
    text = path.read_text(encoding="utf-8")
    assert text.startswith(mine)
    assert f"0{point}41" in text[len(mine) :]
    last = read_beat(folder).log.iloc[-1]
    assert (last["length_m"], last["text"]) == (0.41, ENTRY["note"])


def test_what_has_no_column_is_refused_and_the_log_stays(tmp_path):
    mine = "date_time,lat,lon,what\n2026-05-01 10:00,54.6,-2.8,follow\n"
    folder = make(tmp_path / "beat", log__csv=mine)
    with pytest.raises(InputError, match=r"log\.csv.*no column for length_m"):
        add_entry(folder, ENTRY)
    assert (folder / "log.csv").read_text() == mine
    assert not list(folder.glob(".*"))


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "say where"),
        (("--at", "54.6,-2.8", "--lie", "1"), "say where"),
        (("--at", "54.6"), "expected latitude,longitude"),
        (("--at", "-2.8,254.6"), "latitude stands first"),
        (("--at", "54.6,-2.8", "--when", "yesterday"), "is no day and hour"),
        (("--lie", "999"), "the map has no lie"),
    ],
)
def test_wrong_use_is_told_and_nothing_written(tmp_path, words, says):
    folder = make(tmp_path / "beat")
    done = CliRunner().invoke(main, ["log", "add", str(folder), "--what", "catch", *words])
    assert done.exit_code == 2, done.output
    assert says in done.output
    assert not (folder / "log.csv").exists()


def test_the_command_adds_by_place_and_by_lie(tmp_path, sample_folder):
    folder = shutil.copytree(sample_folder, tmp_path / "beat")
    (folder / "log.csv").unlink()
    beat = read_beat(folder)
    for where in (("--at", f"{beat.lat},{beat.lon}"), ("--lie", "1")):
        done = CliRunner().invoke(main, ["log", "add", str(folder), "--what", "sighting", "--count", "2", *where])
        assert done.exit_code == 0, done.output
    beat = read_beat(folder)
    assert beat.log["count"].tolist() == [2, 2]
    assert beat.outline.buffer(1).contains(beat.log.geometry.iloc[1])


def test_an_entry_off_the_water_or_yet_to_come_is_added_with_a_word(tmp_path):
    """In the units of the beat; one on the water, met by now, needs none."""
    folder = make(tmp_path / "beat", toml=TOML.replace("[survey]", 'units = "imperial"\n[survey]', 1))
    for at, when, words in (
        (f"{LAT},{LON}", "2026-06-20 18:30", ()),
        (f"{LAT + 0.001},{LON}", "2026-06-20 18:30", (" ft from the water", "won't count")),
        (f"{LAT},{LON}", "2062-06-20 18:30", ("2062-06-20T18:30 is still to come",)),
    ):
        done = CliRunner().invoke(main, ["log", "add", str(folder), "--what", "catch", "--at", at, "--when", when])
        assert done.exit_code == 0, done.output
        assert "added to" in done.output
        assert done.output.count("warning: log.csv") == bool(words)
        assert all(word in done.output for word in words)


GPX = f"""<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">
<wpt lat="{LAT}" lon="{LON}"><time>2026-06-20T18:40:00Z</time><name>Big stone</name><desc>rises at dusk</desc></wpt>
<wpt lat="{LAT}" lon="{LON + 0.0003}"><name>Gate</name></wpt></gpx>"""
TABLE = f"lat,lon,text,kind,time\n{LAT},{LON},good seam,catch,2026-06-20T19:00:00Z\n{LAT},{LON},log jam,hazard,\n"


def test_waypoints_and_tables_become_notes_once(tmp_path):
    (tmp_path / "marks.gpx").write_text(GPX)
    (tmp_path / "table.csv").write_text(TABLE)
    piles = [notes_of(tmp_path / name) for name in ("marks.gpx", "table.csv", "marks.gpx")]
    merged = shown(merge_notes(*piles))
    told = sorted((n["properties"]["text"], n["properties"]["kind"]) for n in merged)
    assert told == [
        ("Big stone - rises at dusk", "note"),
        ("Gate", "note"),
        ("good seam", "catch"),
        ("hazard: log jam", "note"),
    ]
    at = next(n["geometry"]["coordinates"] for n in merged if n["properties"]["text"] == "Gate")
    assert at == pytest.approx([LON + 0.0003, LAT], abs=2e-7)


def test_the_command_merges_any_of_them_and_the_next_map_has_them(tmp_path):
    folder = make(tmp_path / "beat")
    (tmp_path / "marks.gpx").write_text(GPX)
    (tmp_path / "table.csv").write_text(TABLE)
    call = ["notes", str(folder), str(tmp_path / "marks.gpx"), str(tmp_path / "table.csv")]
    for _ in range(2):
        done = CliRunner().invoke(main, call)
        assert done.exit_code == 0, done.output
        assert "4 notes" in done.output
    assert len(read_beat(folder).notes) == 4


def notes_command(*arguments):
    """Merge notes by the command line."""
    return CliRunner().invoke(main, ["notes", *(str(one) for one in arguments)])


def test_they_go_into_the_file_of_notes_the_beat_names(tmp_path):
    folder = make(tmp_path / "beat", toml=TOML + '[files.notes]\npath = "mine.geojson"\n')
    write_notes(folder / "mine.geojson", [])
    (tmp_path / "marks.gpx").write_text(GPX)
    assert notes_command(folder, tmp_path / "marks.gpx").exit_code == 0
    assert not (folder / "notes.geojson").exists()
    assert len(read_beat(folder).notes) == 2


def test_notes_kept_as_a_table_are_merged_too_and_the_table_is_named(tmp_path):
    """Two files of notes would stop the next map: no word is lost, and one is told which to move."""
    folder = make(tmp_path / "beat", notes__csv=TABLE)
    (tmp_path / "marks.gpx").write_text(GPX)
    done = notes_command(folder, tmp_path / "marks.gpx")
    assert "4 notes" in done.output
    assert "move that file out of the beat" in done.output
    assert (folder / "notes.csv").read_text() == TABLE
    (folder / "notes.csv").unlink()
    assert len(read_beat(folder).notes) == 4


@pytest.mark.parametrize(
    ("header", "toml"),
    [
        ("date_time,lat,lon,what,length,clarity,hours", '[files.log]\nlength_unit = "in"\n'),
        ("date,time,lat,lon,event,length (in),visibility (ft),hours (min)", ""),
        ("Date,Hour,lat,lon,event,Length_cm,clarity,Hours", ""),
        ("Date;Lat;Lon;Kind;Length_cm;Clarity;Hours;Title", '[files.log]\ndecimal = ","\n'),
        ("lon,lat,ours,when,how long,fish_length,clarity", '[files.log.columns]\nwhat = "ours"\nhours = "how long"\n'),
    ],
)
def test_an_entry_reads_back_as_it_was_told_whatever_the_columns_hold(tmp_path, header, toml):
    folder = make(tmp_path / "beat", toml=TOML + toml, log__csv=header + "\n")
    for what in ("catch", "follow"):
        add_entry(folder, {**ENTRY, "what": what, "clarity_m": 1.8, "hours": 1.5, "note": None})
    log = read_beat(folder).log
    assert list(log["what"]) == ["catch", "follow"]
    assert log["length_m"].tolist() == pytest.approx([0.41] * 2, abs=1e-5)
    assert log["clarity_m"].tolist() == pytest.approx([1.8] * 2)
    assert log["hours"].tolist() == pytest.approx([1.5] * 2)
    assert [f"{when:%Y-%m-%d %H:%M}" for when in log["time"]] == ["2026-06-20 18:40"] * 2


def plain_feature(shape, coordinates, **properties):
    return {"type": "Feature", "properties": properties, "geometry": {"type": shape, "coordinates": coordinates}}


def plain_file(features, **more):
    return json.dumps({"type": "FeatureCollection", "features": features, **more})


def as_national_grid():
    to_grid = pyproj.Transformer.from_crs(4326, 27700, always_xy=True)
    features = [
        plain_feature("Point", to_grid.transform(LON, LAT), id="a", text="gate", kind="note", time="t1", replaces="[]"),
        plain_feature("Point", to_grid.transform(LON + 1e-4, LAT), name="log jam"),
    ]
    return plain_file(features, crs={"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::27700"}})


AREA = [[[LON, LAT], [LON + 1e-4, LAT], [LON, LAT + 1e-4], [LON, LAT]]]
ELSEWHERE = {
    "without ids": {
        "notes__geojson": plain_file(
            [
                plain_feature("Point", [LON, LAT], text="gate", kind="hazard", colour="red"),
                plain_feature("Point", [LON + 1.23456789123e-5, LAT], name="log", desc="a jam\nin spate"),
            ]
        )
    },
    "an area and a height": {
        "notes__geojson": plain_file(
            [plain_feature("Polygon", AREA, note="wet"), plain_feature("Point", [LON, LAT, 9], text="stile")]
        )
    },
    "another grid": {"notes__geojson": as_national_grid()},
    "a table": {"notes__csv": TABLE},
    "waypoints": {"notes__gpx": GPX},
    "a tape": {
        "notes__csv": "x,y,text\n1,2,gate\n3,4,log jam\n",
        "toml": TOML + f'[place]\nanchor = [{LAT}, {LON}]\nbearing_deg = 20\n[files.notes]\ncrs = "local"\n',
    },
    "columns of one's own": {
        "notes__csv": f"lat,lon,what I saw\n{LAT},{LON},gate\n{LAT},{LON},otter\n",
        "toml": TOML + '[files.notes.columns]\ntext = "what I saw"\n',
    },
}
"""Notes that no map wrote, two in each."""


@pytest.mark.parametrize("kind", ELSEWHERE)
def test_notes_from_elsewhere_come_back_from_a_map_as_the_same_notes(tmp_path, kind):
    """As the page gives them back, one edited there, one taken back; and the next map has what was left."""
    folder = make(tmp_path / "beat", **ELSEWHERE[kind])
    shown_there = note_features(read_beat(folder).notes)
    words = [note["properties"]["text"] for note in shown_there]
    assert len(shown_there) == 2
    write_notes(tmp_path / "all.geojson", shown_there)
    for _ in range(2):
        done = notes_command(folder, tmp_path / "all.geojson")
        assert (done.exit_code, "2 notes in" in done.output) == (0, True), done.output
        # A file of another kind goes, as one is told, and what beat.toml said of it.
        for own in (folder / "notes.csv", folder / "notes.gpx"):
            own.unlink(missing_ok=True)
        (folder / "beat.toml").write_text(TOML)
    assert sorted(read_beat(folder).notes["text"]) == sorted(words)
    for note, more in zip(shown_there, ({"text": "new words"}, {"deleted": True}), strict=True):
        said = note["properties"]
        note["properties"] = {**said, "replaces": [said["time"]], "time": "2026-11-27T04:00:00Z", **more}
    write_notes(tmp_path / "all.geojson", shown_there)
    assert "1 notes in" in notes_command(folder, tmp_path / "all.geojson").output
    assert list(read_beat(folder).notes["text"]) == ["new words"]


PATH = [[LON, LAT], [LON + 2e-4, LAT + 1e-5], [LON + 3e-4, LAT + 2e-5], [LON + 4e-4, LAT]]


@pytest.mark.parametrize("grid", [False, True], ids=["degrees", "another grid"])
def test_lines_and_areas_stay_what_they_were_drawn_as(tmp_path, grid):
    """A map gives a point on each back, the words of one changed there; a note moved elsewhere is a point there."""
    shapes = [("LineString", PATH), ("LineString", PATH[1:3]), ("Polygon", AREA), ("LineString", PATH[:2])]
    features = [plain_feature(kind, at, text=f"note {k}") for k, (kind, at) in enumerate(shapes)]
    file = plain_file(features)
    if grid:
        drawn = gpd.GeoDataFrame.from_features(features, crs=4326).to_crs(27700)
        file = drawn.to_json(drop_id=True, to_wgs84=False)
    folder = make(tmp_path / "beat", notes__geojson=file)
    given = note_features(read_beat(folder).notes)
    assert {note["geometry"]["type"] for note in given} == {"Point"}
    edited, moved = given[0], given[3]
    edited["properties"] |= {"text": "path", "replaces": [""], "time": "2026-11-27T04:00:00Z"}
    moved["properties"] |= {"replaces": [""], "time": "2026-11-27T04:00:00Z"}
    moved["geometry"]["coordinates"] = [LON, LAT + 1e-3]
    write_notes(tmp_path / "down.geojson", given)
    for _ in range(2):
        done = notes_command(folder, tmp_path / "down.geojson")
        assert "4 notes in" in done.output, done.output
        found = {note["properties"]["text"]: note["geometry"] for note in read_notes(folder / "notes.geojson")}
        for words, (kind, at) in zip(("path", "note 1", "note 2"), shapes, strict=False):
            assert found[words]["type"] == kind
            np.testing.assert_allclose(found[words]["coordinates"], at, atol=1e-6 if grid else 0)
        assert found["note 3"] == moved["geometry"]


def test_what_else_stood_with_a_note_stays(tmp_path):
    folder = make(tmp_path / "beat", **ELSEWHERE["without ids"])
    write_notes(tmp_path / "none.geojson", [])
    assert notes_command(folder, tmp_path / "none.geojson").exit_code == 0
    found = {note["properties"]["text"]: note for note in read_notes(folder / "notes.geojson")}
    assert set(found) == {"hazard: gate", "log - a jam in spate"}
    assert found["hazard: gate"]["properties"]["colour"] == "red"
    assert found["log - a jam in spate"]["geometry"]["coordinates"] == [LON + 1.23456789123e-5, LAT]


def test_notes_for_no_beat_and_for_one_that_cannot_be_written_are_told(tmp_path):
    (tmp_path / "marks.gpx").write_text(GPX)
    done = notes_command(tmp_path / "nope", tmp_path / "marks.gpx")
    assert (done.exit_code, "no such folder" in done.output) == (1, True)
    folder = make(tmp_path / "beat")
    (folder / ".notes.geojson.new").mkdir()
    done = notes_command(folder, tmp_path / "marks.gpx")
    assert (done.exit_code, "can't be written" in done.output) == (1, True)


def test_a_file_that_holds_no_places_is_told(tmp_path):
    (tmp_path / "table.csv").write_text("a,b\n1,2\n")
    with pytest.raises(InputError, match=r"table\.csv"):
        notes_of(tmp_path / "table.csv")
