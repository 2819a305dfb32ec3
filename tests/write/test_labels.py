"""Where labels go: clear of each other and of what is drawn wherever there is room (shapely is the reference)."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st

from reachmap.write.labels import TOUCHING, place_labels

spots = st.lists(st.tuples(st.floats(0, 100), st.floats(0, 100)), min_size=1, max_size=12)


def boxes(places, sizes):
    return [
        shapely.box(p.x - w / 2, p.y - h / 2, p.x + w / 2, p.y + h / 2) for p, (w, h) in zip(places, sizes, strict=True)
    ]


@given(spots)
def test_a_label_that_is_called_clear_hides_nothing_and_stays_in_the_frame(points):
    sizes = [(8.0, 4.0)] * len(points)
    solid = [shapely.Point(point).buffer(2.0) for point in points]
    frame = (-5.0, -5.0, 105.0, 105.0)
    places = place_labels(points, sizes, (2.5, 5.0), solid, frame=frame)
    drawn = boxes(places, sizes)
    for k, (place, box) in enumerate(zip(places, drawn, strict=True)):
        under = sum(box.intersection(other).area for other in (*drawn[:k], *solid))
        assume(abs(under / box.area - TOUCHING) > 1e-9)
        assert place.clear == (under < TOUCHING * box.area and shapely.box(*frame).buffer(1e-9).covers(box))


@given(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), st.floats(0.5, 9), st.floats(0.5, 9), st.floats(0, 5))
def test_a_label_alone_stands_beside_its_point(point, wide, high, gap):
    (place,) = place_labels([point], [(wide, high)], [gap, gap + 3])
    (box,) = boxes([place], [(wide, high)])
    assert place.clear
    assert np.isclose(shapely.Point(point).distance(box), gap, atol=1e-6)
    assert np.isclose(place.y, point[1]), "beside it, where one reads on"


def test_a_label_goes_where_no_line_runs():
    """A bank to the right of the point: the number goes to the left of it."""
    bank = shapely.LineString([(2, -50), (2, 50)])
    (place,) = place_labels([(0.0, 0.0)], [(3.0, 2.0)], [0.5], lines=bank)
    assert place.x + 1.5 < 2
    assert not boxes([place], [(3.0, 2.0)])[0].intersects(bank)


def test_without_room_the_least_bad_place_is_taken_and_said_not_to_be_clear():
    places = place_labels([(0.0, 0.0)] * 40, [(3.0, 2.0)] * 40, [0.5])
    assert len(places) == 40
    assert {place.clear for place in places} == {True, False}
