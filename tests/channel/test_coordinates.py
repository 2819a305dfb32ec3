"""Along and across against plane geometry: no fold, no leak, nothing bent by a side issue."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from reachmap.channel.caps import find_ends, find_spine, join_parts
from reachmap.channel.reach import build_reach
from reachmap.errors import InputError
from tests import published
from tests.channel.rivers import River, hairpin_line, staircase, strip
from tests.channel.test_caps import with_slough

RIVER = River.make(420)


def lay(shape, caps=None, cell=0.5):
    water, _ = join_parts(shape)
    spine = find_spine(water)
    ends = find_ends(water, spine) if caps is None else tuple(np.reshape(cap, (2, 2)) for cap in caps)
    return build_reach(shape, water, ends, spine.width_m, cell)


def along_error(reach, river):
    """Along of every cell of the river proper less the true one [m]."""
    x, y = reach.grid.x, reach.grid.y
    own = shapely.contains_xy(river.outline, x, y)
    return (reach.cells.along - river.channel(x, y)[0])[own]


def test_a_straight_box_is_its_own_coordinate_system():
    shape = shapely.box(0, 0, 120, 16)
    reach = lay(shape, ((0, 16, 0, 0), (120, 16, 120, 0)), 0.4)
    cells = reach.cells
    assert np.abs(cells.along - reach.grid.x).max() < 0.1
    assert np.abs(cells.across - (reach.grid.y - 8)).max() < 0.05
    assert np.abs(cells.width - 16).max() < 0.05
    assert np.allclose(cells.bank_distance, np.minimum(reach.grid.y, 16 - reach.grid.y), atol=1e-3)


def test_a_point_in_an_arc():
    """C1: half a ring of radius 50; the middle line of the ring is 50 m, the point lies 5 m outside it."""
    row = published.load("channel_coordinates")["C1"]
    radius, outer, angle = 50.0, 55.0, 0.5
    turn = np.linspace(np.pi, 0, 200)
    line = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    reach = lay(strip(line, 16), ((-58, 0, -42, 0), (58, 0, 42, 0)), 0.25)
    place = reach.at(*(outer * np.array([[-np.cos(angle)], [np.sin(angle)]])))
    row.check([radius * angle, outer - radius, outer * angle / (radius * angle)])
    # Flowing clockwise, outside is on the left. The mesh is a twelfth of the width: good to a tenth of a metre.
    assert place.along[0] == pytest.approx(row.expected[0], abs=0.12)
    assert place.across[0] == pytest.approx(row.expected[1], abs=0.12)


@pytest.mark.parametrize(
    ("shape", "room"),
    [(RIVER.outline, 0.06), (staircase(RIVER.outline), 0.08), (with_slough(), 0.1)],
    ids=["clean", "pixels", "slough"],
)
def test_along_is_the_distance_down_the_middle(shape, room):
    """Within a few percent of a width; a dead end does not stretch the river."""
    error = along_error(lay(shape, RIVER.caps), RIVER)
    assert np.sqrt(np.mean(error**2)) < room * RIVER.width


def test_a_side_channel_does_not_move_along_by_a_fifth_of_a_width():
    """An arm nearly twice as long as the river beside it."""
    a, b = RIVER.at(np.array([150.0, 230.0]), np.array([0.0, 0.0]))
    side = np.array([-(b - a)[1], (b - a)[0]]) / np.hypot(*(b - a))
    arm = shapely.LineString([a, a - 38 * side, b - 38 * side, b]).buffer(3)
    shape = RIVER.outline.union(arm)
    assert len(shape.interiors) == 1
    plain, split = (along_error(lay(s, RIVER.caps), RIVER) for s in (RIVER.outline, shape))
    assert abs(np.sqrt(np.mean(split**2)) - np.sqrt(np.mean(plain**2))) < 0.2 * RIVER.width


def test_along_falls_nowhere_on_the_way_down():
    """Along grows from every cell to the next one downstream along the true middle line, bend after bend."""
    reach = lay(RIVER.outline, RIVER.caps)
    for share in (-0.4, 0.0, 0.4):
        line = RIVER.at(RIVER.s[8:-8], np.full(len(RIVER.s) - 16, share * RIVER.width))
        along = reach.at(line[:, 0], line[:, 1]).along
        assert np.all(np.diff(along[::4]) > 0)


@pytest.mark.parametrize("gap", [10.0, 1.0])
def test_across_a_neck_of_land_is_far_along_the_river(gap):
    reach = lay(strip(hairpin_line(gap), 20.0))
    upper, lower = (reach.at(np.array([60.0]), np.array([side * (gap / 2 + 0.7)])) for side in (1, -1))
    length = 2 * 90 + np.pi * (gap + 20) / 2
    assert abs(upper.along[0] - lower.along[0]) == pytest.approx(length, rel=0.04)
    assert np.abs(upper.across[0]) == pytest.approx(9.3, abs=0.2)
    assert np.sign(upper.across[0]) == np.sign(lower.across[0])


def test_an_outline_in_two_parts_runs_through():
    cut = shapely.LineString(RIVER.at(np.array([200.0, 200.0]), np.array([-30.0, 30.0]))).buffer(1.5)
    reach = lay(RIVER.outline.difference(cut), RIVER.caps)
    error = along_error(reach, RIVER)
    assert np.sqrt(np.mean(error**2)) < 0.1 * RIVER.width
    # Beside the gap the water is as deep as anywhere: it is no waterline.
    at_gap = np.abs(reach.cells.along - 197) < 1
    assert reach.cells.bank_distance[at_gap].max() > 0.45 * RIVER.width


def test_far_coordinates_change_nothing():
    offset = np.array([512345.6, 6123456.7])
    near = lay(RIVER.outline, RIVER.caps)
    shape = shapely.transform(RIVER.outline, lambda xy: xy + offset)
    caps = [np.reshape(cap, (2, 2)) + offset for cap in RIVER.caps]
    far = lay(shape, caps)
    for name in ("along", "across", "width", "bank_distance"):
        assert np.abs(getattr(near.cells, name) - getattr(far.cells, name)).max() < 1e-3


def test_an_outline_without_a_way_through_is_an_error():
    """Two ponds joined by a ditch no cell fits into."""
    shape = shapely.union_all([shapely.box(0, 0, 29, 20), shapely.box(31, 0, 60, 20), shapely.box(28, 10, 32, 10.05)])
    ends = np.array([[0.0, 0.0], [0.0, 20.0]]), np.array([[60.0, 0.0], [60.0, 20.0]])
    with pytest.raises(InputError, match="no water leads from the upstream end"):
        build_reach(shape, shape, ends, 20.0, 0.5)
