"""The first guess from the outline: shape by plane geometry, size by hydraulic geometry."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from reachmap.channel.caps import find_spine
from reachmap.channel.guess import bend_curvature, guess_depth
from reachmap.channel.hydraulics import limerinos_n
from reachmap.channel.reach import build_reach
from tests.channel.rivers import River, beat, strip


def reach_of(shape, caps):
    return build_reach(shape, shape, tuple(np.reshape(cap, (2, 2)) for cap in caps), find_spine(shape).width_m, 0.5)


def ring():
    """A third of a ring of radius 60 m, flowing anticlockwise: it turns left all the way."""
    turn = np.linspace(-1, 1.1, 200)
    line = 60 * np.column_stack([np.sin(turn), -np.cos(turn)])
    ends = [(58 * np.array([np.sin(t), -np.cos(t)]), 62 * np.array([np.sin(t), -np.cos(t)])) for t in (-1, 1.1)]
    shape = strip(line, 16)
    return reach_of(shape, [np.concatenate(end) for end in ends])


def test_curvature_of_an_arc_is_one_over_its_radius():
    reach = ring()
    station, curvature = bend_curvature(reach)
    inner = (station > 30) & (station < reach.length_m - 30)
    assert np.allclose(curvature[inner], 1 / 60, rtol=0.06)


def test_the_outer_bank_of_a_bend_is_the_deep_one():
    reach = ring()
    guess = guess_depth(beat(shapely.box(0, 0, 1, 1)), reach)
    depth, cells = guess.cells(reach), reach.cells
    middle = (cells.along > 50) & (cells.along < reach.length_m - 20)
    outer, inner = (depth[middle & (side * cells.across < -2) & (side * cells.across > -7)].mean() for side in (1, -1))
    assert outer > 1.3 * inner


@pytest.mark.parametrize("width", [6.0, 12.0, 25.0])
def test_the_water_is_as_deep_on_average_as_the_guess_says(width):
    box = shapely.box(0, 0, 20 * width, width)
    reach = reach_of(box, [(0, width, 0, 0), (20 * width, width, 20 * width, 0)])
    guess = guess_depth(beat(box, flow_m3_s=3.0, slope=0.004), reach)
    assert guess.cells(reach).mean() == pytest.approx(guess.mean_depth_m, rel=0.05)


def test_where_the_river_narrows_it_is_deeper_by_mannings_formula():
    """The same flow at the same slope through half the width: d^(5/3) W stays, so 2^0.6 as deep."""
    shape = shapely.Polygon([(0, 0), (200, 0), (220, 5), (400, 5), (400, 15), (220, 15), (200, 20), (0, 20)])
    reach = reach_of(shape, [(0, 20, 0, 0), (400, 15, 400, 5)])
    depth, along = guess_depth(beat(shape, flow_m3_s=3.0), reach).cells(reach), reach.cells.along
    wide, narrow = (depth[(along > low) & (along < low + 100)].mean() for low in (50, 260))
    assert narrow / wide == pytest.approx(2**0.6, rel=0.1)


def test_depth_agrees_with_mannings_formula_when_flow_and_slope_are_known():
    """Uniform flow through a wide straight channel: Q = V W d with V by Manning, n by Limerinos."""
    box = shapely.box(0, 0, 200, 20)
    reach = reach_of(box, [(0, 20, 0, 0), (200, 20, 200, 0)])
    guess = guess_depth(beat(box, flow_m3_s=4.0, slope=0.001, d84_m=0.05), reach)
    assert guess.basis == "flow and slope"
    d = guess.mean_depth_m
    # Manning: V = R^(2/3) S^(1/2) / n, the radius of a wide section its depth.
    carried = d ** (2 / 3) * 0.001**0.5 / float(limerinos_n(d, 0.05)) * 20 * d
    assert carried == pytest.approx(4.0, rel=1e-3)


def test_depth_grows_with_the_flow_as_hydraulic_geometry_says():
    """Raymond et al. 2012: depth as Q^0.294."""
    box = shapely.box(0, 0, 200, 20)
    reach = reach_of(box, [(0, 20, 0, 0), (200, 20, 200, 0)])
    one, eight = (guess_depth(beat(box, flow_m3_s=q), reach).mean_depth_m for q in (1.0, 8.0))
    assert eight / one == pytest.approx(8**0.294)
    assert one == pytest.approx(0.409)


def test_guess_is_positive_everywhere_and_fades_at_the_bank():
    river = River.make(300)
    reach = reach_of(river.outline, river.caps)
    depth = guess_depth(beat(river.outline), reach).cells(reach)
    assert np.all(depth > 0)
    edge = reach.cells.bank_distance < 0.3
    assert depth[edge].mean() < 0.25 * depth.mean()
