"""Steady flow over a known bed: where the water goes, with continuity exact.

Zero-inertia (diffusive-wave) flow at known depth h: div( (h^(5/3) / (n |grad H|^(1/2))) grad H ) = 0 in the water,
H fixed on the two end caps, no flow through banks and islands (a textbook form of the shallow-water equations without
inertia; from memory). Unit discharge is h^(5/3) |grad H|^(1/2) / n down the slope of the water surface H. All speeds
scale together, so one solve serves every flow through the same depths. What it leaves out is inertia: no eddies, no
jets past a point, no wakes (see `reachmap.channel.wakes`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components, reverse_cuthill_mckee
from scipy.spatial import cKDTree

from reachmap.channel.model import Grid
from reachmap.channel.nodes import Nodes, make_nodes
from reachmap.errors import Finding, InputError

MANNING_N = 0.04
"""Roughness where none is given [s/m^(1/3)]: clean winding stream with pools and shoals, Chow 1959; from memory."""

BLOCKS_ACROSS = 12
"""Blocks across the width of the river in which the water surface is solved; measured to be enough."""

MAX_ROUNDS, CLOSE_ENOUGH = 60, 1e-6
"""Rounds of the solve at most; change of the level, as a share of the whole drop, that ends it."""

FLAT = 1e-7
"""Slopes below this share of the steepest count as this steep, so that still water stays solvable."""

SHALLOWEST_M = 1e-3
"""Depth below which a block conducts as if it were this deep [m]."""


@dataclass(frozen=True)
class Flow:
    """Flow through a reach, per 1 m3/s; multiply by the flow.

    Parameters
    ----------
    nodes : blocks the water surface was solved on
    east, north : (n_wet,) float32, sqrt of the surface slope along each axis; times h^(2/3)/n it is a speed
    level : (n,) height of the water surface at each node, 1 at the head to 0 at the tail, NaN in still water
    first, second, link_flow : ends of every link between nodes and the flow from first to second [m3/s]
    flow_at_unit_drop : the flow that a drop of 1 m over the reach would drive [m3/s]; grows with the root of it
    rounds : rounds the solve took
    """

    nodes: Nodes
    east: np.ndarray
    north: np.ndarray
    level: np.ndarray
    first: np.ndarray
    second: np.ndarray
    link_flow: np.ndarray
    flow_at_unit_drop: float
    rounds: int

    def speed(self, depth_m: np.ndarray, manning_n: np.ndarray | float = MANNING_N) -> np.ndarray:
        """Depth-mean speed of every wet cell at 1 m3/s [m/s], float32; depth and roughness as they were solved."""
        root = np.hypot(self.east, self.north)
        return (root * np.maximum(depth_m, 0.0) ** np.float32(2 / 3) / manning_n).astype(np.float32)

    def direction(self) -> tuple[np.ndarray, np.ndarray]:
        """Unit vector along the current for every wet cell, east and north, float32; still water takes the nearest."""
        root = np.hypot(self.east, self.north)
        moving = root > 1e-3 * np.median(root)
        east, north = self.east.copy(), self.north.copy()
        if not moving.all():
            grid = self.nodes.grid
            here = np.column_stack([grid.x, grid.y])
            nearest = np.nonzero(moving)[0][cKDTree(here[moving]).query(here[~moving])[1]]
            east[~moving], north[~moving] = self.east[nearest], self.north[nearest]
        root = np.hypot(east, north)
        return east / root, north / root

    def through(self, upstream: np.ndarray) -> float:
        """Flow out of a set of nodes, (n,) bool, into the rest [m3/s]: 1 for any cut between head and tail."""
        inside, outside = upstream[self.first], upstream[self.second]
        return float(self.link_flow[inside & ~outside].sum() - self.link_flow[outside & ~inside].sum())


def blocks_for(width_m: float, cell_m: float) -> int:
    """Cells along the side of a block, so that about `BLOCKS_ACROSS` blocks span the width."""
    return max(1, int(width_m / BLOCKS_ACROSS / cell_m))


def solve_flow(
    grid: Grid,
    depth_m: np.ndarray,
    head: np.ndarray,
    tail: np.ndarray,
    manning_n: np.ndarray | float = MANNING_N,
    merge: int = 1,
) -> Flow:
    """Solve the steady flow from the head to the tail of a reach.

    Parameters
    ----------
    grid : the cells
    depth_m : (n_wet,) depth [m]
    head, tail : (n_wet,) bool, cells along the upstream and the downstream end
    manning_n : roughness, one or (n_wet,)
    merge : cells along the side of the blocks the surface is solved on (see `blocks_for`)

    Raises
    ------
    InputError : no water leads from the head to the tail
    """
    nodes = make_nodes(grid, merge)
    depth = np.maximum(np.asarray(depth_m, float), SHALLOWEST_M)
    conveyance = nodes.share(depth ** (5 / 3) / manning_n)
    network = _network(nodes, nodes.any(head), nodes.any(tail))
    level, link_flow, rounds = _relax(network, conveyance)
    total = float(link_flow[network.at_head[network.first] & ~network.at_head[network.second]].sum())
    total -= float(link_flow[~network.at_head[network.first] & network.at_head[network.second]].sum())
    unit = _node_vectors(nodes, network, link_flow / total) / conveyance[:, None]
    root = nodes.read_back(unit)
    return Flow(nodes, root[:, 0], root[:, 1], level, network.first, network.second, link_flow / total, total, rounds)


@dataclass(frozen=True)
class _Network:
    """Nodes in the current, links, and which end is held where."""

    first: np.ndarray
    second: np.ndarray
    n_aside: int
    at_head: np.ndarray
    at_tail: np.ndarray
    live: np.ndarray
    size_m: float
    tangent: sp.csr_array


def _network(nodes: Nodes, at_head: np.ndarray, at_tail: np.ndarray) -> _Network:
    """Links of the water that leads from head to tail; the rest stands still."""
    first, second, n_aside = nodes.links()
    ones = np.ones(len(first))
    _, label = connected_components(sp.coo_array((ones, (first, second)), (nodes.n, nodes.n)), directed=False)
    flowing = np.intersect1d(label[at_head], label[at_tail])
    live = np.isin(label, flowing)
    if not live.any() or (at_head & at_tail & live).any():
        what = "no water leads from the upstream end of the outline to its downstream end"
        remedy = "Join the parts of the outline, or mark the ends as lines with role 'head end' and 'tail end'"
        raise InputError([Finding("error", "outline", "", what, remedy, "no-way-through")])
    keep = live[first] & live[second]
    n_aside = int(keep[:n_aside].sum())
    first, second = first[keep], second[keep]
    tangent = _tangent(first, second, n_aside, nodes.n)
    return _Network(first, second, n_aside, at_head & live, at_tail & live, live, nodes.size_m, tangent)


def _tangent(first: np.ndarray, second: np.ndarray, n_aside: int, n: int) -> sp.csr_array:
    """Operator from link slopes to the slope along each link's face: mean of the crosswise links of both its ends."""
    m = len(first)
    link = np.arange(m)
    aside = link < n_aside
    at = sp.coo_array((np.ones(2 * m), (np.concatenate([first, second]), np.concatenate([link, link]))), (n, m)).tocsr()
    blocks = []
    for mine, cross in ((aside, ~aside), (~aside, aside)):
        mean = (
            sp.diags_array(1.0 / np.maximum(at @ cross.astype(float), 1.0)) @ at @ sp.diags_array(cross.astype(float))
        )
        ends = 0.5 * (sp.diags_array(mine.astype(float)) @ at.T)
        blocks.append(ends @ mean)
    return sp.csr_array(blocks[0] + blocks[1])


def _relax(network: _Network, conveyance: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """Level of every node, flow of every link [m3/s for a 1 m drop], rounds taken."""
    first, second = network.first, network.second
    # In series along the current the drops add: drop ~ q^2/K^2, so the link takes the mean of K^-2.
    link_k = (0.5 * (conveyance[first] ** -2 + conveyance[second] ** -2)) ** -0.5
    solver = _Levels(network)
    softness = np.ones(len(first))
    level = np.full(len(conveyance), np.inf)
    rounds = 0
    while rounds < MAX_ROUNDS:
        rounds += 1
        weight = link_k * softness
        previous, level = level, solver.solve(weight)
        if np.abs(level - previous)[network.live].max() < CLOSE_ENOUGH:
            break
        slope = (level[first] - level[second]) / network.size_m
        steep = np.hypot(slope, network.tangent @ slope)
        change = np.log(1.0 / np.sqrt(np.maximum(steep, FLAT * steep.max())) / softness)
        # Half the change where links differ settles in about ten rounds (all of it swings to and fro); what all links
        # have in common is taken whole.
        common = np.median(change)
        softness = softness * np.exp(common + 0.5 * (change - common))
    flow = weight * (level[first] - level[second])
    return np.where(network.live, level, np.nan), flow, rounds


class _Levels:
    """Solves for the levels of the free nodes, in an order that keeps a long thin river a narrow band."""

    def __init__(self, network: _Network) -> None:
        self.network = network
        free = network.live & ~network.at_head & ~network.at_tail
        self.free = np.nonzero(free)[0]
        place = np.full(len(free), -1)
        place[self.free] = np.arange(len(self.free))
        inner = free[network.first] & free[network.second]
        a, b = place[network.first[inner]], place[network.second[inner]]
        graph = sp.coo_array((np.ones(len(a)), (a, b)), (len(self.free),) * 2).tocsr()
        order = reverse_cuthill_mckee(sp.csr_array(graph + graph.T), symmetric_mode=True)
        rank = np.empty(len(order), int)
        rank[order] = np.arange(len(order))
        self.free = self.free[order]
        self.inner = inner
        self.low, high = np.minimum(rank[a], rank[b]), np.maximum(rank[a], rank[b])
        self.gap = high - self.low
        self.band = int(self.gap.max(initial=0))

    def solve(self, weight: np.ndarray) -> np.ndarray:
        """Levels of all nodes for these link weights; 1 at the head, 0 at the tail and in still water."""
        net = self.network
        n = len(net.live)
        level = net.at_head.astype(float)
        total = np.bincount(net.first, weight, n) + np.bincount(net.second, weight, n)
        fed = np.bincount(net.first, weight * level[net.second], n) + np.bincount(
            net.second, weight * level[net.first], n
        )
        banded = np.zeros((self.band + 1, len(self.free)))
        banded[0] = total[self.free]
        banded[self.gap, self.low] = -weight[self.inner]
        level[self.free] = scipy.linalg.solveh_banded(banded, fed[self.free], lower=True, check_finite=False)
        return level


def _node_vectors(nodes: Nodes, network: _Network, link_flow: np.ndarray) -> np.ndarray:
    """Unit discharge of every node, (n, 2) east and north [m2/s]: mean of the flows of its two opposite faces."""
    aside = np.arange(len(link_flow)) < network.n_aside
    out = np.zeros((nodes.n, 2))
    for axis, (mine, sign) in enumerate(((aside, 1.0), (~aside, -1.0))):
        half = sign * link_flow[mine] / (2 * network.size_m)
        out[:, axis] = np.bincount(network.first[mine], half, nodes.n) + np.bincount(
            network.second[mine], half, nodes.n
        )
    # On the end caps flow enters from outside the network: such nodes take the vector of the nearest free node.
    held = network.at_head | network.at_tail
    free = np.nonzero(network.live & ~held)[0]
    rows, cols = np.nonzero(nodes.node_map >= 0)
    places = np.column_stack([rows, cols])
    out[held] = out[free[cKDTree(places[free]).query(places[held])[1]]]
    return out
