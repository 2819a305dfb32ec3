"""Whatever two devices do to the notes, and however often the files are put together, no word is lost."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reachmap.beat.notes import merge_notes, read_notes, shown, write_notes
from reachmap.errors import InputError


def note(number, text, time, replaces=(), deleted=False, at=(1.0, 50.0)):
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": list(at)},
        "properties": {
            "id": number,
            "text": text,
            "kind": "note",
            "time": time,
            "replaces": list(replaces),
            "deleted": deleted,
        },
    }


def texts(notes):
    return sorted(n["properties"]["text"] for n in notes)


def test_an_edit_replaces_what_it_edited():
    old, new = note("a", "three by the log", "t1"), note("a", "four by the log", "t2", ["t1"])
    assert texts(merge_notes([old], [new])) == ["four by the log"]


def test_two_edits_made_apart_are_both_kept():
    left, right = note("a", "left", "t2", ["t1"]), note("a", "right", "t3", ["t1"])
    assert texts(merge_notes([note("a", "old", "t1")], [left], [right])) == ["left", "right"]


def test_the_same_time_with_other_words_keeps_both():
    assert texts(merge_notes([note("a", "one", "t1")], [note("a", "two", "t1")])) == ["one", "two"]


def test_a_note_taken_back_stays_away_when_an_old_copy_comes_home():
    gone = merge_notes([note("a", "x", "t1")], [note("a", "x", "t2", ["t1"], deleted=True)])
    assert shown(merge_notes(gone, [note("a", "x", "t1")])) == []


def test_versions_that_replace_each_other_both_stay():
    pair = [note("a", "x", "t1", ["t2"]), note("a", "y", "t2", ["t1"])]
    assert texts(merge_notes(pair)) == ["x", "y"]


def test_notes_without_an_id_from_elsewhere_are_not_doubled():
    plain = {"geometry": {"type": "Point", "coordinates": [1, 2]}, "properties": {"text": "gate"}}
    assert len(merge_notes([plain], [plain])) == 1


@pytest.mark.parametrize("turn", [1, -1])
def test_copies_of_one_version_are_one_note_with_all_that_stood_with_either(turn):
    """As a map's page gives a note back: to a centimetre, without its height and what else stood there."""
    full = note("a", "gate  by the\nalder", "t1", ["t0"], at=(1.000000012, 50.0, 9.0))
    full["properties"] |= {"colour": "red", "size": 2}
    page, other = note("a", "gate by the alder", "t1", ["t00"]), note("a", "gate by the alder", "t1")
    other["properties"] |= {"colour": "blue"}
    (merged,) = merge_notes(*([one] for one in (full, page, other)[::turn]))
    said = merged["properties"]
    assert (said["replaces"], said["colour"], said["size"]) == (["t0", "t00"], "blue", 2)
    assert merged["geometry"]["coordinates"] == [1.000000012, 50.0, 9.0]


@pytest.mark.parametrize("turn", [1, -1])
def test_a_point_on_a_line_drawn_for_the_same_note_is_that_line(turn):
    """The first that can be read of several, whatever comes first, and whether the line stands or is replaced."""
    lines = [note("a", "path", "t1") for _ in range(3)]
    for line, places in zip(lines, ([[1.0, 50.0], [2.0, 50.0]], [[1.0, 50.0], [3.0, 50.0]], [[1.0]]), strict=True):
        line["geometry"] = {"type": "LineString", "coordinates": places}
    here, off = note("a", "the path", "t2", ["t1"]), note("a", "stile", "t3", ["t1"], at=(1.0, 50.1))
    merged = merge_notes(*([one] for one in [*lines, here, off][::turn]))
    assert [one["geometry"] for one in merged] == [lines[0]["geometry"], off["geometry"]]


def test_round_trip(tmp_path):
    path = tmp_path / "notes.geojson"
    notes = merge_notes([note("a", "ä <b> {{x}}", "t1")])
    write_notes(path, notes)
    assert read_notes(path) == notes
    assert [p.name for p in tmp_path.iterdir()] == ["notes.geojson"]


@pytest.mark.parametrize("text", ["", "[]", '{"features": 3}', '{"features": [1]}', "<html>"])
def test_a_file_that_holds_no_notes_is_said(tmp_path, text):
    path = tmp_path / "notes.geojson"
    path.write_text(text)
    with pytest.raises(InputError, match="no GeoJSON file of notes"):
        read_notes(path)


EDITS = st.lists(
    st.tuples(st.sampled_from("LR"), st.sampled_from(["add", "edit", "delete", "sync"]), st.integers(0, 5)), max_size=25
)


@settings(max_examples=150)
@given(EDITS)
def test_no_interleaving_of_edits_on_two_devices_loses_a_note(edits):
    """Each device adds, edits, deletes, or takes over the other's file; the merge holds every last word."""
    devices = {"L": [], "R": []}
    for clock, (device, action, pick) in enumerate(edits):
        mine = devices[device]
        time = f"{clock:04d}{device}"
        if action == "add":
            mine.append(note(f"n{time}", f"text {time}", time))
        elif action == "sync":
            devices[device] = merge_notes(mine, devices["R" if device == "L" else "L"])
        elif mine:
            chosen = mine[pick % len(mine)]
            p = chosen["properties"]
            mine[mine.index(chosen)] = note(
                p["id"], f"text {time}", time, [*p["replaces"], p["time"]], action == "delete"
            )
    left_first, right_first = merge_notes(devices["L"], devices["R"]), merge_notes(devices["R"], devices["L"])
    assert left_first == right_first
    assert merge_notes(left_first, left_first) == left_first
    found = {(n["properties"]["id"], n["properties"]["time"]) for n in left_first}
    known = [n["properties"] for pile in devices.values() for n in pile]
    replaced = {(p["id"], time) for p in known for time in p["replaces"]}
    for p in known:
        key = (p["id"], p["time"])
        assert key in found or key in replaced
    ids = {p["id"] for p in known}
    assert {number for number, _ in found} == ids
