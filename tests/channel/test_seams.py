"""Seams against layers of known shear, and against cell size, banks and boulders."""

import numpy as np
import pytest

from reachmap.channel.model import Grid
from reachmap.channel.seams import find_seams, kinetic_gradient
from reachmap.channel.wakes import Body, wake_share
from tests import published
from tests.channel.test_wakes import run

ROWS = published.load("hydraulics")


def strip(cell: float, length: float = 12.0, width: float = 6.0):
    """A strip of water flowing east."""
    wet = np.pad(np.ones((round(width / cell), round(length / cell)), bool), 1)
    grid = Grid(-cell, width / 2 + cell, cell, wet)
    return grid, np.ones(grid.n_wet, np.float32), np.zeros(grid.n_wet, np.float32)


def test_shear_of_a_tanh_layer_is_its_derivative():
    grid, east, north = strip(0.01, 2.0, 2.0)
    speed = 0.5 + 0.3 * np.tanh(2 * grid.y / 0.5)
    _, layers = find_seams(grid, speed, east, north, scale_m=0.02)
    ROWS["S1"].check(layers["shear"].max())


def test_shear_of_a_step_is_set_by_the_scale():
    grid, east, north = strip(0.05)
    _, layers = find_seams(grid, np.where(grid.y > 0, 0.8, 0.2), east, north, scale_m=0.5)
    middle = np.abs(grid.x - 6) < 3
    ROWS["S2"].check(layers["shear"][middle].max())


def test_kinetic_energy_gradient():
    ROWS["S3"].check(kinetic_gradient(0.2, 0.8, 1.0))


def test_a_seam_knows_its_slow_side_and_contrast():
    grid, east, north = strip(0.25)
    seams, layers = find_seams(grid, np.where(grid.y > 0, 0.8, 0.2), east, north)
    assert len(seams) == 1
    seam = seams.iloc[0]
    assert seam.slow_side == "right"  # flowing east, the slow water lies south
    assert seam.contrast_m_s == pytest.approx(0.6, abs=0.05)
    assert seam.length_m == pytest.approx(12, abs=1.0)
    assert seam.geometry.coords[-1][0] > seam.geometry.coords[0][0]
    near = np.isfinite(layers["seam_distance"])
    assert grid.y[near].max() < 0.2
    assert grid.y[near].min() > -1.1
    assert layers["seam_distance"][near] == pytest.approx(np.abs(grid.y[near]), abs=0.13)
    assert np.all((layers["seam_contrast"] > 0) == near)


@pytest.mark.parametrize("angle", [0.0, 0.3, 0.7])
def test_the_fall_toward_the_banks_is_no_seam(angle):
    for cell in (0.25, 0.5, 1.0):
        grid, east, north, _, _, across = run(angle, cell)
        speed = 0.9 * np.clip(1 - (np.abs(across) / 8) ** 3, 0, None) ** (2 / 3)
        seams, layers = find_seams(grid, speed, east, north)
        assert len(seams) == 0
        assert not np.isfinite(layers["seam_distance"]).any()


def lengths(cell: float, angle: float) -> tuple[float, int, list[str]]:
    """Total seam length, how many and their slow sides: a boulder's wake in a run with a shear layer along a bar."""
    grid, east, north, depth, _, across = run(angle, cell)
    speed = 0.55 + 0.35 * np.tanh((across + 4) / 0.5)
    body = Body(-20 * np.cos(angle) - 2 * -np.sin(angle), -20 * np.sin(angle) + 2 * -np.cos(angle), 1.6, 1.0)
    speed = speed * (1 - wake_share(grid, depth, east, north, [body]))
    seams, _ = find_seams(grid, speed, east, north)
    return float(seams["length_m"].sum()), len(seams), sorted(seams["slow_side"])


@pytest.mark.parametrize("angle", [0.0, 0.5])
def test_cell_size_does_not_change_the_seams(angle):
    fine, middle, coarse = (lengths(cell, angle) for cell in (0.25, 0.5, 1.0))
    assert middle[0] == pytest.approx(fine[0], rel=0.10)
    assert coarse[0] == pytest.approx(fine[0], rel=0.10)


@pytest.mark.parametrize("angle", [0.4, np.pi / 2, 2.5, np.pi, 4.0, 5.5])
def test_a_seam_is_as_strong_whichever_way_the_river_runs(angle):
    """Two currents of 0.8 and 0.2 m/s side by side, the slow one on the right."""
    grid, east, north, _, _, across = run(angle)
    seams, layers = find_seams(grid, np.where(across > 0, 0.8, 0.2), east, north)
    assert seams["length_m"].sum() > 60
    assert set(seams["slow_side"]) == {"right"}
    assert seams["contrast_m_s"].to_numpy() == pytest.approx(0.6, abs=0.08)
    near = np.isfinite(layers["seam_distance"])
    assert across[near].max() < 0.3
    for line in seams.geometry:
        (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
        assert (x1 - x0) * np.cos(angle) + (y1 - y0) * np.sin(angle) > 0.99 * np.hypot(x1 - x0, y1 - y0)


@pytest.mark.parametrize("angle", [0.4, 2.0, 3.5, 5.0])
def test_a_boulder_in_a_uniform_run_makes_two_seams_with_slack_between(angle):
    grid, east, north, depth, along, across = run(angle)
    body = Body(-20 * np.cos(angle), -20 * np.sin(angle), 1.2, 1.0)
    speed = 0.9 * (1 - wake_share(grid, depth, east, north, [body]))
    seams, layers = find_seams(grid, speed, east, north)
    assert sorted(seams["slow_side"]) == ["left", "right"]
    assert np.all(seams["length_m"] > 4)
    shelter = (np.abs(across) < 0.4) & (along > -19.5) & (along < -16)
    assert speed[shelter].mean() < 0.6 * 0.9
    assert np.mean(layers["seam_contrast"][shelter] > 0) > 0.8


def test_land_does_not_leak_into_the_shear():
    # A uniform current has no shear, however ragged its banks.
    rng = np.random.default_rng(3)
    wet = np.pad(rng.random((40, 120)) > 0.25, 2)
    grid = Grid(0.0, 22.0, 0.5, wet)
    full = np.ones(grid.n_wet, np.float32)
    _, layers = find_seams(grid, 0.7 * full, full, 0 * full)
    assert layers["shear"].max() < 1e-4


def test_still_water_gives_an_empty_table_with_its_columns():
    grid, east, north = strip(0.5)
    seams, layers = find_seams(grid, np.zeros(grid.n_wet), east, north)
    assert list(seams.columns) == ["contrast_m_s", "scale_m", "slow_side", "length_m", "energy_m_s2", "geometry"]
    assert {name: layer.dtype for name, layer in layers.items()} == dict.fromkeys(
        ("shear", "seam_contrast", "seam_distance"), np.dtype("float32")
    )
