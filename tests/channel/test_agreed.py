"""Pools and crests that the soundings of one section show, in a river whose ranges would smooth them away.

The reference is what was sounded: no way of gridding may overrule a whole line of soundings (common practice).
"""

from __future__ import annotations

import numpy as np
import pytest

from reachmap.channel import windows
from reachmap.channel.agreed import agreed, remnant
from reachmap.channel.bed import lay_bed
from reachmap.channel.build import lay_reach
from reachmap.channel.frames import choose_frame
from reachmap.channel.nearness import Nearness
from reachmap.channel.soundings import take_soundings
from tests.channel.rivers import River, beat, survey

RIVER = River.make(length=240.0)
POOL_AT, POOL_LONG = 120.0, 4.0


def bed_of(step: float):
    """A bed 0.5 m deep with a step right across at one place, a river's section everywhere."""

    def depth(s, n):
        middle = 0.5 + step * np.exp(-(((s - POOL_AT) / POOL_LONG) ** 2))
        return np.maximum(middle * (1 - (n / (RIVER.width / 2)) ** 4), 0.0)

    return depth


def laid(step: float, extra=()):
    """Sections of 7 soundings every 10 m of that bed, and more (s, n, depth); what it came to."""
    s, n = (a.ravel() for a in np.meshgrid(np.arange(10.0, 235.0, 10.0), np.linspace(-7.5, 7.5, 7), indexing="ij"))
    depth = bed_of(step)(s, n)
    more = np.array(extra, float).reshape(-1, 3)
    s, n, depth = np.r_[s, more[:, 0]], np.r_[n, more[:, 1]], np.r_[depth, more[:, 2]]
    x, y = RIVER.at(s, n).T
    water = beat(RIVER.outline, x, y, depth, np.char.add("s", s.astype(int).astype(str)), caps=RIVER.caps)
    reach, _, _ = lay_reach(water, 0.75)
    soundings, _ = take_soundings(water, reach)
    bed = lay_bed(water, reach, soundings)
    frame, banked, field = choose_frame(reach, soundings)
    near = Nearness.of(banked.places.along, reach.length_m, reach.width_m)
    ratio = remnant(reach, banked, field, frame, near).ratio
    return s, depth, bed.depth[reach.grid.locate(x, y)], bed, ratio


@pytest.mark.parametrize("step", [1.2, 0.8, -0.3])
def test_a_whole_section_of_soundings_is_not_overruled(step):
    """Without what neighbours agree on, the pool is mapped 0.3 to 0.5 m too shallow at its own soundings."""
    s, sounded, mapped, bed, ratio = laid(step)
    assert ratio.min() < 0.5
    middle = np.abs(s - POOL_AT) < 1
    middle &= sounded > 0.6 * sounded[middle].max()
    assert middle.sum() >= 3
    assert np.abs(mapped - sounded)[middle].max() < 0.12
    assert not [f for f in bed.findings if f.code == "sounding-overruled"]


def test_a_lone_sounding_that_its_neighbours_deny_is_told_with_its_row():
    """Which of them is right nobody knows; the map says that it follows the many."""
    *_, bed, _ = laid(0.0, extra=[(125.0, 0.0, 2.2)])
    (told,) = [f for f in bed.findings if f.code == "sounding-overruled"]
    assert told.where == "row 163"
    assert "deeper than the map" in told.what


@pytest.mark.parametrize("style", ["sections", "zigzag"])
def test_scatter_of_positions_is_not_taken_for_pools(style):
    """Positions that err by 1.5 m leave residuals no neighbour can predict: nothing is added."""
    river = River.make()
    x, y, depth, line = survey(river, style, 1, 1.5)
    water = beat(river.outline, x, y, depth, line, caps=river.caps)
    reach, _, _ = lay_reach(water, 0.9)
    frame, soundings, field = choose_frame(reach, take_soundings(water, reach)[0])
    near = Nearness.of(soundings.places.along, reach.length_m, reach.width_m)
    assert remnant(reach, soundings, field, frame, near).ratio.min() >= 0.95
    assert not agreed(reach, soundings, field, frame, near).any()


def test_a_track_of_an_echo_sounder_is_laid_too():
    """With more soundings in a window than are taken at once, of one line or each of a line of its own."""
    river = River.make()
    x, y, depth, _ = survey(river, "zigzag", 1, 0.3)
    step = 10
    x, y, depth = (np.interp(np.arange(0, len(x) - 1, 1 / step), np.arange(len(x)), a) for a in (x, y, depth))
    assert len(x) > 2 * windows.WINDOW_MOST
    for lines in (np.full(len(x), "track"), np.arange(len(x)).astype(str)):
        water = beat(river.outline, x, y, depth, lines, caps=river.caps)
        reach, _, _ = lay_reach(water, 0.9)
        bed = lay_bed(water, reach, take_soundings(water, reach)[0])
        assert np.abs(bed.depth[reach.grid.locate(x, y)] - depth).mean() < 0.1


def test_readings_of_one_place_do_not_vouch_for_each_other():
    """Each sounding read twice at the same wrong place."""
    river = River.make()
    x, y, depth, line = survey(river, "sections", 1, 1.5)
    x, y, depth, line = np.r_[x, x + 0.05], np.r_[y, y], np.r_[depth, depth + 0.02], np.r_[line, line]
    water = beat(river.outline, x, y, depth, line, caps=river.caps)
    reach, _, _ = lay_reach(water, 0.9)
    frame, soundings, field = choose_frame(reach, take_soundings(water, reach)[0])
    near = Nearness.of(soundings.places.along, reach.length_m, reach.width_m)
    assert np.abs(agreed(reach, soundings, field, frame, near)).max() < 0.1
