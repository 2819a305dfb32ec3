"""The coarse mesh: nothing shared across land, nothing lost."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from reachmap.channel.grid import make_grid
from reachmap.channel.mesh import make_mesh
from tests.channel.rivers import River, hairpin_line, strip


def test_every_cell_belongs_to_one_node_and_areas_add_up():
    grid = make_grid(River.make(120).outline, 0.5)
    mesh = make_mesh(grid, 3)
    assert mesh.of_cell.min() == 0
    assert mesh.of_cell.max() == mesh.n - 1
    assert mesh.area_m2.sum() == np.float64(grid.n_wet * 0.25)


def test_a_rectangle_has_the_links_of_a_chessboard():
    grid = make_grid(shapely.box(0, 0, 8, 6), 0.5)
    mesh = make_mesh(grid, 1)
    assert mesh.n == 16 * 12
    assert mesh.n_east == 15 * 12
    assert len(mesh.first) - mesh.n_east == 16 * 11
    assert np.allclose(mesh.conductance, 1.0)


def test_limbs_that_share_a_block_across_a_thin_neck_stay_apart():
    """0.8 m of land between the limbs, blocks of 2 m: no link joins the two but round the bend."""
    water = strip(hairpin_line(0.8), 20.0)
    mesh = make_mesh(make_grid(water, 0.4), 5)
    straight = (mesh.x[mesh.first] < 140) & (mesh.x[mesh.second] < 140)
    assert np.all(np.sign(mesh.y[mesh.first][straight]) == np.sign(mesh.y[mesh.second][straight]))
    assert mesh.components[0] == 1


@settings(max_examples=20, deadline=None)
@given(st.floats(-3, 3), st.floats(-3, 3), st.floats(-100, 100), st.integers(1, 6))
def test_a_plane_is_read_back_exactly(a, b, c, merge):
    """Linear pieces blend to the same line: exact on every cell of any outline."""
    grid = make_grid(River.make(80).outline, 0.6)
    mesh = make_mesh(grid, merge)
    got = mesh.read_cells(a * mesh.x + b * mesh.y + c)
    assert np.abs(got - (a * grid.x + b * grid.y + c)).max() < 1e-3


def test_points_read_like_the_cells_they_lie_in():
    grid = make_grid(River.make(80).outline, 0.6)
    mesh = make_mesh(grid, 3)
    values = np.sin(mesh.x / 9) + mesh.y
    cells = np.arange(grid.n_wet)
    assert np.allclose(mesh.read(values, cells, grid.x, grid.y), mesh.read_cells(values), atol=1e-4)
