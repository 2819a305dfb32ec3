"""The physical ground of the speed: the flow solve over the depths, with wakes, and what it is scaled to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reachmap.beat.model import Beat
from reachmap.channel.flow import Flow, blocks_for, solve_flow
from reachmap.channel.hydraulics import bed_n, flow_from_mean_depth
from reachmap.channel.model import Grid
from reachmap.channel.wakes import find_bodies, wake_share


@dataclass(frozen=True)
class Ground:
    """Speed by physics alone.

    Parameters
    ----------
    flow : the solve, per 1 m3/s
    unit_speed : (n_wet,) depth-mean speed at 1 m3/s without wakes [m/s per m3/s], float32
    east, north : (n_wet,) unit vector along the current, float32
    wake : (n_wet,) share of the speed that wakes take, float32
    manning_n : roughness used
    roughness_by : the relation it came from
    bodies : number of boulders, piers, logs and islands that shed a wake
    """

    flow: Flow
    unit_speed: np.ndarray
    east: np.ndarray
    north: np.ndarray
    wake: np.ndarray
    manning_n: float
    roughness_by: str
    bodies: int

    def unit_speed_at(self, cells: np.ndarray, depth_m: np.ndarray) -> np.ndarray:
        """Speed at 1 m3/s in these cells if as deep as sounded: a sounding's depth is surer than its place."""
        root = np.hypot(self.flow.east[cells], self.flow.north[cells])
        return root * np.maximum(depth_m, 0.01) ** (2 / 3) / self.manning_n


def lay_ground(
    beat: Beat, grid: Grid, depth_m: np.ndarray, head: np.ndarray, tail: np.ndarray, width_m: float
) -> Ground:
    """Solve the flow over the depths and work out the wakes.

    Parameters
    ----------
    beat : bed material, slope, cover, islands
    grid : the cells
    depth_m : (n_wet,) depth [m]
    head, tail : (n_wet,) bool, cells along the two ends
    width_m : typical width, sets the blocks of the solve [m]
    """
    mean_depth = float(np.mean(depth_m))
    n, by = bed_n(max(mean_depth, 0.05), beat.d84_m, beat.slope)
    flow = solve_flow(grid, depth_m, head, tail, n, blocks_for(width_m, grid.cell_m))
    east, north = flow.direction()
    bodies = find_bodies(beat, grid, east, north)
    wake = wake_share(grid, depth_m, east, north, bodies, n)
    return Ground(flow, flow.speed(depth_m, n), east, north, wake, n, by, len(bodies))


def flow_from_slope(ground: Ground, slope: float, length_m: float) -> float:
    """The flow that the slope drives through the reach [m3/s] (Manning)."""
    return ground.flow.flow_at_unit_drop * float(np.sqrt(slope * length_m))


def guessed_flow(depth_m: np.ndarray) -> float:
    """A flow that fits the depths of an average stream [m3/s], for relative speeds; off by a factor of 4 either way."""
    return flow_from_mean_depth(float(np.mean(depth_m)))
