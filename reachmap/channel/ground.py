"""The physical ground of the speed: the flow solve over the depths, with wakes, and what it is scaled to."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reachmap.beat.model import Beat
from reachmap.channel.cover import on_stones
from reachmap.channel.flow import EVENED, Flow, solve_flow
from reachmap.channel.hydraulics import bed_n, flow_from_section
from reachmap.channel.mesh import Mesh, make_mesh
from reachmap.channel.model import Grid
from reachmap.channel.wakes import find_bodies, wake_share
from reachmap.errors import Finding, InputError
from reachmap.layers import WetCells
from reachmap.threads import in_pieces

MOST_GAIN = 1.5
"""Largest factor by which water held back in wakes speeds up its surroundings; assumed."""


@dataclass(frozen=True)
class Ground:
    """Speed by physics alone.

    Parameters
    ----------
    flow : the solve as if no stone stood out of the water, per 1 m3/s
    root : (n_wet,) root of the slope of the water surface at 1 m3/s, float32
    unit_speed : (n_wet,) depth-mean speed at 1 m3/s without wakes [m/s per m3/s], float32
    east, north : (n_wet,) unit vector along the current, float32
    wake : (n_wet,) share of the speed that wakes take, below 0 where displaced water adds to it, float32
    manning_n : roughness used
    roughness_by : the relation it came from
    bodies : number of boulders, piers, logs and islands that shed a wake
    dry : (n_wet,) bool, cells on boulders and piers that stand out of the water
    past : how much flows past the stones that stand out of the water for the same drop, as a share of what would
        without them; 0 where they leave no way, and the speeds are those without them
    """

    flow: Flow
    root: np.ndarray
    unit_speed: np.ndarray
    east: np.ndarray
    north: np.ndarray
    wake: np.ndarray
    manning_n: float
    roughness_by: str
    bodies: int
    dry: np.ndarray
    past: float

    def unit_speed_at(self, cells: np.ndarray, depth_m: np.ndarray) -> np.ndarray:
        """Speed at 1 m3/s in these cells if as deep as sounded: a sounding's depth is surer than its place."""
        return self.root[cells] * np.maximum(depth_m, 0.01) ** (2 / 3) / self.manning_n


@dataclass(frozen=True)
class Bedded:
    """Water ready for a flow solve.

    Parameters
    ----------
    grid : the cells layers are given on
    mesh : nodes and links over these cells and the bridges between parts of the outline
    in_mesh : (grid.n_wet,) position of every cell among those of the mesh, or a slice of all if they are the same
    head, tail : (mesh.n,) bool, nodes along the two ends
    depth : (grid.n_wet,) depth [m]
    """

    grid: Grid
    mesh: Mesh
    in_mesh: WetCells
    head: np.ndarray
    tail: np.ndarray
    depth: np.ndarray

    def laid(self, values: np.ndarray, bridges: float = 0.0) -> np.ndarray:
        """A vector of the grid's cells (grid.n_wet,) on those of the mesh, with a value for the bridges."""
        if isinstance(self.in_mesh, slice):
            return values
        out = np.full(self.mesh.grid.n_wet, bridges, np.float32)
        out[self.in_mesh] = values
        return out


def lay_ground(beat: Beat, water: Bedded, roughness: tuple[float, str] | None = None) -> Ground:
    """Solve the flow over the depths and work out the wakes.

    Parameters
    ----------
    beat : bed material, slope, cover, islands
    water : cells, mesh, depth
    roughness : Manning's n and where it came from; None takes the relation that suits the bed

    Raises
    ------
    InputError : no water leads from the head to the tail, or boulders and piers cover all of it
    """
    n, by = roughness or bed_n(max(float(np.mean(water.depth)), 0.05), beat.d84_m, beat.slope)
    dry = on_stones(beat, water.grid, water.depth)
    if dry.all():
        what = "boulders and piers cover all of the water"
        raise InputError([Finding("error", "cover", "", what, "Draw them no larger than they are", "all-stone")])
    # Bridges between parts of the outline are in the mesh but not in the water that was sounded.
    depth = water.laid(water.depth, float(np.median(water.depth)))
    flow = solve_flow(water.mesh, depth, water.head, water.tail, n)
    layers = [*flow.direction(), flow.root.copy(), flow.speed(depth, n)]
    past = 1.0
    if dry.any():
        flow, past = _round_stones(water, dry, depth, n, flow, layers)
    east, north, root, unit_speed = (layer[water.in_mesh] for layer in layers)
    bodies = find_bodies(beat, water.grid, east, north)
    wake = wake_share(water.grid, water.depth, east, north, bodies, n)
    if wake.any():
        wake = _displaced(water, in_pieces(np.multiply, unit_speed, water.depth), wake)
    return Ground(flow, root, unit_speed, east, north, wake, n, by, len(bodies), dry, past)


def _round_stones(
    water: Bedded, dry: np.ndarray, depth: np.ndarray, n: float, flow: Flow, layers: list[np.ndarray]
) -> tuple[Flow, float]:
    """Put direction, root and speed of the flow round the stones into the layers; whether both settled, and `past`.

    The depths were sounded with the stones in place, so the flow without them tells what flows at which drop.
    """
    whole = water.mesh.grid
    keep = np.ones(whole.n_wet, bool)
    keep[water.in_mesh] = ~dry
    mesh = make_mesh(Grid(whole.x0, whole.y1, whole.cell_m, whole.sheet.of_some(keep)), water.mesh.merge)
    head, tail = (mesh.nodes_of(ends[water.mesh.of_cell[keep]]) for ends in (water.head, water.tail))
    try:
        round_them = solve_flow(mesh, depth[keep], head, tail, n)
    except InputError:
        return flow, 0.0
    free = [*round_them.direction(), round_them.root, round_them.speed(depth[keep], n)]
    for layer, values in zip(layers, free, strict=True):
        layer[keep] = values
    layers[-1][~keep] = 0.0
    settled = flow.settled and round_them.settled
    return replace(flow, settled=settled), round_them.flow_at_unit_drop / flow.flow_at_unit_drop


def _displaced(water: Bedded, unit_flow: np.ndarray, wake: np.ndarray) -> np.ndarray:
    """Wakes with the water they hold back speeding up the rest around them: negative where it gains, float32."""
    mesh = water.mesh
    the_rest = in_pieces(lambda flow, wake: flow * (1.0 - wake), unit_flow, wake)
    before, after = (mesh.sum_cells(water.laid(part)) for part in (unit_flow, the_rest))
    around = mesh.matrix(np.ones(len(mesh.first)))
    for _ in range(EVENED):
        before, after = before + around @ before, after + around @ after
    gain = np.where(after > 0.0, before / np.maximum(after, np.finfo(float).tiny), 1.0)
    gain = mesh.read_cells(np.minimum(gain, MOST_GAIN))[water.in_mesh]
    return in_pieces(lambda wake, gain: 1.0 - (1.0 - wake) * gain, wake, gain)


def flow_from_slope(ground: Ground, slope: float, length_m: float) -> float:
    """The flow that the slope drives through the reach [m3/s] (Manning)."""
    return ground.flow.flow_at_unit_drop * float(np.sqrt(slope * length_m))


def guessed_flow(depth_m: np.ndarray, width_m: float) -> float:
    """A flow that fits the section of an average stream [m3/s], for relative speeds; a rough guess.

    Parameters
    ----------
    depth_m : of the cells (n_wet,) [m]
    width_m : typical width [m]
    """
    return flow_from_section(width_m * float(np.mean(depth_m)))
