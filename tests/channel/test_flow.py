"""The flow solve against closed forms and exact continuity."""

import numpy as np
import pytest
from scipy import ndimage as ndi

from reachmap.channel.flow import Flow, solve_flow
from reachmap.channel.mesh import make_mesh
from reachmap.channel.model import Grid
from reachmap.errors import InputError
from tests import published

ROWS = published.load("hydraulics")


def through(flow, upstream):
    """Flow out of a set of nodes, (n,) bool, into the rest: 1 for any cut between head and tail."""
    inside, outside = upstream[flow.mesh.first], upstream[flow.mesh.second]
    return float(flow.link_flow[inside & ~outside].sum() - flow.link_flow[outside & ~inside].sum())


def make(x0: float, y1: float, cell: float, wet: np.ndarray) -> Grid:
    """A grid with a dry cell on every side."""
    return Grid(x0 - cell, y1 + cell, cell, np.pad(wet, 1))


def solve(grid, depth, head, tail, merge=1, n=0.04) -> Flow:
    """Solve with ends given as masks of cells."""
    mesh = make_mesh(grid, merge)
    ends = [np.isin(np.arange(mesh.n), mesh.of_cell[cells]) for cells in (head, tail)]
    return solve_flow(mesh, depth, *ends, n)


def arms(cell: float, second_m: float) -> tuple[Grid, np.ndarray, np.ndarray, np.ndarray]:
    """Two prismatic arms between deep pools: 100 m x 10 m x 0.8 m, and `second_m` x 6 m x 0.5 m."""
    shape = (round(80 / cell), round(140 / cell))
    depth = np.zeros(shape)

    def box(x0: float, x1: float, y0: float, y1: float, h: float) -> None:
        depth[round(y0 / cell) : round(y1 / cell), round(x0 / cell) : round(x1 / cell)] = h

    box(0, 20, 0, 80, 60.0)
    box(120, 140, 0, 80, 60.0)
    box(20, 120, 10, 20, 0.8)
    box(20, 20 + second_m, 50, 56, 0.5)
    box(20 + second_m, 120, 40, 66, 60.0)
    grid = make(0.0, 80.0, cell, depth > 0)
    return grid, depth[depth > 0], grid.x < cell, grid.x > 140 - cell


def through_column(grid: Grid, unit: np.ndarray, x: float, upper: bool) -> float:
    """Flow through a column of cells of the upper (first) or lower (second) arm."""
    hit = (np.abs(grid.x - x) < grid.cell_m * 0.51) & ((grid.y > 55) == upper)
    return float(unit[hit].sum() * grid.cell_m / len(np.unique(grid.x[hit])))


@pytest.mark.parametrize(
    ("row", "second", "cell", "merge"),
    [("arms-equal", 100.0, 1.0, 1), ("arms-unequal", 40.0, 0.5, 1), ("arms-unequal", 40.0, 0.5, 2)],
)
def test_flow_splits_between_two_arms_as_in_the_closed_form(row, second, cell, merge):
    grid, depth, head, tail = arms(cell, second)
    flow = solve(grid, depth, head, tail, merge=merge)
    unit = flow.speed(depth) * depth
    ROWS[row].check(through_column(grid, unit, 71.0, True) / through_column(grid, unit, 41.0, False))


def bend(cell: float) -> tuple[Grid, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """A half circle of water, radius 40 m, 14 m wide, with a pool, an island and a shallow inside."""
    n = int(130 / cell)
    x, y = np.meshgrid((np.arange(n) + 0.5) * cell - 65, 65 - (np.arange(n) + 0.5) * cell)
    radius, angle = np.hypot(x, y), np.arctan2(y, x)
    wet = (np.abs(radius - 40) < 7) & (y > 0)
    wet &= ~(((radius - 41) / 2) ** 2 + ((angle - 1.2) / 0.2) ** 2 < 1)
    grid = make(-65.0, 65.0, cell, wet)
    angle, radius = angle[wet], radius[wet]
    depth = (0.6 + 0.4 * np.cos(4 * angle)) * np.clip(1 - ((radius - 42) / 9.5) ** 2, 0.02, None)
    return grid, depth, (y[wet] < cell) & (x[wet] < 0), (y[wet] < cell) & (x[wet] > 0), np.pi - angle


@pytest.mark.parametrize("merge", [1, 2, 4])
def test_discharge_is_the_same_through_every_section(merge):
    grid, depth, head, tail, along = bend(0.5)
    flow = solve(grid, depth, head, tail, merge=merge)
    place = np.bincount(flow.mesh.of_cell, along) / flow.mesh.cells_in
    cuts = [through(flow, place < s) for s in np.linspace(0.2, 2.9, 20)]
    assert cuts == pytest.approx([1.0] * 20, abs=0.005)


def test_the_map_itself_carries_the_flow_through_every_section():
    grid, depth, head, tail, along = bend(0.25)
    flow = solve(grid, depth, head, tail, merge=4)
    radius = np.hypot(grid.x, grid.y)
    east, north = flow.direction()
    unit = flow.speed(depth) * depth * (east * grid.y - north * grid.x) / radius
    for s in np.linspace(0.2, 2.9, 20):
        band = np.abs(along - s) < 0.04
        # Flow across = integral over a thin sector of q dA / (r dtheta).
        carried = np.sum(unit[band] / radius[band]) * grid.cell_m**2 / 0.08
        assert carried == pytest.approx(1.0, abs=0.02)


def test_water_runs_along_the_bend_and_round_the_island():
    grid, depth, head, tail, _ = bend(0.5)
    flow = solve(grid, depth, head, tail, merge=2)
    east, north = flow.direction()
    radius = np.hypot(grid.x, grid.y)
    along = (east * grid.y - north * grid.x) / radius
    assert np.hypot(east, north) == pytest.approx(1.0, abs=1e-5)
    assert along.min() > -0.3
    assert np.mean(along) > 0.95


def test_still_water_of_a_dead_end_has_no_speed_but_a_direction():
    cell = 0.5
    wet = np.zeros((80, 200), bool)
    wet[50:70, :] = True
    wet[10:50, 90:100] = True
    grid = make(0.0, 40.0, cell, wet)
    depth = np.full(grid.n_wet, 0.7)
    flow = solve(grid, depth, grid.x < cell, grid.x > 100 - cell, merge=2)
    slough = grid.y > 25  # two of its widths beyond its mouth
    speed = flow.speed(depth)
    assert speed[slough].max() < 0.01 * np.median(speed)
    assert np.all(np.isfinite(flow.direction()))


def test_uniform_channel_gives_manning_speed_at_the_slope():
    wet = np.ones((20, 200), bool)
    grid = make(0.0, 10.0, 0.5, wet)
    depth = np.full(grid.n_wet, 0.6)
    flow = solve(grid, depth, grid.x < 0.5, grid.x > 99.5)
    # Between the middles of the end cells lie 99.5 m; n 0.04, S 0.004, R 0.6 (Manning).
    driven = flow.flow_at_unit_drop * np.sqrt(0.004 * 99.5)
    ROWS["H4"].check(np.mean(driven * flow.speed(depth, 0.04)))


def test_no_way_from_head_to_tail_is_said():
    wet = np.ones((10, 40), bool)
    wet[:, 20] = False
    grid = make(0.0, 10.0, 1.0, wet)
    with pytest.raises(InputError, match="no water leads from the upstream end"):
        solve(grid, np.ones(grid.n_wet), grid.x < 1, grid.x > 39)


def test_cost_stays_linear_for_a_long_reach():
    rounds = []
    for length in (400, 1600):
        wet = np.ones((24, length), bool)
        grid = make(0.0, 24.0, 1.0, wet)
        depth = 0.6 + 0.3 * np.sin(grid.x / 30) * np.cos(grid.y / 8)
        flow = solve(grid, depth, grid.x < 1, grid.x > length - 1, merge=2)
        rounds.append(flow.rounds)
    assert rounds[1] <= rounds[0] + 6


@pytest.mark.parametrize("seed", [3, 288, 318, 394])
def test_no_flow_gets_lost_between_deep_pools_and_thin_water(seed):
    """Beds from a millimetre to 60 m deep in water of any shape; the closed form is continuity itself."""
    rng = np.random.default_rng(seed)
    rows, cols = int(rng.integers(6, 60)), int(rng.integers(30, 300))
    land = ndi.gaussian_filter(rng.normal(size=(rows, cols)), rng.uniform(0.5, 5))
    wet = land / land.std() > rng.uniform(-2.5, -0.6)
    wet[:, 0] = wet[:, -1] = True
    spread, scale = 3 * rng.uniform(0, 2.5), rng.uniform(0.01, 4)
    depth = np.clip(np.exp(spread * ndi.gaussian_filter(rng.normal(size=(rows, cols)), scale)), 1e-3, 60)
    grid, merge = make(0.0, rows, 1.0, wet), int(rng.integers(1, 4))
    flow = solve(grid, depth[wet], grid.x < merge, grid.x > cols - merge, merge=merge)
    cuts = [through(flow, flow.mesh.x < share * cols) for share in (0.25, 0.5, 0.75)]
    assert cuts == pytest.approx([1.0] * 3, abs=1e-4)
    assert flow.rounds < 40
