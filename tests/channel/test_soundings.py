"""Soundings: what is used, what is said about the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from reachmap.channel.caps import find_spine
from reachmap.channel.reach import build_reach
from reachmap.channel.soundings import take_soundings
from tests.channel.rivers import beat

BOX = shapely.box(0, 0, 100, 20)
REACH = build_reach(
    BOX, BOX, (np.array([[0.0, 20], [0, 0]]), np.array([[100.0, 20], [100, 0]])), find_spine(BOX).width_m, 0.5
)


def take(x, y, depth, **change):
    return take_soundings(beat(BOX, x, y, depth, **change), REACH)


def test_points_far_outside_that_the_reader_let_pass_are_warned_of_with_their_rows():
    """Who raises `outside_m` under [cleaning] wants them."""
    soundings, findings = take([10, 50, 90], [10, 30, 10], [1, 1, 1])
    assert len(soundings) == 3
    assert 19 < soundings.y[1] < 20
    (finding,) = findings
    assert (finding.severity, finding.code, finding.where) == ("warning", "sounding-outside", "row 3")


def test_rows_of_several_files_are_told_with_their_file():
    water = beat(BOX, [10, 10.2, 50, 50.2], [10, 10, 10, 10], [0.4, 1.4, 0.4, 1.4])
    files = ["june.csv", "june.csv", "june.csv", "july.csv"]
    _, findings = take_soundings(replace(water, soundings=water.soundings.assign(file=files, row=[2, 3, 4, 2])), REACH)
    (finding,) = findings
    assert str(finding).startswith("june.csv, rows 2, 3, 4; july.csv, row 2: 2 pair(s)")


def test_points_just_outside_are_taken_at_the_edge_and_said_so():
    soundings, findings = take([10, 50], [10, 21.5], [1, 0.3])
    assert len(soundings) == 2
    assert 19 < soundings.y[1] < 20
    assert [f.code for f in findings] == ["sounding-edge"]
    assert "up to 1.5 m" in findings[0].what


def test_contradicting_points_are_named_and_kept():
    soundings, findings = take([10, 10.2, 50, 50.2], [10, 10, 10, 10], [0.4, 1.4, 0.9, 1.0])
    assert len(soundings) == 4
    (finding,) = findings
    assert finding.code == "sounding-contradicts"
    assert finding.where == "rows 2, 3"


def test_flagged_points_and_points_without_depth_are_not_used():
    water = beat(BOX, [10, 50, 90], [10, 10, 10], [1, np.nan, 1])
    flagged = water.soundings.assign(flag=["", "", "doubtful"])
    soundings, _ = take_soundings(replace(water, soundings=flagged), REACH)
    assert soundings.row.tolist() == [2]


def test_no_soundings_at_all():
    soundings, findings = take([], [], [])
    assert len(soundings) == 0
    assert findings == ()
