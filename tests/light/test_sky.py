"""Sky shares against closed forms; angles of 15, 30, 45, 60 deg, both skies, three obstructions."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.integrate import quad

from reachmap.beat.model import Skyline, Terrain
from reachmap.light.shade import prepare_shade
from reachmap.light.sky import band_weights, overcast_above, uniform_above
from tests.light.closed_canopy import sky_through
from tests.light.waters import pond, tree, wall
from tests.published import load

ROWS = load("light")
FAR = 3000.0


def ring(t):
    s = np.sin(t)
    return 1 - s**2, 3 / 7 * (1 - s**2) + 4 / 7 * (1 - s**3)


def canyon(t):
    c, s = np.cos(t), np.sin(t)
    return c, 3 / 7 * c + 8 / (7 * np.pi) * ((np.pi / 2 - t) + s * c)


def one_wall(t):
    c = np.cos(t)
    return (1 + c) / 2, 3 / 14 * (1 + c) + 8 / (7 * np.pi) * (np.pi / 2 - t / 2 + np.sin(2 * t) / 4)


def seen(rows, leaves=True, **beat):
    """Shares at the middle of a small pond: [uniform, overcast]."""
    water = pond(0.15, 0.15, 0.1, rows, **beat)
    middle = np.argmin(np.hypot(water.grid.x, water.grid.y))
    return [float(share[middle]) for share in prepare_shade(water).sky(leaves)]


def walls_of(form, degrees):
    """Solid blocks that make a ring, a canyon or one wall of an elevation about the origin."""
    height = 10 * np.tan(np.radians(degrees))
    if form is ring:
        hollow = shapely.Point(0, 0).buffer(12, quad_segs=24).difference(shapely.Point(0, 0).buffer(10, quad_segs=24))
        return [(hollow, "wall", height, 0.0, np.nan, "dense")]
    sides = [wall(-FAR, 10, FAR, 12, height_m=height), wall(-FAR, -12, FAR, -10, height_m=height)]
    return sides if form is canyon else sides[:1]


@pytest.mark.parametrize("degrees", [15, 30, 45, 60])
@pytest.mark.parametrize("form", [ring, canyon, one_wall])
def test_closed_forms(form, degrees):
    assert seen(walls_of(form, degrees)) == pytest.approx(list(form(np.radians(degrees))), abs=0.01)


def test_published_closed_forms():
    ROWS["D2"].check(seen(walls_of(canyon, 45)))
    ROWS["D3"].check(seen(walls_of(ring, 30)))
    ROWS["D4"].check(seen(walls_of(one_wall, 60)))


def test_an_open_sky():
    ROWS["D1"].check(seen([]))


def test_weights_of_the_bands():
    uniform, overcast = band_weights()
    ROWS["D6"].check(uniform)
    ROWS["D6-overcast"].check(overcast)
    assert [uniform.sum(), overcast.sum()] == pytest.approx([1.0, 1.0], abs=1e-9)


def test_overcast_weights_are_the_cie_sky():
    # Luminance (1 + 2 sin e) / 3 on the level; and the classic vertical face, half the azimuths.
    level = quad(lambda e: (1 + 2 * np.sin(e)) / 3 * np.sin(e) * np.cos(e), 0, np.pi / 2)[0]
    above = quad(lambda e: (1 + 2 * np.sin(e)) / 3 * np.sin(e) * np.cos(e), 0.5, np.pi / 2)[0]
    assert overcast_above(np.sin(0.5)) == pytest.approx(above / level)
    assert uniform_above(np.sin(0.5)) == pytest.approx(np.cos(0.5) ** 2)
    s = np.linspace(0, 1, 4001)
    brightness = -np.gradient(overcast_above(s), s) / np.maximum(s, 1e-9)
    e = np.arcsin(s)
    # Light on an upright face: each elevation counts with its cosine, over pi for half the azimuths.
    ROWS["D5"].check(np.trapezoid(brightness[1:] * np.cos(e[1:]) * np.cos(e[1:]) / np.pi, e[1:]))


@pytest.mark.parametrize(("leaves", "area"), [(True, 3.0), (False, 0.8)])
def test_a_closed_canopy_is_the_exponential_integral(leaves, area):
    """Willow, with its leaves and with its twigs alone."""
    wood = (shapely.box(-400, -400, 400, 400), "tree", 8.0, 2.0, np.nan, "willow")
    assert seen([wood], leaves)[0] == pytest.approx(float(sky_through(area)), abs=0.01)


@pytest.mark.parametrize(("behind", "counts"), [(30, 45), (60, 60)])
def test_of_two_walls_behind_each_other_the_higher_counts(behind, counts):
    """The near one stands 45 deg high; the order in which they are drawn is nothing to the sky."""
    near, far = (
        wall(-FAR, 10, FAR, 11, height_m=10.0),
        wall(-FAR, 30, FAR, 31, height_m=30 * np.tan(np.radians(behind))),
    )
    for rows in ([near, far], [far, near]):
        assert seen(rows) == pytest.approx(list(one_wall(np.radians(counts))), abs=0.01)


def test_a_map_turned_by_a_quarter_has_its_sky_turned():
    """East becomes north: what stands in each direction is seen there, over all of the water."""
    rows = [tree(-7.03, -9.11), wall(3.17, -13, 9.29, -12.5, height_m=4.0), wall(11.07, 0.31, 12, 8.23, height_m=3.0)]
    slope = np.linspace(0, 12, 40)[:, None] * np.linspace(0, 1, 40) ** 2
    turned = [(shapely.transform(row[0], lambda xy: xy[:, ::-1] * [-1.0, 1.0]), *row[1:]) for row in rows]
    waters = [
        pond(10, 10, 1.0, laid, terrain=Terrain(land.astype(np.float32), -80.0, 80.0, 4.0))
        for laid, land in ((rows, slope), (turned, np.rot90(slope)))
    ]
    one, other = ([water.grid.spread(share) for share in prepare_shade(water).sky(True)] for water in waters)
    for before, after in zip(one, other, strict=True):
        assert np.ptp(before) > 0.2
        np.testing.assert_allclose(np.rot90(before), after, atol=2e-3)


def test_a_valley_of_the_surface_model():
    # A canyon along east with sides of 30 deg: flat for 40 m each way, then up.
    y = 400 - (np.arange(200) + 0.5) * 4.0
    height = np.where(np.abs(y) < 40, 0.0, 40 * np.tan(np.radians(30))).astype(np.float32)
    land = Terrain(np.repeat(height[:, None], 1500, axis=1), -3000.0, 400.0, 4.0)
    assert seen([], terrain=land) == pytest.approx(list(canyon(np.radians(30))), abs=0.02)


@pytest.mark.parametrize("degrees", [15, 30, 45, 60])
def test_a_far_skyline_all_round_is_the_ring(degrees):
    level = Skyline(np.array([0.0, 120.0, 240.0]), np.full(3, float(degrees)))
    assert seen([], skyline=level) == pytest.approx(list(ring(np.radians(degrees))), abs=0.01)


@pytest.mark.parametrize("degrees", [15, 30, 45, 60])
def test_a_far_skyline_of_a_valley_is_the_canyon(degrees):
    """Seen from between two long ridges of one elevation square to them, the skyline falls as the cosine."""
    azimuth = np.arange(0.0, 360.0, 5.0)
    elevation = np.degrees(np.arctan(np.tan(np.radians(degrees)) * np.abs(np.cos(np.radians(azimuth)))))
    assert seen([], skyline=Skyline(azimuth, elevation)) == pytest.approx(list(canyon(np.radians(degrees))), abs=0.01)


def test_a_tree_takes_less_without_leaves_and_less_than_a_wall():
    water = pond(8, 8, 1.0, [tree(0, -11)])
    solid = pond(8, 8, 1.0, [(shapely.Point(0, -11), "wall", 9.0, 1.5, 3.0, "dense")])
    on, off = (prepare_shade(water).sky(leaves)[0] for leaves in (True, False))
    opaque = prepare_shade(solid).sky(True)[0]
    assert np.all(opaque <= on + 1e-6)
    assert np.all(on <= off + 1e-6)
    assert off.max() <= 1


@pytest.mark.parametrize("height", [0.8, 2.0, 5.0])
def test_the_sky_beneath_a_slab(height):
    # View factor from a small level face to a rectangle overhead, by quarters: the standard closed form of radiant
    # heat transfer, 1/(2 pi) [A/sqrt(1+A^2) atan(B/sqrt(1+A^2)) + B/sqrt(1+B^2) atan(A/sqrt(1+B^2))].
    a, b = 2.0 / height, 6.0 / height
    p, q = np.hypot(1, a), np.hypot(1, b)
    hidden = 4 / (2 * np.pi) * (a / p * np.arctan(b / p) + b / q * np.arctan(a / q))
    slab = wall(-2, -6, 2, 6, height_m=height + 0.01, base_m=height, kind="bridge")
    assert seen([slab])[0] == pytest.approx(1 - hidden, abs=0.01)


@pytest.mark.parametrize("distance", [0.0, 2.0, 4.0, 8.0])
def test_the_sky_round_a_single_crown(distance):
    # A fine quadrature over the sky with the path of each ray through an upright cylinder; alder, leaf area 4.5.
    base, top, radius = 2.0, 9.0, 3.0
    elevation, azimuth = np.meshgrid(np.radians(np.arange(0.25, 90, 0.5)), np.radians(np.arange(0.5, 360, 1.0)))
    closest, aside = distance * np.cos(azimuth), distance * np.sin(azimuth)
    half = np.sqrt(np.maximum(radius**2 - aside**2, 0))
    slope = np.tan(elevation)
    inside = np.minimum(closest + half, top / slope) - np.maximum(np.maximum(closest - half, 0), base / slope)
    passed = np.exp(-0.5 * 4.5 / (top - base) * np.maximum(inside, 0) * (half > 0) / np.cos(elevation))
    weight = np.sin(elevation) * np.cos(elevation)
    brightness = np.array([np.ones_like(weight), (1 + 2 * np.sin(elevation)) / 3])
    exact = (weight * brightness * passed).sum(axis=(1, 2)) / (weight * brightness).sum(axis=(1, 2))
    assert seen([tree(0, -distance, top, radius, base)]) == pytest.approx(list(exact), abs=0.02)
