"""Shadows against trigonometry and against exact outlines by shapely."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from reachmap.light.model import Body
from reachmap.light.shade import Shade, prepare_shade
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


@pytest.mark.parametrize(("leaves", "area"), [(True, 3.0), (False, 0.8)])
@pytest.mark.parametrize("look", [Shade.beam, Shade.beam_of_day])
def test_a_beam_down_through_a_wide_crown_is_beer_s_law(leaves, area, look):
    """Willow, with its leaves and with its twigs alone."""
    wide = (shapely.box(-60, -60, 60, 60), "tree", 8.0, 2.0, np.nan, "willow")
    share = look(prepare_shade(pond(2, 2, 0.25, [wide])), sun(60.0, 123.0), leaves)
    assert share == pytest.approx(float(beam_through(area, 60.0)), abs=2e-3)


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


@pytest.mark.parametrize(("side", "lit"), [(0.2, 1.0), (0.3, 0.75)])
def test_a_cell_is_looked_at_in_the_middle_of_each_quarter(side, lit):
    """One cell under the corner of a slab, whichever: its quarter counts once the slab reaches over its middle."""
    for east, north in itertools.product((-1, 1), (-1, 1)):
        (x0, x1), (y0, y1) = (sorted((way * (0.5 - side), way * 9.0)) for way in (east, north))
        water = pond(0.5, 0.5, 1.0, [wall(x0, y0, x1, y1, height_m=0.02, base_m=0.01, kind="bridge")])
        assert prepare_shade(water).beam(sun(89.5, 120.0), True) == pytest.approx(lit)


ALL_SORTS = (
    tree(-7, -9, 8.0, 2.5),
    wall(3, -13, 9, -12.5, height_m=4.0),
    (shapely.Polygon([(-14, 2), (-11, 5), (-13, 9)]), "wall", 6.0, 0.0, np.nan, "dense"),
    tree(11, 3, 5.0, 1.5, 0.5, "willow"),
    wall(-15, 6, 15, 8, height_m=3.5, base_m=3.0, kind="bridge"),
    (shapely.Polygon([(4, 11), (9, 11), (9, 14), (7, 14), (7, 12), (4, 12)]), "tree", 7.0, 2.0, np.nan, "alder"),
    (shapely.LineString([(-12, -11), (-2, -10.5)]), "hedge", 2.0, 0.0, np.nan, "alder"),
)


@pytest.mark.parametrize("leaves", [True, False])
def test_what_passes_many_things_is_the_product_of_what_passes_each(leaves):
    """Beer's law: optical depths add, however many things of whatever forms are looked at together.

    On the cells of a scene, and on those of a day, where wide things take one ray and narrow ones four.
    """
    suns = [sun(altitude, azimuth) for altitude, azimuth in ((16.0, 70.0), (24.0, 190.0), (30.0, 290.0), (40.0, 10.0))]
    together, *alone = (prepare_shade(pond(10, 10, 0.25, rows)) for rows in (ALL_SORTS, *([row] for row in ALL_SORTS)))
    for look in (Shade.beam, Shade.beam_of_day):
        each = np.array([[look(shade, body, leaves) for body in suns] for shade in alone])
        assert (each < 0.9).any(axis=(1, 2)).all()
        assert ((each < 0.9).sum(axis=0) > 1).any()
        for body, apart in zip(suns, each.swapaxes(0, 1), strict=True):
            np.testing.assert_allclose(look(together, body, leaves), apart.prod(axis=0), rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize("depth_m", [0.0, 2.0])
def test_a_map_turned_by_a_quarter_has_its_shade_turned(depth_m):
    """East becomes north, and a bearing 90 degrees less."""
    turned = [(shapely.transform(row[0], lambda xy: xy[:, ::-1] * [-1.0, 1.0]), *row[1:]) for row in ALL_SORTS]
    waters = [pond(10, 10, 0.5, rows, depth_m=depth_m) for rows in (ALL_SORTS, turned)]
    shades = [prepare_shade(water) for water in waters]
    for altitude, azimuth in ((14.0, 95.0), (33.0, 170.0), (50.0, 230.0), (20.0, 340.0)):
        one, other = (
            water.grid.spread(shade.beam(sun(altitude, bearing), True))
            for water, shade, bearing in zip(waters, shades, (azimuth, azimuth - 90.0), strict=True)
        )
        assert (one < 0.5).mean() > 0.05
        np.testing.assert_allclose(np.rot90(one), other, atol=1e-4)


@pytest.mark.parametrize("altitude", [2.2, 3.0, 5.0])
def test_the_long_shadows_of_a_low_sun(altitude):
    """A far wall whose shadow ends in the middle of the water, 5 m over the tangent of the altitude as seen from it."""
    far = 5.0 / np.tan(np.radians(float(refracted(altitude))))
    water = pond(20, 15, 0.5, [wall(-30, -far - 1, 30, -far, height_m=5.0)])
    dark = prepare_shade(water).beam(sun(altitude, 180.0), True) < 0.5
    np.testing.assert_array_equal(dark, water.grid.y < 0)


@settings(max_examples=20, deadline=None)
@given(st.floats(1, 89), st.floats(0, 360), st.floats(0.5, 6), st.floats(2, 20))
def test_more_leaves_never_let_more_through(altitude, azimuth, radius, height):
    shade = prepare_shade(pond(12, 12, 1.0, [tree(0, -14, height, radius, height / 4)]))
    on, off = shade.beam(sun(altitude, azimuth), True), shade.beam(sun(altitude, azimuth), False)
    assert np.all(on <= off)
    assert on.min() >= 0
    assert off.max() <= 1
