"""The ends of the reach found from its shape, and what each piece of the outline is."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, translate

from reachmap.channel.caps import (
    HEAD,
    ISLAND,
    JOINT,
    LEFT,
    RIGHT,
    TAIL,
    find_ends,
    find_spine,
    join_parts,
    label_edge,
)
from tests import published
from tests.channel.rivers import River, hairpin_line, staircase, strip

RIVER = River.make(420)


def cap_error(ends, caps):
    """Largest distance of a found corner to the true one [m], whichever end and side is which."""
    true = [np.reshape(cap, (2, 2)) for cap in caps]

    def apart(found, cap):
        return min(np.hypot(*(order - cap).T).max() for order in (found, found[::-1]))

    return min(max(apart(a, true[0]), apart(b, true[1])) for a, b in (ends, ends[::-1]))


def ragged(sd: float) -> shapely.Polygon:
    """A hand-drawn edge: white noise on every vertex, half a metre apart."""
    rng = np.random.default_rng(5)
    s = np.arange(0, RIVER.s[-1], 0.5)
    sides = [RIVER.at(s, side * RIVER.width / 2 + rng.normal(0, sd, len(s))) for side in (1, -1)]
    shape = shapely.Polygon(np.vstack([sides[0], sides[1][::-1]])).buffer(0)
    return max(shapely.get_parts(shape), key=lambda part: part.area)


def with_slough() -> shapely.Polygon:
    base = RIVER.at(np.array([120.0]), np.array([0.0]))[0]
    tip = RIVER.at(np.array([120.0]), np.array([62.0]))[0]
    return RIVER.outline.union(shapely.LineString([base, tip]).buffer(3, cap_style="flat"))


@pytest.mark.parametrize(
    "shape",
    [RIVER.outline, ragged(0.4), with_slough(), staircase(RIVER.outline)],
    ids=["clean", "ragged", "slough", "pixels"],
)
def test_end_caps_are_found(shape):
    ends = find_ends(shape, find_spine(shape))
    published.load("channel_coordinates")["caps"].check(cap_error(ends, RIVER.caps) / RIVER.width)


@pytest.mark.parametrize("gap", [10.0, 3.0, 1.0])
def test_both_ends_of_a_hairpin_side_by_side_are_told_apart(gap):
    """The limbs end beside each other, with less land between than the river is wide."""
    shape = strip(hairpin_line(gap), 20.0)
    spine = find_spine(shape)
    assert spine.width_m == pytest.approx(20.0, rel=0.1)
    ends = find_ends(shape, spine)
    half = gap / 2
    true = (((0, -half), (0, -half - 20)), ((0, half), (0, half + 20)))
    published.load("channel_coordinates")["caps"].check(cap_error(ends, true) / 20)


@pytest.mark.parametrize("turned", [0.0, 35.0])
def test_the_open_edge_of_a_lake_is_an_end_however_wide(turned):
    """A river 14 m wide that opens into a lake, cut off there by a line nine times as long."""
    side = np.array([(7, 0), (7, 80), (12, 95), (25, 115), (42, 135), (63, 160)])
    lake = rotate(shapely.Polygon(np.vstack([side * [-1, 1], side[::-1]])), turned, origin=(0, 0))
    ends = find_ends(lake, find_spine(lake))
    corners = shapely.MultiPoint([(63, 160), (-63, 160)])
    mouth = shapely.get_coordinates(rotate(corners, turned, origin=(0, 0)))
    wide = max(ends, key=lambda end: np.hypot(*(end[1] - end[0])))
    assert cap_error((wide, wide), (mouth, mouth)) < 0.1
    # A bank is straight too, and may end in two sharp corners.
    box = rotate(shapely.box(0, 0, 200, 20), turned)
    assert all(np.hypot(*(end[1] - end[0])) < 25 for end in find_ends(box, find_spine(box)))


def test_a_ragged_edge_does_not_fool_the_width():
    """Noise of 0.4 m doubles the perimeter; the width is still the true one within a tenth."""
    assert find_spine(ragged(0.4)).width_m == pytest.approx(RIVER.width, rel=0.1)


@pytest.mark.parametrize("turned", [False, True])
def test_banks_are_named_looking_downstream(turned):
    """A box that flows east: the true left bank is the north one; turned round it is the south one."""
    box = shapely.box(0, 0, 100, 20).difference(shapely.box(40, 8, 60, 12))
    west, east = np.array([[0, 0], [0, 20]]), np.array([[100, 0], [100, 20]])
    edge = label_edge(box, box, (east, west) if turned else (west, east), 1.0)
    x, y = edge.middle.T
    north, south = (RIGHT, LEFT) if turned else (LEFT, RIGHT)
    head, tail = (100, 0) if turned else (0, 100)
    assert np.allclose(y[edge.kind == north], 20)
    assert np.allclose(y[edge.kind == south], 0)
    assert np.allclose(x[edge.kind == HEAD], head)
    assert np.allclose(x[edge.kind == TAIL], tail)
    assert np.all((x[edge.kind == ISLAND] >= 40) & (x[edge.kind == ISLAND] <= 60))
    length = np.hypot(*(edge.end - edge.start).T)
    assert length.sum() == pytest.approx(240 + 48)


def test_parts_are_joined_and_the_joint_is_no_waterline():
    parts = shapely.MultiPolygon([shapely.box(0, 0, 50, 20), shapely.box(53, 0, 100, 20)])
    water, gap = join_parts(parts)
    assert gap == pytest.approx(3.0)
    assert water.geom_type == "Polygon"
    assert water.covers(shapely.LineString([(1, 10), (99, 10)]))
    ends = np.array([[0, 0], [0, 20]]), np.array([[100, 0], [100, 20]])
    edge = label_edge(water, parts, ends, 0.5)
    x = edge.middle[:, 0]
    assert np.all((x[edge.kind == JOINT] > 46) & (x[edge.kind == JOINT] < 57))
    assert not np.any((x > 50.1) & (x < 52.9) & (edge.kind != JOINT))


@pytest.mark.parametrize("gap", [12.0, 60.0, 340.0])
@pytest.mark.parametrize("turn", [0.0, 45.0, 90.0])
def test_parts_far_apart_are_joined_by_a_channel_as_wide_as_they_are(gap, turn):
    """Bridged over the stretch where they are about as close, water of two pools would drown in its own bridge."""
    first = shapely.box(0, 0, 60, 8)
    turned = rotate(shapely.box(0, 0, 60, 8), turn, origin=(0, 0))
    second = translate(turned, 60 + gap - turned.bounds[0], 0)
    water, found = join_parts(shapely.MultiPolygon([first, second]))
    assert found == pytest.approx(first.distance(second))
    assert first.difference(water).area + second.difference(water).area < 1e-6
    bridge = water.difference(shapely.union_all([first, second]))
    assert bridge.area == pytest.approx(8 * gap, rel=0.3)
    spine = find_spine(water)
    assert spine.width_m == pytest.approx(8.0, rel=0.1)
    tips = [min(shapely.Point(tip).distance(end) for tip in spine.tips) for end in (first, second)]
    assert max(tips) < 1.0
