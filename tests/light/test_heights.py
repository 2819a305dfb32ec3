"""Blocks from the shade table: areas kept, forms covered, kinds told apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from reachmap.beat.model import SHADE_KINDS
from reachmap.light.day import SHADED
from reachmap.light.heights import LINE_WIDTH_M, prisms
from reachmap.light.model import Body
from reachmap.light.shade import prepare_shade
from tests import toy
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
    # A row of trees is as wide as their crowns: 0.3 of the height to either side.
    assert area(things) == pytest.approx(15 * LINE_WIDTH_M.get(kind, 2 * 0.3 * 4.0))
    solid = kind not in ("tree", "hedge")
    assert all(np.isinf(thing.density_on) == solid for thing in things)


@pytest.mark.parametrize(("kind", "leaf"), [("tree", "alder"), ("hedge", "dense")])
def test_tall_rows_shade_too(kind, leaf):
    """A row has more leaves as it grows, not the same spread thinner; 12 m off, a sun of 10 degrees is behind them."""
    assert max(lit_beside(kind, leaf, height, 10.0) for height in (6.0, 8.0, 14.0, 20.0, 30.0)) < SHADED


def test_a_row_of_trees_shades_like_the_same_trees_side_by_side():
    line = lit_beside("tree", "alder", 20.0, 10.0)
    beside = [(shapely.Point(x, -11), "tree", 20.0, 1.5, 6.0, "alder") for x in np.arange(-58, 59, 6.0)]
    assert line == pytest.approx(lit(beside, 10.0), abs=0.2)


def lit_beside(kind, leaf, height_m, altitude_deg):
    """Share of the sun from the south that passes a row along the toy river."""
    row = shapely.LineString([(-59, -9), (59, -9)]) if kind == "hedge" else shapely.LineString([(-59, -11), (59, -11)])
    return lit([(row, kind, height_m, 1.5 if kind == "tree" else 0.0, np.nan, leaf)], altitude_deg)


def lit(things, altitude_deg):
    """Share of the sun from the south that reaches the water well north of what stands along the toy river."""
    channel = toy.channel(cell_m=0.5)
    shaded = replace(channel, beat=replace(channel.beat, shade=shade_table(*things)))
    share = prepare_shade(shaded).beam(Body(altitude_deg, 180.0, 1e4), True)
    grid = shaded.grid
    near = (np.abs(grid.x) < 30) & (grid.y > 1.0) & (grid.y < 6.0)
    return float(share[near].mean())


def test_outlines_are_cut_into_convex_parts():
    ring = shapely.Point(0, 0).buffer(12).difference(shapely.Point(0, 0).buffer(10))
    many = shapely.MultiPolygon([ring, shapely.box(30, 0, 34, 4)])
    things = prisms(shade_table((many, "tree", 8.0, 2.0, np.nan, "alder")))
    assert area(things) == pytest.approx(many.area, rel=0.01)
    # Few parts: a sixteenth of a ring is about as far as a convex part of it goes.
    assert len(things) < 80
    assert all(shapely.Polygon(t.xy).convex_hull.area == pytest.approx(shapely.Polygon(t.xy).area) for t in things)
    assert all(0 < t.density_off < t.density_on for t in things)
