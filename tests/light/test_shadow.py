"""Shadows against trigonometry and against exact outlines by shapely."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from reachmap.light.model import Body
from reachmap.light.shade import prepare_shade
from reachmap.light.surface import bed_offset, refracted
from tests.light.closed_canopy import beam_through
from tests.light.waters import pond, tree, wall
from tests.published import load

ROWS = load("light")


def sun(altitude, azimuth):
    return Body(altitude, azimuth, 1.0)


def shaded(channel, altitude, azimuth):
    """Whether each cell is in more than half shade, with the altitude as seen (no refraction added)."""
    true = altitude - (float(refracted(altitude)) - altitude)
    return prepare_shade(channel).beam(sun(true, azimuth), True) < 0.5


def exact(footprint, base_m, top_m, altitude, azimuth):
    """Shadow of an upright block on level water: its outline drawn out from underside to top, away from the sun."""
    away = np.array([-np.sin(np.radians(azimuth)), -np.cos(np.radians(azimuth))]) / np.tan(np.radians(altitude))
    near, far = (shapely.transform(footprint, lambda xy, h=h: xy + away * h) for h in (base_m, top_m))
    ring = shapely.get_coordinates(footprint.exterior)
    sides = [
        shapely.Polygon([a + away * base_m, b + away * base_m, b + away * top_m, a + away * top_m])
        for a, b in itertools.pairwise(ring)
    ]
    return shapely.union_all([near, far, *(shapely.make_valid(s) for s in sides)])


def edges_of(water):
    """West, south, east and north edges of every cell."""
    half, x, y = water.grid.cell_m / 2, water.grid.x, water.grid.y
    return x - half, y - half, x + half, y + half


def test_length():
    ROWS["H1"].check(10 / np.tan(np.radians(30)))
    water = pond(40, 40, 0.1, [wall(-40, -40, 40, -39)])
    lit = shaded(water, 30.0, 180.0)
    y = water.grid.y[lit & (np.abs(water.grid.x) < 0.1)]
    # To the far edge of the last cell.
    assert y.max() + 0.05 + 39 == pytest.approx(17.32, abs=0.06)


def test_wall_from_every_side():
    def cells(azimuth, long_x):
        box = (-60, -0.5, 60, 0.5) if long_x else (-0.5, -60, 0.5, 60)
        water = pond(40.5, 40.5, 1.0, [wall(*box)])
        lit = water.grid.spread(shaded(water, 30.0, azimuth), dry=False)
        line = lit[:, 40] if long_x else lit[40]
        # The wall's own cell is not its shadow.
        return float(line.sum() - 1)

    ROWS["H2"].check([cells(0, True), cells(90, False), cells(180, True), cells(270, False)])
    ROWS["H3"].check([cells(225, True), cells(200, True)])


@pytest.mark.parametrize("radius", [1.0, 2.0])
def test_crowns_against_exact_shadows(radius):
    # 50 suns over a crown four and eight cells across: within 10 % in area, as the exact outline has it.
    rng = np.random.default_rng(4)
    crown = (shapely.Point(0, 0), "wall", 6.0, 1.5, radius, "dense")
    water = pond(30, 30, 0.5, [crown])
    points = shapely.points(water.grid.x, water.grid.y)
    shade = prepare_shade(water)
    errors, overlaps = [], []
    for altitude, azimuth in zip(rng.uniform(15, 85, 50), rng.uniform(0, 360, 50), strict=True):
        outline = exact(shapely.Point(0, 0).buffer(radius, quad_segs=32), 1.5, 6.0, altitude, azimuth)
        dark = 1.0 - shade.beam(sun(altitude, azimuth), True)
        errors.append(dark.sum() * 0.25 / outline.area - 1)
        theirs = shapely.contains(outline, points)
        overlaps.append(((dark >= 0.5) & theirs).sum() / ((dark >= 0.5) | theirs).sum())
    assert np.abs(errors).max() < 0.10, np.abs(errors).max()
    assert np.abs(np.mean(errors)) < 0.01
    assert np.mean(overlaps) > 0.9, np.mean(overlaps)


@pytest.mark.parametrize("azimuth", [0.0, 37.0, 90.0, 145.0, 222.0, 270.0, 313.0])
def test_outlines_of_any_form_against_exact_shadows(azimuth):
    bend = shapely.Polygon([(-6, -4), (6, -4), (6, 4), (4, 4), (4, -2), (-6, -2)])
    water = pond(25, 25, 0.25, [(bend, "wall", 5.0, 0.0, np.nan, "dense")])
    points = shapely.points(water.grid.x, water.grid.y)
    outline = exact(bend, 0.0, 5.0, 35.0, azimuth)
    ours, theirs = shaded(water, 35.0, azimuth), shapely.contains(outline, points)
    # Only cells which the outline's edge cuts may differ, by the half of them at most.
    whole = shapely.contains(outline, shapely.box(*edges_of(water)))
    assert np.all(ours[whole])
    assert (ours != theirs).sum() < 0.03 * theirs.sum()


def test_light_passes_beneath_a_bridge():
    water = pond(20, 20, 0.25, [wall(-30, -1, 30, 1, height_m=3.5, base_m=3.0, kind="bridge")])
    dark = shaded(water, 45.0, 180.0) & (np.abs(water.grid.x) < 0.2)
    y = water.grid.y[dark]
    # Edges -1 + 3.0 and 1 + 3.5 m north of the middle; the water right below is lit.
    assert y.min() == pytest.approx(2.0, abs=0.13)
    assert y.max() == pytest.approx(4.5, abs=0.13)


def test_a_beam_down_through_a_wide_crown_is_beer_s_law():
    wide = (shapely.box(-60, -60, 60, 60), "tree", 8.0, 2.0, np.nan, "willow")
    share = prepare_shade(pond(2, 2, 0.5, [wide])).beam(sun(60.0, 123.0), True)
    # Willow: leaf area 3.
    assert share == pytest.approx(float(beam_through(3.0, 60.0)), abs=2e-3)


def test_shade_at_the_bed_is_looked_up_toward_the_sun():
    def edge(depth):
        water = pond(30, 30, 0.1, [wall(-40, -40, 40, -10, height_m=5.0)], depth_m=depth)
        dark = shaded(water, 30.0, 180.0) & (np.abs(water.grid.x) < 0.1)
        return water.grid.y[dark].max()

    # Under water the edge lies farther from the wall, by depth times the tangent of the refracted angle (Snell).
    assert edge(2.0) - edge(0.0) == pytest.approx(float(bed_offset(2.0, 30.0)), abs=0.11)


def test_moon_and_sun_cast_the_same_shadow():
    shade = prepare_shade(pond(15, 15, 0.5, [tree(0, 0)]))
    assert np.array_equal(shade.beam(Body(30, 100, 1e5), True), shade.beam(Body(30, 100, 0.1, 0.5), True))


def test_no_beam_while_the_body_is_down():
    assert not prepare_shade(pond(5, 5, 1.0)).beam(sun(-1.0, 100.0), True).any()


@settings(max_examples=20, deadline=None)
@given(st.floats(1, 89), st.floats(0, 360), st.floats(0.5, 6), st.floats(2, 20))
def test_more_leaves_never_let_more_through(altitude, azimuth, radius, height):
    shade = prepare_shade(pond(12, 12, 1.0, [tree(0, -14, height, radius, height / 4)]))
    on, off = shade.beam(sun(altitude, azimuth), True), shade.beam(sun(altitude, azimuth), False)
    assert np.all(on <= off)
    assert on.min() >= 0
    assert off.max() <= 1
