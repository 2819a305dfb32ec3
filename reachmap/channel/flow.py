"""Steady flow over a known bed: where the water goes, with continuity exact.

Zero-inertia (diffusive-wave) flow at known depth h: div( (h^(5/3) / (n |grad H|^(1/2))) grad H ) = 0 in the water,
H fixed on the two end caps, no flow through banks and islands (a textbook form of the shallow-water equations without
inertia; from memory). Unit discharge is h^(5/3) |grad H|^(1/2) / n down the slope of the water surface H. All speeds
scale together, so one solve serves every flow through the same depths. What it leaves out is inertia: no eddies, no
jets past a point, no wakes (see `reachmap.channel.wakes`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.optimize import NoConvergence, anderson
from scipy.sparse.linalg import LinearOperator, SuperLU, cg, splu
from scipy.spatial import cKDTree

from reachmap.channel.mesh import Mesh
from reachmap.errors import Finding, InputError
from reachmap.threads import in_pieces

MANNING_N = 0.04
"""Roughness where none is given [s/m^(1/3)]: clean winding stream with pools and shoals, Chow 1959; from memory."""

MAX_ROUNDS, CLOSE_ENOUGH = 60, 2e-4
"""Rounds of the solve at most; how far links are from what their slope makes of them, as a share, when it ends."""

REMEMBERED = 4
"""Rounds that tell the next one where to look; assumed."""

NEARLY, LAST, MOST_STEPS = 1e-6, 1e-10, 30
"""Residual that conjugate gradients go on to, as a share of what flows in and of the last round's change; in the last
round, as a share of what flows in; and the steps they may take before the matrix is factored anew. Assumed."""

SPILT = 1e-6
"""Share of the flow that may get lost on the way before the last round is solved by factoring; assumed."""

FLAT = 1e-7
"""Slopes below this share of the steepest count as this steep, so that still water stays solvable."""

SHALLOWEST_M = 1e-3
"""Cells shallower than this conduct as if they were this deep [m]."""

EVENED = 6
"""Rounds of adding up neighbours in which the slopes are made to carry the flow: about half a width."""

NOTHING = 1e-12
"""Less than this share of the greatest is as good as nothing, and a quotient of two such is noise."""

STILL = 1e-3
"""Water whose surface slopes less than this share of the median's root has no direction of its own."""


@dataclass(frozen=True)
class Flow:
    """Flow through a reach, per 1 m3/s; multiply by the flow.

    Parameters
    ----------
    mesh : nodes the water surface was solved on
    east, north : (mesh.grid.n_wet,) float32, root of the surface slope along each axis; times h^(2/3)/n it is a speed
    level : (n,) height of the water surface at each node, 1 at the head to 0 at the tail, NaN in still water
    link_flow : (m,) flow of every link of the mesh from its first to its second node [m3/s]
    flow_at_unit_drop : the flow that a drop of 1 m over the reach would drive [m3/s]; grows with the root of it
    rounds, settled : rounds the solve took; False if it hadn't settled when it was ended
    """

    mesh: Mesh
    east: np.ndarray
    north: np.ndarray
    level: np.ndarray
    link_flow: np.ndarray
    flow_at_unit_drop: float
    rounds: int
    settled: bool

    @cached_property
    def root(self) -> np.ndarray:
        """Root of the surface slope of every cell, float32."""
        return in_pieces(np.hypot, self.east, self.north)

    def speed(self, depth_m: np.ndarray, manning_n: np.ndarray | float = MANNING_N) -> np.ndarray:
        """Depth-mean speed of every cell at 1 m3/s [m/s], float32; depth and roughness as they were solved."""
        rough = np.broadcast_to(np.asarray(manning_n, np.float32), self.root.shape)
        power = np.float32(2 / 3)
        return in_pieces(lambda root, h, n: root * np.maximum(h, 0.0) ** power / n, self.root, depth_m, rough)

    def direction(self) -> tuple[np.ndarray, np.ndarray]:
        """Unit vector along the current for every cell, east and north, float32."""
        east, north = (
            in_pieces(lambda part, root: part / np.maximum(root, np.finfo(np.float32).tiny), part, self.root)
            for part in (self.east, self.north)
        )
        return east, north


def solve_flow(
    mesh: Mesh,
    depth_m: np.ndarray,
    head: np.ndarray,
    tail: np.ndarray,
    manning_n: np.ndarray | float = MANNING_N,
) -> Flow:
    """Solve the steady flow from the head to the tail of a reach.

    Parameters
    ----------
    mesh : nodes and links; the conveyance of a node is the mean over the cells it holds
    depth_m : (mesh.grid.n_wet,) depth [m]
    head, tail : (n,) bool, nodes along the upstream and the downstream end
    manning_n : roughness, one or per cell

    Raises
    ------
    InputError : no water leads from the head to the tail
    """
    rough = np.broadcast_to(np.asarray(manning_n, float), mesh.of_cell.shape)
    conveys = in_pieces(lambda h, n: np.maximum(h, SHALLOWEST_M) ** (5 / 3) / n, np.asarray(depth_m), rough)
    conveyance = mesh.sum_cells(conveys) / mesh.cells_in
    network = _network(mesh, head, tail)
    level, flow, rounds, settled = _relax(network, conveyance)
    out = network.at_head[network.first].astype(int) - network.at_head[network.second]
    total = float(flow @ out)
    root = _slope_roots(mesh, network, level) / total
    root = root * _carried(mesh, network, flow / total, conveyance, root)[:, None]
    root = mesh.read_cells(_with_direction(mesh, root))
    link_flow = np.zeros(len(mesh.first))
    link_flow[network.link] = flow / total
    return Flow(mesh, root[:, 0], root[:, 1], level, link_flow, total, rounds, settled)


@dataclass(frozen=True)
class _Network:
    """Nodes in the current and the links between them; which nodes are held at the level of an end.

    link: position of each link in the mesh; apart: distance of its nodes; face: width of water they share [m];
    tangent: operator from the slopes of the links to the slope along each link's face.
    """

    link: np.ndarray
    first: np.ndarray
    second: np.ndarray
    apart: np.ndarray
    face: np.ndarray
    at_head: np.ndarray
    at_tail: np.ndarray
    live: np.ndarray
    tangent: sp.csr_array


def _network(mesh: Mesh, head: np.ndarray, tail: np.ndarray) -> _Network:
    """Links of the water that leads from head to tail; the rest stands still."""
    label = mesh.components[1]
    live = np.isin(label, np.intersect1d(label[head], label[tail]))
    if not live.any() or (head & tail & live).any():
        what = "no water leads from the upstream end of the outline to its downstream end"
        remedy = "Join the parts of the outline, or mark the ends as lines with role 'head end' and 'tail end'"
        raise InputError([Finding("error", "outline", "", what, remedy, "no-way-through")])
    link = np.flatnonzero(live[mesh.first] & live[mesh.second])
    first, second = mesh.first[link], mesh.second[link]
    apart = mesh.touch_m[link] / mesh.conductance[link]
    tangent = _tangent(first, second, link < mesh.n_east, mesh.n)
    return _Network(link, first, second, apart, mesh.touch_m[link], head & live, tail & live, live, tangent)


def _tangent(first: np.ndarray, second: np.ndarray, aside: np.ndarray, n: int) -> sp.csr_array:
    """Operator from link slopes to the slope along each link's face: mean of the crosswise links of both its ends."""
    m = len(first)
    link = np.arange(m)
    at = sp.coo_array((np.ones(2 * m), (np.concatenate([first, second]), np.concatenate([link, link]))), (n, m)).tocsr()
    parts = []
    for mine, cross in ((aside, ~aside), (~aside, aside)):
        crossing = at @ sp.diags_array(cross.astype(float))
        mean = sp.diags_array(1.0 / np.maximum(crossing.sum(axis=1), 1.0)) @ crossing
        parts.append(0.5 * sp.diags_array(mine.astype(float)) @ at.T @ mean)
    return sp.csr_array(parts[0] + parts[1])


def _relax(network: _Network, conveyance: np.ndarray) -> tuple[np.ndarray, np.ndarray, int, bool]:
    """Level of every node, flow of every link [m3/s for a 1 m drop], rounds taken, and whether it settled.

    A link lets through the more, the gentler the slope; what the slopes of one round make of the links is mixed with
    that of earlier rounds (Anderson 1965, J. ACM 12:547; from memory).
    """
    first, second = network.first, network.second
    # In series along the current the drops add: drop ~ q^2/K^2, so the link takes the mean of K^-2.
    link_k = (0.5 * (conveyance[first] ** -2 + conveyance[second] ** -2)) ** -0.5
    rounds = _Rounds(network, link_k * network.face / network.apart)
    try:
        rounds.solve()
        settled = True
    except NoConvergence:  # The last round is the best there is then.
        settled = False
    level, flow = rounds.last()
    return np.where(network.live, level, np.nan), flow, rounds.taken, settled


class _Rounds:
    """The search for how much each link lets through at its own slope, round by round."""

    def __init__(self, network: _Network, stiff: np.ndarray) -> None:
        self.network, self.stiff = network, stiff
        self.levels = _Levels(network)
        self.level = np.full(len(network.live), np.inf)
        self.weight, self.work = stiff, np.ones(len(stiff))
        self.common, self.moved, self.taken = 0.0, 1.0, 0

    def solve(self) -> None:
        """Go on until links differ no more from what their slope makes of them; or raise NoConvergence."""
        anderson(
            self.left,
            np.zeros(len(self.stiff)),
            # Half the change settles; all of it swings to and fro.
            alpha=0.5,
            M=REMEMBERED,
            line_search=None,
            f_tol=CLOSE_ENOUGH,
            tol_norm=self.felt,
            maxiter=MAX_ROUNDS,
        )

    def left(self, softness: np.ndarray) -> np.ndarray:
        """What the slopes would change of the links' softness (its logarithm), but for what all have in common.

        What all have in common changes the flow but not the levels.
        """
        net, before = self.network, self.level
        self.weight = self.stiff * np.exp(softness)
        self.level = self.levels.solve(self.weight, max(NEARLY * min(self.moved, 1.0), LAST))
        self.moved = float(np.abs(self.level - before)[net.live].max())
        slope = (self.level[net.first] - self.level[net.second]) / net.apart
        steep = np.hypot(slope, net.tangent @ slope)
        change = -0.5 * np.log(np.maximum(steep, FLAT * steep.max())) - softness
        self.work = self.weight * (slope * net.apart) ** 2
        self.common = float(np.average(change, weights=self.work))
        self.taken += 1
        return change - self.common

    def felt(self, change: np.ndarray) -> float:
        """Root mean square over the links by the work done in them."""
        return float(np.sqrt(np.average(np.minimum(np.abs(change), 1e3) ** 2, weights=self.work)))

    def last(self) -> tuple[np.ndarray, np.ndarray]:
        """Levels of the last round to the last digits, and the flow of every link [m3/s for a 1 m drop]."""
        net = self.network
        level, flow = self._solved()
        into, out_of = (
            abs(float(flow @ (end[net.first].astype(int) - end[net.second]))) for end in (net.at_head, net.at_tail)
        )
        if abs(into - out_of) > SPILT * into:
            # Between deep pools what flows in is next to nothing beside what the links could let through.
            self.levels.factor = None
            level, flow = self._solved()
        return level, flow

    def _solved(self) -> tuple[np.ndarray, np.ndarray]:
        weight = self.weight * np.exp(self.common)
        level = self.levels.solve(weight, LAST)
        return level, weight * (level[self.network.first] - level[self.network.second])


class _Levels:
    """Solves for the levels of the nodes between the two ends; the pattern is laid out once.

    From round to round the weights change little, so an earlier factorization leads conjugate gradients to the levels
    in a few steps; only when it doesn't any more is the matrix factored anew.
    """

    def __init__(self, network: _Network) -> None:
        self.network = network
        free = network.live & ~network.at_head & ~network.at_tail
        self.free = np.flatnonzero(free)
        self.n = len(self.free)
        self.inner = free[network.first] & free[network.second]
        place = np.full(len(free), -1)
        place[self.free] = np.arange(self.n)
        a, b = place[network.first[self.inner]], place[network.second[self.inner]]
        own = np.arange(self.n)
        self.pattern = np.concatenate([own, a, b]), np.concatenate([own, b, a])
        self.factor: SuperLU | None = None
        self.found = np.zeros(self.n)

    def solve(self, weight: np.ndarray, nearly: float) -> np.ndarray:
        """Levels of all nodes for these link weights; 1 at the head, 0 at the tail and in still water.

        To a residual of this share of what flows in.
        """
        net = self.network
        n = len(net.live)
        level = net.at_head.astype(float)
        total = np.bincount(net.first, weight, n) + np.bincount(net.second, weight, n)
        fed = np.bincount(net.first, weight * level[net.second], n)
        fed += np.bincount(net.second, weight * level[net.first], n)
        link = -weight[self.inner]
        matrix = sp.csc_array((np.concatenate([total[self.free], link, link]), self.pattern), (self.n, self.n))
        level[self.free] = self.found = self._levels(matrix, fed[self.free], nearly)
        return level

    def _levels(self, matrix: sp.csc_array, fed: np.ndarray, nearly: float) -> np.ndarray:
        if self.factor is not None:
            like = LinearOperator(matrix.shape, self.factor.solve)
            found, left = cg(matrix, fed, self.found, rtol=nearly, maxiter=MOST_STEPS, M=like)
            if left == 0:
                return found
        # The matrix is symmetric and dominated by its diagonal: no pivoting, ordering for symmetric patterns.
        self.factor = splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
        return self.factor.solve(fed)


def _slope_roots(mesh: Mesh, network: _Network, level: np.ndarray) -> np.ndarray:
    """Root of the surface slope at every node for a drop of 1 m, (n, 2) east and north, pointing down the slope.

    Taken from the level, which is smooth, and not from flow over conveyance, which jumps between the nodes along a
    slanting bank as these hold more or less water.
    """
    down = -mesh.gradient(np.nan_to_num(level))
    size = np.sqrt(np.hypot(*down.T))
    out = down / np.maximum(size, np.finfo(float).tiny)[:, None]
    # The nodes of an end share one level, so they have no slope of their own: the nearest free node lends its.
    held = network.at_head | network.at_tail
    free = np.flatnonzero(network.live & ~held)
    places = np.column_stack([mesh.x, mesh.y])
    out[held] = out[free[cKDTree(places[free]).query(places[held])[1]]]
    return out


def _carried(mesh: Mesh, network: _Network, flow: np.ndarray, conveyance: np.ndarray, root: np.ndarray) -> np.ndarray:
    """Factor (n,) that makes the slopes carry the flow of the links again, evened out over the nodes around each."""
    # The mean of q over a piece of water is the sum over its faces of outflow times the way there (divergence
    # theorem); the way to a face is half the way to the next node.
    moved = np.zeros((mesh.n, 2))
    for axis, place in enumerate((mesh.x, mesh.y)):
        half = flow * (place[network.second] - place[network.first]) / 2
        moved[:, axis] = np.bincount(network.first, half, mesh.n) + np.bincount(network.second, half, mesh.n)
    inner = network.live & ~network.at_head & ~network.at_tail
    links = np.where(inner, np.hypot(*moved.T), 0.0)
    slopes = np.where(inner, conveyance * np.hypot(*root.T) * mesh.area_m2, 0.0)
    around = mesh.matrix(np.ones(len(mesh.first)))
    for _ in range(EVENED):
        links, slopes = links + around @ links, slopes + around @ slopes
    # Where next to nothing flows there is nothing to set right.
    least = max(NOTHING * float(slopes.max()), np.finfo(float).tiny)
    return np.where(slopes > least, links / np.maximum(slopes, least), 1.0)


def _with_direction(mesh: Mesh, root: np.ndarray) -> np.ndarray:
    """Still water takes the direction of the nearest moving water, at next to no speed."""
    size = np.hypot(*root.T)
    typical = np.median(size[size > 0])
    still = size < STILL * typical
    if not still.any():
        return root
    places = np.column_stack([mesh.x, mesh.y])
    moving = np.flatnonzero(~still)
    nearest = moving[cKDTree(places[moving]).query(places[still])[1]]
    out = root.copy()
    out[still] = root[nearest] / size[nearest, None] * STILL * typical
    return out
