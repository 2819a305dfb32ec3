"""Which coordinates and banks the depth is kriged in: outlines through the water, plain planes, and winding rivers."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from reachmap.channel.bed import lay_bed
from reachmap.channel.build import lay_reach
from reachmap.channel.frames import BANKS, choose_frame
from reachmap.channel.soundings import take_soundings
from tests.channel.reference import linear, rmse
from tests.channel.rivers import River, beat, hairpin_line, strip

LENGTH, WIDTH = 90.0, 15.0


def laid(outline, depth_at, count, seed, caps=None, scatter=0.0):
    """Reach, soundings and bed from points strewn over the outline; `depth_at(x, y)` is the true bed."""
    rng = np.random.default_rng(seed)
    west, south, east, north = outline.bounds
    x, y = rng.uniform(west, east, 20 * count), rng.uniform(south, north, 20 * count)
    inside = np.flatnonzero(shapely.contains_xy(outline, x, y))[:count]
    x, y = x[inside], y[inside]
    water = beat(outline, x, y, depth_at(x, y) + scatter * rng.standard_normal(count), caps=caps)
    reach, _, _ = lay_reach(water, 0.5)
    soundings, _ = take_soundings(water, reach)
    return water, reach, soundings


def cut_from_a_stream():
    """A strip drawn through the middle of a wider stream: its long sides are no banks."""
    outline = strip(np.array([[0.0, 0.0], [LENGTH, 0.0]]), WIDTH)
    caps = ((0.0, WIDTH / 2, 0.0, -WIDTH / 2), (LENGTH, WIDTH / 2, LENGTH, -WIDTH / 2))
    return outline, caps


def rolling(x, y):
    return 0.9 + 0.25 * np.sin(x / 11.0) + 0.02 * y


@pytest.mark.parametrize("seed", range(3))
def test_an_outline_through_the_water_gets_no_banks(seed):
    """At most the error of scipy's linear interpolation of the soundings alone, which knows no banks either."""
    outline, caps = cut_from_a_stream()
    water, reach, soundings = laid(outline, rolling, 60, seed, caps)
    bed = lay_bed(water, reach, soundings)
    truth = rolling(reach.grid.x, reach.grid.y)
    points = np.column_stack([soundings.x, soundings.y])
    other = linear(points, soundings.depth_m, np.column_stack([reach.grid.x, reach.grid.y]))
    assert bed.report["banks"] == "steep"
    assert rmse(bed.depth, truth) <= rmse(other, truth)


@pytest.mark.parametrize("seed", range(3))
def test_banks_that_run_out_keep_their_taper(seed):
    outline, caps = cut_from_a_stream()

    def shelving(x, y):
        edge = WIDTH / 2 - np.abs(y)
        return rolling(x, y) * -np.expm1(-np.maximum(edge, 0.0) / 2.25)

    water, reach, soundings = laid(outline, shelving, 60, seed, caps, scatter=0.03)
    bed = lay_bed(water, reach, soundings)
    assert soundings.places.bank_distance.min() < 0.3
    assert bed.depth[reach.cells.bank_distance < 0.3].max() < 0.45


def test_a_ragged_outline_does_not_bend_a_straight_bed():
    """Ridges across the plane under an outline that swells and shrinks: the plane serves better than the banks."""
    x = np.linspace(0.0, 60.0, 121)
    top, bottom = 9 + 4 * np.sin(x / 3.0), -9 - 4 * np.cos(x / 2.3)
    outline = shapely.Polygon(np.vstack([np.column_stack([x, top]), np.column_stack([x, bottom])[::-1]]))
    caps = ((0.0, top[0], 0.0, bottom[0]), (60.0, top[-1], 60.0, bottom[-1]))

    def stripes(x, y):
        return 1.0 + 0.3 * np.sin(y / 2.0)

    water, reach, soundings = laid(outline, stripes, 120, 1, caps)
    bed = lay_bed(water, reach, soundings)
    assert bed.report["coordinates"] == "plane"
    assert rmse(bed.depth, stripes(reach.grid.x, reach.grid.y)) < 0.08


def test_the_plane_is_not_tried_where_the_river_winds():
    _, reach, soundings = laid(strip(hairpin_line(14.0), 20.0), rolling, 80, 1)
    assert reach.chord_m < reach.length_m / 2
    frame, _, _ = choose_frame(reach, soundings)
    assert not frame.straight
    river = River.make()
    reach, _, _ = lay_reach(beat(river.outline, *np.zeros((3, 0)), caps=river.caps), 0.9)
    assert reach.chord_m < 0.8 * reach.length_m


def test_few_soundings_near_the_bank_keep_it_gentle():
    outline, caps = cut_from_a_stream()
    _, _, inner = laid(outline.buffer(-4.0), rolling, 40, 1)
    water = beat(outline, inner.x, inner.y, inner.depth_m, caps=caps)
    reach, _, _ = lay_reach(water, 0.5)
    assert choose_frame(reach, take_soundings(water, reach)[0])[0].bank == BANKS[0]


def test_straightened_points_are_turned_and_nothing_else():
    turn = np.radians(35.0)
    way = np.array([np.cos(turn), np.sin(turn)])
    line = np.array([[10.0, 20.0], [10.0, 20.0] + LENGTH * way])
    aside = WIDTH / 2 * np.array([-way[1], way[0]])
    caps = tuple((*(end + aside), *(end - aside)) for end in line)
    _, reach, soundings = laid(strip(line, WIDTH), rolling, 40, 1, caps)
    down, left = reach.straightened(soundings.x, soundings.y)
    apart = np.column_stack([soundings.x, soundings.y]) - line[0]
    assert np.allclose(down, apart @ way, atol=0.05)
    assert np.allclose(left, apart @ np.array([-way[1], way[0]]), atol=0.05)
