"""Cover, shade, notes and log as people write them."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from reachmap.beat import check_beat, read_beat
from reachmap.beat.notes import note_id
from reachmap.beat.share import share_beat
from reachmap.run import analyse
from tests.beat.folders import BOX, TOML, collection, feature, make, ring


def spot(x, y, **properties):
    """A point feature at metres from the middle."""
    return feature("Point", ring([(x, y)])[0], **properties)


def read(tmp_path, **files):
    """A beat with some more files."""
    return read_beat(make(tmp_path / "beat", **files))


@pytest.mark.parametrize(
    ("header", "cell", "want"),
    [("hours", "1.5", 1.5), ("hours", "90 min", 1.5), ("hours", "2h", 2.0), ("hours (min)", "45", 0.75)],
)
def test_hours_fished_with_or_without_their_unit(tmp_path, header, cell, want):
    log = f"date_time,lon,lat,what,{header}\n2026-06-20T19:00,-2.8,54.6,blank,{cell}\n"
    assert list(read(tmp_path, log__csv=log).log["hours"]) == [pytest.approx(want)]


def test_cover_of_every_shape_and_word(tmp_path):
    text = collection(
        spot(0, 1, kind="Boulder", size_m=1.2, height_m=0.8),
        feature("LineString", ring([(-30, -7.5), (-10, -7.5)]), kind="undercut bank", note="deep"),
        feature("Polygon", [ring([(20, 2), (25, 2), (25, 5), (20, 5), (20, 2)])], kind="weed bed"),
        spot(5, 2, type="rock"),
    )
    cover = read(tmp_path, cover__geojson=text.replace('"type": "rock"', '"kind": "rock"')).cover
    assert list(cover["kind"]) == ["boulder", "undercut", "weed", "boulder"]
    np.testing.assert_allclose(cover["size_m"][:1], [1.2])
    assert cover["size_m"][3] > 0
    assert cover.geometry.iloc[0].x == pytest.approx(0, abs=0.01)


@pytest.mark.parametrize(
    ("word", "kind"),
    [("Tree line", "tree"), ("trees", "tree"), ("tree2", "tree"), ("bushes", "hedge"), ("hedgerow", "hedge"),
     ("footbridge", "bridge"), ("walls", "wall"), ("bankside alder", ""), ("hedgehog", ""), ("wallflower", ""),
     ("Hedgerows", "hedge"), ("hedgerow (gaps)", "hedge"), ("treelines", "tree"), ("tree_row", "tree"),
     ("treerow", "tree"), ("treetops", "tree"), ("wallside", "wall"), ("wallside ivy", ""), ("banktop", "bank"),
     ("bankside", "bank")],
)  # fmt: skip
def test_a_kind_is_known_by_a_whole_word(tmp_path, word, kind):
    """Of what is none nothing is guessed: an alder is no bank that lets no light through."""
    folder = make(tmp_path / "beat", shade__geojson=collection(spot(0, -11, kind=word, height_m=12)))
    wrong = [f.code for f in check_beat(folder) if f.severity == "error"]
    assert wrong == ([] if kind else ["kind-unknown"])
    assert not kind or list(read_beat(folder).shade["kind"]) == [kind]


@pytest.mark.parametrize(
    ("word", "kind"),
    [("weedbeds", "weed"), ("logjams", "log"), ("logpile", "log"), ("boulderfield", "boulder"),
     ("undercutbank", "undercut"), ("woody debris", "log")],
)  # fmt: skip
def test_cover_is_known_however_its_words_are_joined(tmp_path, word, kind):
    assert list(read(tmp_path, cover__geojson=collection(spot(0, 1, kind=word, size_m=1))).cover["kind"]) == [kind]


def test_words_for_what_was_met_and_for_leaves_may_go_on(tmp_path):
    """Nothing of a log is lost because somebody wrote "blanked"."""
    met = [("blanked", "brownie"), ("following", "browntrout"), ("catches", "rainbowtrout"), ("seen", "Brown trout")]
    log = "time,lon,lat,what,species\n" + "".join(f"2026-06-20T19:00,-2.8,54.6,{a},{b}\n" for a, b in met)
    shade = collection(spot(0, -11, kind="tree", height_m=12, leaf="densely"))
    beat = read(tmp_path, log__csv=log, shade__geojson=shade)
    assert list(beat.log["what"]) == ["blank", "follow", "catch", "sighting"]
    assert list(beat.log["species"]) == ["brown", "brown", "rainbow", "brown"]
    assert list(beat.shade["leaf"]) == ["dense"]
    assert not {"log-what", "species-unknown", "leaf-unknown"} & {f.code for f in beat.findings}


@pytest.mark.parametrize("leaf", ["evergreen", "Evergreens", "spruce", "Conifers", "yew", "Scots pine"])
def test_trees_that_keep_their_leaves_are_known_by_their_names(tmp_path, leaf):
    shade = collection(spot(0, -11, kind="tree", height_m=12, leaf=leaf))
    beat = read_beat(make(tmp_path, shade__geojson=shade))
    assert list(beat.shade["leaf"]) == ["evergreen"]
    assert "leaf-unknown" not in {f.code for f in beat.findings}


def test_cover_in_feet_from_a_table(tmp_path):
    text = "lon,lat,kind,size (ft),height (in)\n-2.8,54.6,boulder,4,30\n"
    cover = read(tmp_path, cover__csv=text).cover
    # 4 ft and 30 in, by definition of the foot and the inch.
    assert cover["size_m"][0] == pytest.approx(1.2192)
    assert cover["height_m"][0] == pytest.approx(0.762)


def test_a_unit_that_sizes_and_heights_do_not_name_is_told(tmp_path):
    """A guess, unless the header, every cell or beat.toml says it."""
    files = {
        "cover__csv": "lon,lat,kind,size,height_m\n-2.8,54.6,boulder,4,1\n-2.8001,54.6,boulder,,\n",
        "shade__csv": "lon,lat,kind,height,base,radius,leaf\n-2.8,54.6001,tree,40,5 ft,,alder\n",
        "log__csv": "time,lon,lat,what,length,clarity (ft),count\n2026-06-20T19:00,-2.8,54.6,catch,0.3,4,1\n",
    }
    told = [(f.file, f.where) for f in read(tmp_path, **files).findings if f.code == "unit-assumed"]
    assert told == [("cover.csv", "column 'size'"), ("shade.csv", "column 'height'"), ("log.csv", "column 'length'")]
    said = "".join(f"[files.{name}]\nlength_unit = 'ft'\n" for name in ("cover", "shade", "log"))
    beat = read_beat(make(tmp_path / "said", TOML + said, **files))
    assert "unit-assumed" not in {f.code for f in beat.findings}
    assert beat.shade["height_m"][0] == pytest.approx(40 * 0.3048)


def test_shade_has_everything_it_needs(tmp_path):
    text = collection(
        spot(-25, -11, kind="tree", height_m=9, base_m=2, radius_m=3, leaf="alder"),
        spot(0, -11, kind="tree", height_m=12),
        feature("LineString", ring([(30, -9), (30, 9)]), kind="footbridge", height_m=3.2, base_m=2.6),
        feature("Polygon", [ring(BOX)], kind="wall"),
    )
    beat = read(tmp_path, shade__geojson=text)
    shade = beat.shade
    assert list(shade["kind"]) == ["tree", "tree", "bridge", "wall"]
    np.testing.assert_allclose(shade["height_m"][:3], [9, 12, 3.2])
    assert (shade["height_m"] > shade["base_m"]).all()
    assert np.isfinite(shade["radius_m"]).tolist() == [True, True, False, False]
    assert list(shade["leaf"][:2]) == ["alder", "mixed"]
    assert "1 have no height" in next(f.what for f in beat.findings if f.code == "shade-no-height")


@pytest.mark.parametrize(
    ("drawn", "area"),
    [
        ([(0, 12), (10, 12), (0, 18), (10, 18), (0, 12)], 30.0),
        ([(0, 12), (10, 12), (10, 12), (0, 12)], 0.0),
        ([(0, 12), (6, 12), (6, 18), (6, 24), (6, 18), (0, 18), (0, 12)], 36.0),
    ],
    ids=["a bow tie", "a line there and back", "a spike"],
)
def test_a_wood_or_weed_bed_whose_line_crosses_itself_is_taken_as_what_it_goes_round(tmp_path, drawn, area):
    """A finger on a phone draws like that; the areas are by the shoelace formula of the parts."""
    shade = collection(feature("Polygon", [ring(drawn)], kind="tree", height_m=9))
    cover = collection(feature("Polygon", [ring([(x, y - 15) for x, y in drawn])], kind="weed"))
    beat = read(tmp_path, shade__geojson=shade, cover__geojson=cover)
    for table, file in ((beat.shade, "shade.geojson"), (beat.cover, "cover.geojson")):
        assert table.geometry.is_valid.all()
        assert table.geometry.area.sum() == pytest.approx(area, abs=0.1)
        (told,) = [finding for finding in beat.findings if finding.code == "feature-crosses" and finding.file == file]
        assert told.where == "feature 1"
    analysed = analyse(beat, cell_m=1.0)
    assert np.isfinite(analysed.first[1].light["light_bed"]).all()


def test_a_log_is_in_the_beats_own_time(tmp_path):
    text = (
        "date_time,lat,lon,what,species,length (in),count,hours,cloud,clarity_m,note,trip\n"
        "2026-06-14 19:30,54.6,-2.8,caught,brown trout,14,2,1.5,3,1.8,by the alder,a\n"
        "14/01/2026 11:00,54.6,-2.8,blank,,,,2,,,,\n"
        "evening,54.6,-2.8,cacth,,,,,,,,\n"
    )
    beat = read(tmp_path, log__csv=text)
    log = beat.log
    # British Summer Time is an hour ahead of UTC, winter time is UTC.
    assert [time.to_pydatetime() for time in log["time"][:2]] == [
        datetime(2026, 6, 14, 18, 30, tzinfo=UTC),
        datetime(2026, 1, 14, 11, 0, tzinfo=UTC),
    ]
    assert log["time"].isna().tolist() == [False, False, True]
    assert list(log["what"]) == ["catch", "blank", ""]
    assert list(log["trip"]) == ["a", "2026-01-14", ""]
    assert log["species"][0] == "brown"
    assert log["length_m"][0] == pytest.approx(14 * 0.0254)
    assert log["hours"][:2].tolist() == [1.5, 2]
    assert {"log-time", "log-what"} <= {f.code for f in beat.findings}


def test_a_day_and_an_hour_apart_and_a_day_alone(tmp_path):
    text = (
        "date,time,lat,lon,what\n14/06/2026,7:30 PM,54.6,-2.8,catch\n2026-01-14,11:00,54.6,-2.8,blank\n"
        "15/06/2026,,54.6,-2.8,catch\n"
    )
    beat = read(tmp_path, log__csv=text)
    assert [f"{when:%Y-%m-%d %H:%M}" for when in beat.log["time"][:2]] == ["2026-06-14 18:30", "2026-01-14 11:00"]
    assert beat.log["time"].isna().tolist() == [False, False, True]
    assert list(beat.log["trip"]) == ["2026-06-14", "2026-01-14", "2026-06-15"]
    (told,) = (f for f in beat.findings if f.code.startswith("log-"))
    assert (told.code, told.where) == ("log-hour", "row 4")


def test_an_hour_of_the_clock_is_no_effort(tmp_path):
    """A column of hours is one of times of day, of numbers under another name the effort; neither is lost."""
    text = (
        "Date,Hour,Lat,Lon,Event,Hours\n06/14/2026,7:30 PM,54.6,-2.8,landed,0.5\n06/15/2026,11:00 AM,54.6,-2.8,none,2\n"
        "06/16/2026,3,54.6,-2.8,none,\n"
    )
    beat = read(tmp_path, log__csv=text)
    assert [f"{when:%Y-%m-%d %H:%M}" for when in beat.log["time"][:2]] == ["2026-06-14 18:30", "2026-06-15 10:00"]
    assert beat.log["hours"][:2].tolist() == [0.5, 2.0]
    assert list(beat.log["trip"]) == ["2026-06-14", "2026-06-15", "2026-06-16"]
    (told,) = (f for f in beat.findings if f.code.startswith("log-"))
    assert (told.code, told.where) == ("log-hour", "row 4")
    assert not any(f.code == "column-unknown" for f in beat.findings)


def test_notes_keep_their_history_and_hide_what_was_taken_back(tmp_path):
    text = collection(
        spot(0, 0, id="a", text="rise <b>here</b>", kind="sighting", time="2026-06-14T18:30:00.000Z", replaces=["x"]),
        spot(5, 0, id="b", text="gone", kind="note", time="2026-06-14T18:31:00.000Z", replaces=[], deleted=True),
        spot(9, 0, text="no id \u202e\x00 here"),
    )
    notes = read(tmp_path, notes__geojson=text).notes
    place = json.loads(text)["features"][2]["geometry"]["coordinates"]
    assert list(notes["id"]) == ["a", note_id("no id here", place)]
    assert notes["replaces"][0] == ["x"]
    assert list(notes["text"]) == ["rise <b>here</b>", "no id here"]


def test_what_lies_nowhere_or_is_too_long_is_told(tmp_path):
    text = collection(spot(0, 0, text="x" * 10_000), {"type": "Feature", "properties": {"text": "b"}, "geometry": None})
    found = {f.code: f for f in check_beat(make(tmp_path / "beat", notes__geojson=text))}
    assert found["feature-empty"].where == "feature 2"
    assert "10000 characters" in found["text-long"].what


def test_a_shared_copy_reads_like_the_first(tmp_path):
    first = read(
        tmp_path,
        cover__geojson=collection(spot(0, 1, kind="boulder", size_m=1.2)),
        shade__geojson=collection(spot(0, -11, kind="tree", height_m=12)),
        log__csv="date_time,lat,lon,what,count\n2026-06-14 19:30,54.6,-2.8,catch,2\n",
        notes__geojson=collection(
            spot(0, 0, id="a", text="hi", kind="note", time="2026-06-14T18:30:00Z", replaces=["x"])
        ),
    )
    share_beat(first, tmp_path / "copy")
    again = read_beat(tmp_path / "copy")
    assert again.outline.area == pytest.approx(first.outline.area, rel=1e-3)  # 7 decimals of a degree
    np.testing.assert_allclose(again.soundings["depth_m"], first.soundings["depth_m"])
    assert list(again.log["time"]) == list(first.log["time"])
    assert list(again.log["what"]) == ["catch"]
    assert list(again.notes["replaces"]) == [["x"]]
    for table in ("cover", "shade"):
        left, right = getattr(again, table), getattr(first, table)
        assert left.drop(columns="geometry").equals(right.drop(columns="geometry"))
    assert json.dumps(str(again.scenes[0].when)) == json.dumps(str(first.scenes[0].when))
