"""Blocks from the shade table: areas kept, forms covered, kinds told apart."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from reachmap.beat.model import SHADE_KINDS
from reachmap.light.heights import LINE_WIDTH_M, prisms
from tests.light.waters import shade_table, tree


def area(things):
    return sum(shapely.Polygon(thing.xy).area for thing in things)


def test_a_point_becomes_a_crown_of_its_area():
    (crown,) = prisms(shade_table(tree(3, 4, radius_m=2.5)))
    assert area([crown]) == pytest.approx(np.pi * 2.5**2)
    assert crown.xy.mean(axis=0) == pytest.approx([3, 4])


@pytest.mark.parametrize("kind", SHADE_KINDS)
def test_a_line_becomes_a_strip(kind):
    line = shapely.LineString([(0, 0), (10, 0), (10, 5)])
    things = prisms(shade_table((line, kind, 4.0, 1.0, np.nan, "mixed")))
    assert area(things) == pytest.approx(15 * LINE_WIDTH_M[kind])
    solid = kind not in ("tree", "hedge")
    assert all(np.isinf(thing.density_on) == solid for thing in things)


def test_outlines_are_cut_into_convex_parts():
    ring = shapely.Point(0, 0).buffer(12).difference(shapely.Point(0, 0).buffer(10))
    many = shapely.MultiPolygon([ring, shapely.box(30, 0, 34, 4)])
    things = prisms(shade_table((many, "tree", 8.0, 2.0, np.nan, "alder")))
    assert area(things) == pytest.approx(many.area, rel=0.01)
    # Few parts: a sixteenth of a ring is about as far as a convex part of it goes.
    assert len(things) < 80
    assert all(shapely.Polygon(t.xy).convex_hull.area == pytest.approx(shapely.Polygon(t.xy).area) for t in things)
    assert all(0 < t.density_off < t.density_on for t in things)
