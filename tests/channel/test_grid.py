"""The grid: which cells are wet, and how small they may be."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from reachmap.channel.grid import check_cell, choose_cell, make_grid, memory_needed
from reachmap.errors import SettingError
from tests.channel.rivers import River


def test_a_cell_is_wet_exactly_where_its_centre_is_in_the_water():
    """Against shapely, cell by cell, with an island."""
    water = River.make(120).outline.difference(shapely.Point(60, 30).buffer(3))
    grid = make_grid(water, 0.7)
    rows, cols = np.indices(grid.shape)
    x = grid.x0 + (cols.ravel() + 0.5) * 0.7
    y = grid.y1 - (rows.ravel() + 0.5) * 0.7
    assert np.array_equal(grid.wet.ravel(), shapely.contains_xy(water, x, y))


def test_moving_the_outline_moves_the_grid_with_it():
    water = River.make(120).outline
    near, far = (make_grid(shapely.transform(water, lambda xy, o=offset: xy + o), 0.5) for offset in (0, (5e5, 6e6)))
    assert np.array_equal(near.wet, far.wet)


@pytest.mark.parametrize(("width", "cell"), [(20, 0.5), (5, 0.25), (200, 1.0), (1.2, 0.15)])
def test_the_cell_follows_the_width_within_limits(width, cell):
    """width / 40 within 0.25-1 m, but never fewer than eight cells across."""
    assert choose_cell(width) == pytest.approx(cell)


@pytest.mark.parametrize("cell", [0, -1, float("nan"), float("inf")])
def test_a_cell_must_be_a_length(cell):
    with pytest.raises(SettingError, match=r"--cell .*is a length above 0 m"):
        check_cell(shapely.box(0, 0, 100, 20), cell, 20)


def test_a_cell_coarser_than_the_river_is_refused_with_one_that_suits():
    with pytest.raises(SettingError, match=r"fewer than 4 cells across a river 20.0 m wide. 0.5 m suits"):
        check_cell(shapely.box(0, 0, 100, 20), 6, 20)


def test_a_cell_beyond_the_memory_is_refused_with_one_that_fits():
    water = shapely.box(0, 0, 1000, 20)
    with pytest.raises(
        SettingError, match=r"more than 50% of this machine's 4.0 GB. A cell of ([\d.]+) m fits"
    ) as error:
        check_cell(water, 0.01, 20, memory_bytes=4e9)
    named = float(str(error.value).split("A cell of ")[1].split(" m")[0])
    assert memory_needed(water, named) <= 2e9
    check_cell(water, named, 20, memory_bytes=4e9)


def test_water_that_no_cell_size_brings_into_the_memory_is_to_be_cut():
    with pytest.raises(SettingError, match="Cut the beat into shorter ones"):
        check_cell(shapely.box(0, 0, 1e6, 20), 0.5, 20, memory_bytes=4e9)


MEASURED = (
    (180_000, 0.134, 2.8e9),
    (120_000, 0.2, 1.62e9),
    (240_000, 0.33, 1.84e9),
    (240_000, 0.5, 1.04e9),
    (240_000, 1.0, 0.59e9),
)
"""Area of the water [m2], cell [m], peak [bytes]: the first by the benchmark `stages`, the others by `memory`."""


@pytest.mark.parametrize(("area_m2", "cell_m", "peak_bytes"), MEASURED)
def test_the_memory_needed_is_what_runs_have_taken(area_m2, cell_m, peak_bytes):
    """At every cell size that is chosen, not only at fine ones."""
    need = memory_needed(shapely.box(0, 0, area_m2 / 20, 20), cell_m)
    assert 0.9 * peak_bytes <= need <= 1.6 * peak_bytes
