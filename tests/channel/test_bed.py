"""Depth of a river whose true bed is known: error, bias, false pools, the band, and what must never happen."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from reachmap.channel.bed import MAX_OVER_DEEPEST, lay_bed
from reachmap.channel.build import lay_reach
from reachmap.channel.caps import HEAD, TAIL
from reachmap.channel.soundings import take_soundings
from tests import published
from tests.channel.reference import linear, rmse
from tests.channel.rivers import River, beat, hairpin_line, strip, survey

RIVER = River.make()
STYLES = ("zigzag", "sections", "wading")


@functools.cache
def mapped(style, gps=0.05, seed=1):
    """Reach, soundings, bed and the true depth of every cell."""
    x, y, depth, line = survey(RIVER, style, seed, gps)
    water = beat(RIVER.outline, x, y, depth, line, caps=RIVER.caps)
    reach, _, _ = lay_reach(water, 0.9)
    soundings, _ = take_soundings(water, reach)
    s, n = RIVER.channel(reach.grid.x, reach.grid.y)
    return reach, soundings, lay_bed(water, reach, soundings), RIVER.depth(s, n), (s, n)


def deepest_line(s, depth):
    """Greatest depth in every 2 m along the river, without its long waves."""
    slot = (s / 2).astype(int)
    out = np.zeros(slot.max() + 1)
    np.maximum.at(out, slot, depth)
    return (out - gaussian_filter1d(out, 8))[5:-5]


def test_error_and_bias_of_a_good_survey():
    beds = [mapped(style) for style in ("zigzag", "sections")]
    rows = published.load("channel_coordinates")
    rows["depth_rmse"].check([rmse(bed.depth, truth) for _, _, bed, truth, _ in beds])
    rows["depth_bias"].check([float(np.mean(bed.depth - truth)) for _, _, bed, truth, _ in beds])


@pytest.mark.parametrize("style", ["zigzag", "sections"])
def test_map_coordinates_with_the_waterline_as_zeros_are_at_least_twice_as_wrong(style):
    """scipy griddata on the same points."""
    reach, soundings, bed, truth, _ = mapped(style, 1.5)
    edge = reach.edge.middle[~np.isin(reach.edge.kind, (HEAD, TAIL))][::4]
    places = np.vstack([np.column_stack([soundings.x, soundings.y]), edge])
    values = np.r_[soundings.depth_m, np.zeros(len(edge))]
    other = linear(places, values, np.column_stack([reach.grid.x, reach.grid.y]))
    assert rmse(bed.depth, truth) < 0.5 * rmse(other, truth)


@pytest.mark.parametrize("style", ["zigzag", "sections"])
def test_channel_coordinates_beat_map_coordinates_with_the_same_method(style):
    """C3: linear interpolation both times, only the coordinates differ."""
    reach, soundings, _, truth, _ = mapped(style)
    in_map = linear(
        np.column_stack([soundings.x, soundings.y]), soundings.depth_m, np.column_stack([reach.grid.x, reach.grid.y])
    )
    stretch = np.array([0.2, 1.0])
    places, cells = soundings.places, reach.cells
    in_channel = linear(
        np.column_stack([places.along, places.across]) * stretch,
        soundings.depth_m,
        np.column_stack([cells.along, cells.across]) * stretch,
    )
    fall = 1 - rmse(in_channel, truth) / rmse(in_map, truth)
    row = published.load("channel_coordinates")["C3"]
    assert fall >= row.expected - row.tolerance


@pytest.mark.parametrize("style", ["zigzag", "sections"])
def test_no_false_pools_and_shoals_along_the_deepest_line(style):
    _, _, bed, truth, (s, _) = mapped(style)
    ratio = deepest_line(s, bed.depth).std() / deepest_line(s, truth).std()
    published.load("channel_coordinates")["thalweg"].check(ratio)


def test_the_ninety_percent_band_of_a_well_placed_survey_holds_about_ninety_percent():
    share = []
    for style in STYLES:
        inside = [
            np.abs(bed.depth - truth) < 1.645 * bed.depth_sd
            for _, _, bed, truth, _ in (mapped(style, gps, seed) for gps, seed in ((0.05, 1), (0.05, 2)))
        ]
        share.append(float(np.mean(np.concatenate(inside))))
    published.load("channel_coordinates")["band"].check(share)


@pytest.mark.parametrize("style", STYLES)
def test_never_negative_never_far_above_the_deepest_sounding(style):
    _, soundings, bed, _, _ = mapped(style)
    assert bed.depth.min() >= 0
    assert bed.depth.max() <= MAX_OVER_DEEPEST * soundings.depth_m.max() + 1e-6
    assert bed.depth_sd.min() > 0


def test_depth_fades_at_the_banks_but_not_at_the_ends():
    reach, _, bed, _, _ = mapped("sections")
    cells = reach.cells
    edge = (cells.bank_distance < 0.45) & (cells.along > 20) & (cells.along < reach.length_m - 20)
    middle = np.abs(cells.across) < 3
    assert bed.depth[edge].mean() < 0.15
    ends = middle & ((cells.along < 2) | (cells.along > reach.length_m - 2))
    assert bed.depth[ends].mean() > 0.3


def test_raising_one_limb_of_a_hairpin_leaves_the_other_alone():
    """Limbs 3 m apart, 20 m wide: every sounding of the lower one raised by 1 m."""
    shape = strip(hairpin_line(3.0), 20.0)
    rng = np.random.default_rng(8)
    x, across = rng.uniform(3, 148, 240), rng.uniform(-9, 9, 240)
    lower = np.arange(240) % 2 == 0
    y = np.where(lower, -11.5, 11.5) + across
    depth = 0.9 - 0.006 * across**2 + 0.1 * np.sin(x / 15)
    ends = (0.0, -1.5, 0.0, -21.5), (0.0, 21.5, 0.0, 1.5)
    beds = []
    for rise in (0.0, 1.0):
        water = beat(shape, x, y, depth + rise * lower, caps=ends)
        reach, _, _ = lay_reach(water, 0.8)
        beds.append(lay_bed(water, reach, take_soundings(water, reach)[0]).depth)
    other = (reach.grid.y > 0) & (reach.grid.x < 70)
    change = np.abs(beds[1] - beds[0])[other].max()
    published.load("channel_coordinates")["leak"].check(change)


def test_the_order_of_the_rows_changes_nothing():
    x, y, depth, line = survey(RIVER, "wading")
    order = np.random.default_rng(0).permutation(len(x))
    both = []
    for pick in (np.arange(len(x)), order):
        water = beat(RIVER.outline, x[pick], y[pick], depth[pick], line[pick], caps=RIVER.caps)
        reach, _, _ = lay_reach(water, 1.0)
        both.append(lay_bed(water, reach, take_soundings(water, reach)[0]))
    assert np.array_equal(both[0].depth, both[1].depth)
    assert np.array_equal(both[0].depth_sd, both[1].depth_sd)


@pytest.mark.parametrize("count", [0, 1, 2, 5, 11])
def test_few_soundings_or_none_still_give_a_depth_marked_for_what_it_is(count):
    x, y, depth, line = survey(RIVER, "wading")
    pick = slice(0, count)
    water = beat(RIVER.outline, x[pick], y[pick], depth[pick], line[pick], caps=RIVER.caps)
    reach, _, _ = lay_reach(water, 1.0)
    bed = lay_bed(water, reach, take_soundings(water, reach)[0])
    assert np.all(np.isfinite(bed.depth))
    assert bed.depth.min() >= 0
    # Eleven points by the bank leave most of 360 m of river a guess as well.
    assert bed.guessed
    if count == 0:
        assert not bed.confidence.any()
        assert [f.code for f in bed.findings] == ["depth-guessed"]


def test_error_falls_with_the_number_of_soundings():
    """None, 10, 100 and 300 soundings picked at random from a track."""
    x, y, depth, line = survey(RIVER, "zigzag")
    order = np.random.default_rng(2).permutation(len(x))
    s_true = None
    errors = []
    for count in (0, 10, 100, 300):
        pick = order[:count]
        water = beat(RIVER.outline, x[pick], y[pick], depth[pick], line[pick], caps=RIVER.caps)
        reach, _, _ = lay_reach(water, 1.0)
        if s_true is None:
            s_true = RIVER.depth(*RIVER.channel(reach.grid.x, reach.grid.y))
        errors.append(rmse(lay_bed(water, reach, take_soundings(water, reach)[0]).depth, s_true))
    assert errors[0] > errors[1] > errors[2] > errors[3]
    assert errors[3] < 0.4 * errors[0]


def test_a_survey_that_never_met_the_deep_water_says_so():
    _, soundings, bed, truth, _ = mapped("wading")
    assert truth.max() > 1.3 * soundings.depth_m.max()
    (finding,) = [f for f in bed.findings if f.code == "deepest-unsampled"]
    assert f"{soundings.depth_m.max():.2f} m" in finding.what


def test_a_dense_survey_is_near_everywhere_and_a_sparse_one_is_not():
    near = {style: float(np.mean(mapped(style)[2].confidence == 2)) for style in ("zigzag", "wading")}
    assert near["zigzag"] > 0.9
    assert near["wading"] < 0.8
