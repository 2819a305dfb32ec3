"""Which end is the head, and how the user is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from reachmap.beat import read_beat
from reachmap.beat.model import Terrain
from reachmap.channel.caps import find_spine, join_parts
from reachmap.channel.ends import choose_ends
from tests.beat import folders
from tests.beat.folders import collection, feature, make, ring
from tests.channel.rivers import beat, hairpin_line, strip

BOX = shapely.box(0, 0, 200, 20)
CAPS = ((0.0, 20.0, 0.0, 0.0), (200.0, 20.0, 200.0, 0.0))


def head_x(**change):
    ends, report, findings = choose_ends(beat(BOX, **change), BOX, find_spine(BOX))
    return float(ends[0][:, 0].mean()), report, findings


def slope(fall: float) -> Terrain:
    """A surface that falls `fall` metres from west to east over the box."""
    x = np.arange(-20, 220, 2.0) + 1
    return Terrain(np.tile((-fall * x / 200).astype(np.float32), (30, 1)), -20.0, 40.0, 2.0)


@pytest.mark.parametrize(("head", "x"), [((0.0, 10.0), 0), ((199.0, 3.0), 200)])
def test_the_head_the_user_names_is_the_head(head, x):
    got, report, findings = head_x(head=head)
    assert got == pytest.approx(x, abs=3)
    assert report["head_from"] == "given"
    assert not report["head_assumed"]
    assert [f.code for f in findings] == ["caps-found"]


def test_a_head_far_from_both_ends_found_is_told():
    assert "head-far" in {f.code for f in head_x(head=(100.0, 10.0))[2]}
    assert "head-far" not in {f.code for f in head_x(head=(100.0, 10.0), caps=CAPS)[2]}


@pytest.mark.parametrize(("toward", "x"), [(95.0, 0), (268.0, 200)])
def test_the_current_runs_away_from_the_head(toward, x):
    """Two readings of three agree; the terrain, which says otherwise, is not asked."""
    at = np.array([40.0, 100.0, 160.0, 100.0])
    water = beat(BOX, at, np.full(4, 10.0), np.ones(4))
    water.soundings["toward_deg"] = [toward, toward - 20, toward + 180, toward + 20]
    water = replace(water, terrain=slope(1.0 if x else -1.0))
    ends, report, findings = choose_ends(water, BOX, find_spine(BOX))
    assert ends[0][:, 0].mean() == pytest.approx(x, abs=3)
    assert report["head_from"] == "currents"
    assert "head-currents" in [f.code for f in findings]


def test_currents_that_disagree_say_nothing():
    water = beat(BOX, np.array([50.0, 150.0]), np.full(2, 10.0), np.ones(2))
    water.soundings["toward_deg"] = [90.0, 270.0]
    assert choose_ends(water, BOX, find_spine(BOX))[1]["head_assumed"]


def test_currents_are_followed_round_a_bend():
    """On the far limb of a hairpin the same compass direction means the other way along the river."""
    water = strip(hairpin_line(14.0), 20.0)
    for y, toward in ((-17.0, 90.0), (17.0, 270.0)):
        one = beat(water, np.array([60.0]), np.array([y]), np.ones(1))
        one.soundings["toward_deg"] = toward
        ends, report, _ = choose_ends(one, water, find_spine(water))
        assert report["head_from"] == "currents"
        assert ends[0][:, 1].mean() < 0


@pytest.mark.parametrize(("fall", "x"), [(1.0, 0), (-1.0, 200)])
def test_the_higher_end_of_the_terrain_is_the_head(fall, x):
    got, report, findings = head_x(terrain=slope(fall))
    assert got == pytest.approx(x, abs=3)
    assert report["head_from"] == "terrain"
    assert "head-terrain" in [f.code for f in findings]


def test_a_flat_terrain_says_nothing_and_an_assumption_is_named():
    _, report, findings = head_x(terrain=slope(0.02))
    assert report["head_assumed"]
    (assumed,) = [f for f in findings if f.code == "head-assumed"]
    assert assumed.severity == "warning"
    assert f"the {report['head_end']} end" in assumed.what


def test_the_assumed_end_does_not_depend_on_how_the_outline_was_drawn():
    turned = shapely.Polygon(np.roll(np.asarray(BOX.exterior.coords)[:-1], 2, axis=0)[::-1])
    one, two = (choose_ends(beat(shape), shape, find_spine(shape))[1]["head_end"] for shape in (BOX, turned))
    assert one == two


def test_end_lines_in_a_file_and_a_head_in_the_settings_that_contradict_each_other_are_told(tmp_path):
    ends = {"head end": [(-60, -8), (-60, 8)], "tail end": [(60, -8), (60, 8)]}
    lines = [feature("LineString", ring(points), role=role) for role, points in ends.items()]
    text = collection(feature("Polygon", [ring(folders.BOX)]), *lines)
    told = {}
    for lon in (-2.80093, -2.79907):
        toml = folders.TOML.replace("head = [54.6, -2.80093]", f"head = [54.6, {lon}]")
        water = read_beat(make(tmp_path / str(lon), toml=toml, outline__geojson=text))
        shape = join_parts(water.outline)[0]
        found, _, findings = choose_ends(water, shape, find_spine(shape))
        told[lon] = float(found[0][:, 0].mean()), [f.code for f in findings]
    assert told[-2.80093] == (pytest.approx(-60, abs=0.1), [])
    assert told[-2.79907] == (pytest.approx(60, abs=0.1), ["head-contradicts"])


def test_drawn_ends_are_used_in_their_order_unless_the_head_says_otherwise():
    got, report, findings = head_x(caps=CAPS)
    assert got == 0.0
    assert not report["caps_assumed"]
    assert findings == ()
    got, _, findings = head_x(caps=CAPS, head=(195.0, 10.0))
    assert got == 200.0
    assert [f.code for f in findings] == ["head-contradicts"]
