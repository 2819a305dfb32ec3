"""Horizon angles against trigonometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reachmap.beat.model import Skyline, Terrain
from reachmap.light.horizon import look_round
from reachmap.light.model import Body
from reachmap.light.shade import prepare_shade
from reachmap.light.shadow import in_blocks
from tests.light.waters import pond, wall


def ridge(height_m, distance_m, cell_m=10.0):
    """A long ridge to the south, everything else flat; beyond the ridge the surface is unknown."""
    rows, cols = 300, 300
    y = 1500 - (np.arange(rows) + 0.5) * cell_m
    height = np.where(y < -distance_m, np.nan, 0.0)
    height[np.argmin(np.abs(y + distance_m))] = height_m
    return Terrain(np.repeat(height[:, None], cols, axis=1).astype(np.float32), -1500.0, 1500.0, cell_m)


@pytest.mark.parametrize(("height", "distance"), [(100.0, 800.0), (300.0, 1200.0), (20.0, 150.0)])
def test_a_far_ridge(height, distance):
    water = pond(3, 3, 1.0)
    horizon = look_round(ridge(height, distance), None, water.grid).of(in_blocks(water.grid, water["depth"]))
    true = np.degrees(np.arctan(height / distance))
    assert horizon.of_points(180.0).mean() == pytest.approx(true, rel=0.08)
    assert horizon.of_points(0.0).max() == 0
    # A ridge square to the sight line falls away as the cosine.
    slant = np.degrees(np.arctan(height / distance * np.cos(np.radians(40))))
    assert horizon.of_points(220.0).mean() == pytest.approx(slant, rel=0.1)


def test_behind_a_hill_or_behind_a_wall_there_is_no_sun():
    """A hill in the south of the eastern half only, 20 m high and 10 m off: it hides a sun of 20 degrees there. A wall
    3 m high beside the western half throws 3 / tan 20 = 8.2 m of shadow on that."""
    x, y = -99.0 + 2.0 * np.arange(100), 99.0 - 2.0 * np.arange(100)
    hill = np.where((x > 0) & (y < -20)[:, None], 20.0, 0.0).astype(np.float32)
    water = pond(20, 10, 1.0, [wall(-20, -10.2, 0, -10, height_m=3.0)], terrain=Terrain(hill, -100.0, 100.0, 2.0))
    lit = prepare_shade(water).beam(Body(20.0, 180.0, 1.0), True)
    east, west = water.grid.x > 6, water.grid.x < -6
    assert (lit[east] == 0).all()
    assert (lit[west & (water.grid.y < -3)] < 0.05).all()
    assert (lit[west & (water.grid.y > 0)] > 0.95).all()


def test_each_cell_has_the_horizon_of_its_own_square_however_fine_the_cells():
    """Squares of five metres, as the land has: their number is the water's, not that of its cells."""
    rng = np.random.default_rng(2)
    land = Terrain(rng.uniform(0, 30, (80, 90)).astype(np.float32), -200.0, 200.0, 5.0)
    for cell_m in (0.1, 0.5, 1.0):
        water = pond(12, 7, cell_m)
        around = look_round(land, None, water.grid)
        assert len(around.angle_deg) <= (24 / 5 + 2) * (14 / 5 + 2)
        cells = in_blocks(water.grid, water["depth"])
        nearest = around.of(cells).nearest
        off = np.maximum(np.abs(around.grid.x[nearest] - cells.x), np.abs(around.grid.y[nearest] - cells.y))
        assert off.max() <= around.grid.cell_m / 2 + 1e-6


@pytest.mark.parametrize("half_x", [6.5, 7.0, 7.5, 8.0, 8.5])
@pytest.mark.parametrize("land_cell_m", [1.0, 2.0])
def test_water_beside_a_wood_sees_the_open_side(half_x, land_cell_m):
    """A wood of 10 m along the east bank only: there is nothing in the west, wherever the bank meets the squares."""
    n = round(200 / land_cell_m)
    x = -100 + (np.arange(n) + 0.5) * land_cell_m
    wood = np.where(x > half_x + land_cell_m / 2, 10.0, 0.0).astype(np.float32)
    land = Terrain(np.tile(wood, (n, 1)), -100.0, 100.0, land_cell_m)
    water = pond(half_x, 20, 0.5)
    cells = in_blocks(water.grid, water["depth"])
    horizon = look_round(land, None, water.grid).of(cells)
    assert horizon.of_points(270.0).max() == 0
    by_the_wood = horizon.nearest[cells.x > half_x - 1]
    assert horizon.of_points(90.0)[by_the_wood].min() > np.degrees(np.arctan(10 / 5))


def test_a_cell_whose_middle_lies_in_a_dry_square_takes_the_next():
    water = pond(12, 7, 1.0)
    around = look_round(None, Skyline(np.array([0.0]), np.array([7.0])), water.grid)
    cells = in_blocks(water.grid, water["depth"])
    beyond = replace(cells, x=cells.x + 30.0, y=cells.y - 3.0)
    apart = np.hypot(around.grid.x - beyond.x[:, None], around.grid.y - beyond.y[:, None])
    taken = apart[np.arange(len(apart)), around.of(beyond).nearest]
    np.testing.assert_allclose(taken, apart.min(axis=1), rtol=1e-9)


def test_a_skyline_hides_the_sun_like_a_ridge_and_the_higher_of_both_counts():
    far = Skyline(np.array([0.0, 90.0, 180.0, 270.0]), np.array([0.0, 0.0, 20.0, 0.0]))
    for water in (pond(3, 3, 1.0, skyline=far), pond(3, 3, 1.0, skyline=far, terrain=ridge(100.0, 800.0))):
        shade = prepare_shade(water)
        assert not shade.beam(Body(18.0, 180.0, 1.0), True).any()
        assert shade.beam(Body(22.0, 180.0, 1.0), True).all()
        # Half way to flat east the skyline stands at 10 degrees, above what a ridge square to south still has.
        assert not shade.beam(Body(9.0, 135.0, 1.0), True).any()
        assert shade.beam(Body(11.5, 135.0, 1.0), True).all()


@pytest.mark.parametrize("land", [None, ridge(0.0, 800.0)])
def test_a_skyline_stands_as_high_as_it_was_written_wherever_that_was(land):
    """A peak of 27 degrees at 112, between two of the directions the land is looked at in, and straight to its foot."""
    azimuth, elevation = np.array([0.0, 97.0, 112.0, 127.0, 300.0]), np.array([8.0, 9.0, 27.0, 11.0, 9.0])
    water = pond(3, 3, 1.0)
    cells = in_blocks(water.grid, water["depth"])
    horizon = look_round(land, Skyline(azimuth, elevation), water.grid).of(cells)
    for toward, high in ((112.0, 27.0), (104.5, 18.0), (119.5, 19.0), (330.0, 8.5), (359.9, 8.0)):
        np.testing.assert_allclose(horizon.of_points(toward), high, atol=0.01)


def test_the_ridge_hides_a_low_sun():
    shade = prepare_shade(pond(3, 3, 1.0, terrain=ridge(300.0, 1200.0)))
    assert not shade.beam(Body(11.0, 180.0, 1.0), True).any()
    assert shade.beam(Body(18.0, 180.0, 1.0), True).all()
    assert shade.beam(Body(11.0, 0.0, 1.0), True).all()


def test_a_horizon_is_what_a_close_walk_over_the_land_finds(monkeypatch):
    """Rolling hills, the same on no two sides, walked in steps of half a cell: every direction from three places.

    Worked out in several pieces, as on long water.
    """
    monkeypatch.setattr("reachmap.light.horizon.MOST_POINTS", 7)
    n, cell_m, west, north = 240, 10.0, -1100.0, 1300.0
    x, y = np.meshgrid(west + (np.arange(n) + 0.5) * cell_m, north - (np.arange(n) + 0.5) * cell_m)
    hills = 60 + 40 * np.sin(x / 190 + 1) * np.cos(y / 230) + 20 * np.sin((x + 2 * y) / 260)
    height = (hills * np.clip((np.hypot(x, y) - 60) / 300, 0, 1)).astype(np.float32)
    around = look_round(Terrain(height, west, north, cell_m), None, pond(40, 25, 5.0).grid)
    turn = np.radians(5.0 * np.arange(72))[:, None]
    steps = np.arange(5.0, 3400.0, 5.0)
    for point in (0, around.grid.n_wet // 2, around.grid.n_wet - 1):
        col = np.floor((around.grid.x[point] + np.sin(turn) * steps - west) / cell_m).astype(int)
        row = np.floor((north - around.grid.y[point] - np.cos(turn) * steps) / cell_m).astype(int)
        inside = (col >= 0) & (col < n) & (row >= 0) & (row < n)
        seen = np.where(inside, height[row.clip(0, n - 1), col.clip(0, n - 1)], 0.0)
        walked = np.degrees(np.arctan(seen / steps)).max(axis=1)
        np.testing.assert_allclose(around.angle_deg[point], walked, rtol=0.06)


def test_between_its_directions_a_horizon_is_drawn_straight():
    """Across north too, where the first and the last place of a skyline meet."""
    far = Skyline(
        np.array([20.0, 65.0, 90.0, 95.0, 180.0, 275.0, 330.0]), np.array([4.0, 31.0, 9.0, 22.0, 2.0, 40.0, 14.0])
    )
    water = pond(3, 3, 1.0)
    horizon = look_round(None, far, water.grid).of(in_blocks(water.grid, water["depth"]))
    for azimuth in (0.0, 1.0, 92.5, 181.25, 271.0, 355.0, 357.5, 359.9, 360.0):
        want = np.interp(azimuth, far.azimuth_deg, far.elevation_deg, period=360.0)
        np.testing.assert_allclose(horizon.of_points(azimuth), want, rtol=1e-5)
