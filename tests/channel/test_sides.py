"""What a survey of one line or one bank may claim of the water beside it."""

from __future__ import annotations

import functools
from types import SimpleNamespace

import numpy as np
import pytest

from reachmap.channel.bed import lay_bed
from reachmap.channel.build import lay_reach
from reachmap.channel.confidence import MUCH_BESIDE
from reachmap.channel.sides import untold
from reachmap.channel.soundings import take_soundings
from tests.channel.reference import rmse
from tests.channel.rivers import River, beat, survey

RIVERS = {"winding": River.make(), "gentle": River.make(wave=240.0, swing=0.6)}


def down_the_middle(s):
    return 0.0 * s


def by_one_bank(s):
    return -7.0 + np.sin(s)


def by_both_banks(s):
    return np.where(np.arange(len(s)) % 2, -8.0, 8.0)


@functools.cache
def of_line(river, across, seed=0):
    """The bed from 120 points along one line, and the true depth of every cell."""
    river, rng = RIVERS[river], np.random.default_rng(seed)
    s = np.linspace(3, 357, 120)
    depth = np.maximum(river.depth(s, across(s)) + rng.normal(0, 0.03, len(s)), 0.02)
    x, y = (river.at(s, across(s)) + rng.normal(0, 0.5, (len(s), 2))).T
    return laid(river, x, y, depth)


def laid(river, x, y, depth, line=None):
    water = beat(river.outline, x, y, depth, line, caps=river.caps, flow_m3_s=4.0)
    reach, _, _ = lay_reach(water, 1.0)
    return lay_bed(water, reach, take_soundings(water, reach)[0]), river.depth(
        *river.channel(reach.grid.x, reach.grid.y)
    )


def in_band(bed, truth):
    return float(np.mean(np.abs(bed.depth - truth) <= 1.645 * bed.depth_sd))


def test_what_is_told_fades_to_the_side_and_twenty_times_as_slowly_along():
    """Two soundings in the middle of water 20 m wide: a tenth of the width is 2 m to the side or 40 m along, whichever
    is more. They tell as far as they spread, but no farther than 0.12, and nothing 0.1 farther on."""

    def at(along, across):
        return SimpleNamespace(along=np.array(along), across=np.array(across), width=np.full(len(along), 20.0))

    places = at([0.0, 0.0, 0.0, 40.0, 40.0, 60.0, 60.0], [0.0, 3.0, -10.0, 2.0, 3.0, 0.0, 0.0])
    spread = np.array([0.05, 0.3, 0.3, 0.05, 0.05, 0.2, 0.1])
    found = untold(places, at([0.0, 500.0], [0.0, 0.0]), spread, 20.0)
    assert found == pytest.approx([0.0, 0.3, 1.0, 0.5, 1.0, 0.3, 0.5])


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("across", [down_the_middle, by_one_bank], ids=["middle", "bank"])
@pytest.mark.parametrize("river", [*RIVERS])
def test_the_band_of_a_single_line_holds_the_water_beside_it(river, across, seed):
    """The error left out along the line is far from the true one; 90 % would be right, and no line can tell as much."""
    bed, truth = of_line(river, across, seed)
    assert bed.report["heldout_depth"]["rmse"] < 0.3 * rmse(bed.depth, truth)
    assert in_band(bed, truth) > 0.72
    near = bed.confidence == 2
    assert rmse(bed.depth[near], truth[near]) < 0.5 * rmse(bed.depth, truth)


@pytest.mark.parametrize("across", [down_the_middle, by_one_bank, by_both_banks], ids=["middle", "bank", "both banks"])
def test_a_single_line_is_told(across):
    bed, _ = of_line("winding", across)
    (finding,) = [found for found in bed.findings if found.code == "beside-unsounded"]
    assert finding.severity == "warning"
    assert f"{bed.report['beside_soundings']:.0%}" in finding.what
    assert MUCH_BESIDE <= bed.report["beside_soundings"] < 0.95


@pytest.mark.parametrize("style", ["zigzag", "sections"])
def test_sections_and_zigzags_leave_nothing_beside_them(style):
    x, y, depth, line = survey(RIVERS["winding"], style)
    bed, truth = laid(RIVERS["winding"], x, y, depth, line)
    assert bed.report["beside_soundings"] == 0.0
    assert not [found for found in bed.findings if found.code == "beside-unsounded"]
    assert in_band(bed, truth) > 0.85


@pytest.mark.parametrize("count", [1, 3, 10])
def test_a_few_shallow_soundings_do_not_drain_the_pools(count):
    """Ankle-deep margins say nothing against the depth that the river is given with no soundings at all."""
    river = RIVERS["winding"]
    s = np.linspace(30, 330, count)
    n = np.where(np.arange(count) % 2, -8.3, 8.3)
    x, y = river.at(s, n).T
    depth = np.minimum(river.depth(s, n), 0.25)
    bed, truth = laid(river, x, y, depth)
    none, _ = laid(river, [], [], [])
    assert bed.guessed
    assert bed.depth.max() > 0.5 * none.depth.max()
    assert bed.depth.max() > 1.3 * depth.max()
    assert in_band(bed, truth) > 0.5


def test_soundings_of_the_waterline_alone_are_no_soundings():
    river = RIVERS["winding"]
    x, y = np.array(river.outline.exterior.coords)[::12].T
    bed, _ = laid(river, x, y, np.zeros(len(x)))
    none, _ = laid(river, [], [], [])
    assert bed.guessed
    np.testing.assert_array_equal(bed.depth, none.depth)
    (finding,) = bed.findings
    assert finding.code == "depth-guessed"
    assert "no sounding is deeper than 0" in finding.what
