"""Layers at a fixed cell size and the plane fitted at a fixed scale."""

import numpy as np
import pytest
from scipy import ndimage as ndi

from reachmap.channel.model import Grid
from reachmap.channel.rescale import make_rescale, sample
from reachmap.channel.shear import plane_fit


def pond(cell: float) -> Grid:
    n = round(12 / cell)
    x, y = np.meshgrid((np.arange(n) + 0.5) * cell - 6, 6 - (np.arange(n) + 0.5) * cell)
    return Grid(-6.0, 6.0, cell, np.hypot(x, y) < 5)


@pytest.mark.parametrize("cell", [0.05, 0.125, 0.25, 0.3, 0.5, 1.0])
def test_a_plane_survives_both_ways(cell):
    grid = pond(cell)
    scaling = make_rescale(grid, 0.25)
    assert 0.125 <= scaling.work.cell_m <= 0.25 * 4 / 3 + 1e-9
    plane = 0.3 + 0.1 * grid.x - 0.05 * grid.y
    work = scaling.to_work(plane)
    middle = np.hypot(scaling.work.x, scaling.work.y) < 3.5
    assert work[middle] == pytest.approx(0.3 + 0.1 * scaling.work.x[middle] - 0.05 * scaling.work.y[middle], abs=1e-5)
    back = scaling.from_work(work)
    middle = np.hypot(grid.x, grid.y) < 3
    assert back[middle] == pytest.approx(plane[middle], abs=1e-4)


@pytest.mark.parametrize("cell", [0.05, 0.1, 0.25, 1.0])
def test_land_never_mixes_into_water(cell):
    grid = pond(cell)
    scaling = make_rescale(grid, 0.25)
    full = np.full(grid.n_wet, 0.7)
    assert scaling.to_work(full) == pytest.approx(0.7)
    assert scaling.from_work(scaling.to_work(full)) == pytest.approx(0.7)


@pytest.mark.parametrize("cell", [0.025, 0.05, 0.08, 0.12])
def test_block_by_block_and_place_by_place_read_the_same(cell, monkeypatch):
    """And both as scipy does away from land."""
    grid, rng = pond(cell), np.random.default_rng(2)
    scaling = make_rescale(grid, 0.25)
    work = scaling.work
    values = rng.random(work.n_wet, np.float32)
    read = {}
    for name, least in (("block", 1), ("place", 99)):
        monkeypatch.setattr("reachmap.channel.rescale.PLAN_FROM", least)
        read[name] = scaling.from_work(values)
    assert read["block"] == pytest.approx(read["place"], abs=1e-5)
    at = (work.y1 - grid.y) / work.cell_m - 0.5, (grid.x - work.x0) / work.cell_m - 0.5
    want = ndi.map_coordinates(work.spread(values, dry=0.0), at, order=1)
    inside = np.hypot(grid.x, grid.y) < 4.5
    assert read["block"][inside] == pytest.approx(want[inside], abs=1e-5)


def test_sample_reads_between_cell_middles():
    grid = Grid(0.0, 2.0, 1.0, np.ones((2, 2), bool))
    got = sample(grid, np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.5, 1.0, 1.5]), np.array([1.5, 1.0, 0.5]))
    assert got == pytest.approx([0.0, 1.5, 3.0])


def test_the_fitted_plane_is_free_of_bias_at_the_bank():
    grid = pond(0.25)
    plane = 1 + 0.4 * grid.x - 0.2 * grid.y
    value, per_column, per_row = plane_fit(grid, plane, 2.0)
    assert value == pytest.approx(plane, abs=0.01)
    assert per_column / 0.25 == pytest.approx(0.4, abs=0.01)
    assert per_row / 0.25 == pytest.approx(0.2, abs=0.01)


def test_windows_do_not_show(monkeypatch):
    rng = np.random.default_rng(1)
    grid = Grid(0.0, 0.0, 1.0, rng.random((170, 190)) > 0.2)
    values = rng.random(grid.n_wet)
    whole = plane_fit(grid, values, 1.7)
    monkeypatch.setattr("reachmap.channel.model.WINDOW", 64)
    for one, other in zip(whole, plane_fit(grid, values, 1.7), strict=True):
        assert one == pytest.approx(other, abs=1e-5)
