"""Channel coordinates: along the river from a potential, across it from the distances to both banks.

The potential is 0 on the upstream end cap and 1 on the downstream one, with no flow through banks and islands
(Laplace's equation on the coarse mesh). It orders every wet cell without folding in bends, takes both arms round an
island together, and runs straight past ragged edges. Across is (dR / (dR + dL) - 1/2) times the local width, with
dR, dL the distances to the true right and left bank; measured better than a stream function, which crowds the inner
bank of a bend.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
import scipy.sparse.linalg as spl
from scipy.ndimage import gaussian_filter1d
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from reachmap.channel.caps import HEAD, LEFT, RIGHT, TAIL, Edge
from reachmap.channel.mesh import Mesh
from reachmap.channel.model import BESIDE
from reachmap.errors import Finding, InputError

ALONG_WEIGHT = 0.3
"""A bank counts as this much farther away per metre along the river, so that the other limb of a bend is not taken."""

MOVING = 0.3
"""Water slower than this share of the section's mean current counts less and less in length and width; assumed."""

SMOOTH_SLICES = 1.2
"""Slices over which length and width are smoothed (standard deviation)."""

NODES_IN_SLICE = 18
"""Nodes in a slice of the river, about one and a half rows across."""

NODES_IN_STRETCH = 72
"""Nodes in a stretch in which arms are told apart, about six rows across."""


@dataclass(frozen=True)
class Coordinates:
    """Channel coordinates at the nodes of a mesh.

    Parameters
    ----------
    along, across, width : (n,) [m]
    length_m : from cap to cap along the river
    head, tail : (n,) bool, nodes that touch an end cap
    """

    along: np.ndarray
    across: np.ndarray
    width: np.ndarray
    length_m: float
    head: np.ndarray
    tail: np.ndarray


def solve_coordinates(mesh: Mesh, edge: Edge) -> Coordinates:
    """Along, across and local width at every node of a mesh over the water within `edge`."""
    touch = cap_touch(mesh, edge)
    potential = _potential(mesh, touch)
    along, width, length = _stretch(mesh, potential)
    across = _across(mesh, edge, along, width)
    return Coordinates(along, across, width, length, touch[0] > 0, touch[1] > 0)


def cap_touch(mesh: Mesh, edge: Edge) -> np.ndarray:
    """Width of the water of each node that lies on the upstream and the downstream cap, (2, n) [m]."""
    grid = mesh.grid
    out = np.zeros((2, mesh.n))
    tree, caps = cKDTree(edge.middle), cKDTree(edge.of(HEAD, TAIL).middle)
    # The outline passes between a wet cell and the dry one beside it, so its nearest piece is no farther than this.
    near = 2 * grid.cell_m + float(np.hypot(*(edge.end - edge.start).T).max())
    for (dr, dc), open_side in zip(BESIDE, grid.beside_land(), strict=True):
        side = grid.points(open_side) + 0.5 * grid.cell_m * np.array([dc, -dr])
        by_cap = np.isfinite(caps.query(side, distance_upper_bound=near)[0])
        open_side, side = open_side[by_cap], side[by_cap]
        kind = edge.kind[tree.query(side)[1]]
        for k, cap in enumerate((HEAD, TAIL)):
            out[k] += np.bincount(mesh.of_cell[open_side[kind == cap]], minlength=mesh.n) * grid.cell_m
    return out


def _potential(mesh: Mesh, touch: np.ndarray) -> np.ndarray:
    """Potential (n,), 0 at the head to 1 at the tail; water cut off from them takes that of the nearest that is not."""
    n = mesh.n
    # The cap lies half the node's own length from its middle.
    half = np.clip(mesh.area_m2 / np.maximum(touch, 1e-9), 0.25 * mesh.size_m, mesh.size_m) / 2
    held = touch / half
    weight = mesh.conductance
    diagonal = np.bincount(mesh.first, weight, n) + np.bincount(mesh.second, weight, n) + held.sum(axis=0)
    tied = _through(mesh, touch)
    matrix = sp.diags(diagonal + ~tied) - mesh.matrix(weight)
    solver = spl.splu(
        matrix.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
    )
    potential = np.clip(solver.solve(held[1]), 0.0, 1.0)
    if not tied.all():
        here = np.column_stack([mesh.x, mesh.y])
        nearest = cKDTree(here[tied]).query(here[~tied])[1]
        potential[~tied] = potential[tied][nearest]
    return potential


def _through(mesh: Mesh, touch: np.ndarray) -> np.ndarray:
    """(n,) bool: nodes of a water that leads from the head to the tail."""
    number, label = mesh.components
    ends = [np.bincount(label, along_cap, number) > 0 for along_cap in touch]
    through = ends[0] & ends[1]
    if not through.any():
        what = "no water leads from the upstream end of the outline to its downstream end"
        remedy = "Draw the outline wider at its narrowest place, or make the cells smaller (--cell)"
        raise InputError([Finding("error", "outline", "", what, remedy, "no-way-through")])
    return through[label]


def _stretch(mesh: Mesh, potential: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Metres along, local width and whole length from the potential.

    A slice between two values of the potential is as long as its drop over the mean slope in it. Only moving water of
    the main arm counts, so neither a dead end, a ragged edge nor a long side channel stretches the river. In a bend
    the slope falls as one over the radius; its mean over the area is that of the middle line.
    """
    slope = np.hypot(*mesh.gradient(potential).T)
    half = 0.5 * slope * mesh.size_m
    cuts = _slices(mesh, potential, slope, NODES_IN_SLICE)
    middle = (cuts[1:] + cuts[:-1]) / 2
    main = _main_arm(mesh, potential, slope) * mesh.area_m2
    carrying, flux = _smooth(_spread(potential, half, np.stack([slope, slope**2]) * main, cuts))
    pace = slope / np.maximum(np.interp(potential, middle, flux / np.maximum(carrying, 1e-300)), 1e-300)
    moving = np.clip(pace / MOVING, 0.0, 1.0) * main
    area, drop = _smooth(_spread(potential, half, np.stack([moving, moving * slope]), cuts))
    step = area / np.maximum(drop, 1e-300) * np.diff(cuts)
    marks = np.concatenate([[0.0], np.cumsum(step)])
    along = np.interp(potential, cuts, marks)
    # A cell of a slower arm is longer along the potential than it is along the river.
    pace = slope / np.maximum(np.interp(potential, middle, drop / np.maximum(area, 1e-300)), 1e-300)
    share = np.where(main > 0, np.clip(pace / MOVING, 0.0, 1.0), np.minimum(pace, 1.0)) * mesh.area_m2
    wetted = _smooth(_spread(potential, half, share[None], cuts))[0]
    width = wetted / np.maximum(_smooth(step), 1e-9)
    return along, np.interp(potential, middle, width), float(marks[-1])


def _main_arm(mesh: Mesh, potential: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """(n,) bool: nodes of the arm that carries most in each stretch of the river."""
    cuts = _slices(mesh, potential, slope, NODES_IN_STRETCH)
    stretch = np.clip(np.searchsorted(cuts, potential, side="right") - 1, 0, len(cuts) - 2)
    same = stretch[mesh.first] == stretch[mesh.second]
    _, arm = connected_components(mesh.matrix(same.astype(float)), directed=False)
    carries = np.bincount(arm, slope * mesh.area_m2)
    order = np.lexsort((carries[arm], stretch))
    last = np.append(np.flatnonzero(np.diff(stretch[order])), mesh.n - 1)
    best = np.full(len(cuts), -1)
    best[stretch[order[last]]] = arm[order[last]]
    return arm == best[stretch]


def _smooth(values: np.ndarray) -> np.ndarray:
    return gaussian_filter1d(values, SMOOTH_SLICES, axis=-1, mode="nearest")


def _slices(mesh: Mesh, potential: np.ndarray, slope: np.ndarray, nodes: int) -> np.ndarray:
    """Cuts of the potential, 0 to 1, this many nodes apart: equal moving water between them, so none is starved."""
    order = np.argsort(potential, kind="stable")
    carrying = np.cumsum((slope * mesh.area_m2)[order])
    count = max(8, mesh.n // nodes)
    cuts = np.interp(np.arange(1, count) / count, carrying / carrying[-1], potential[order])
    return np.unique(np.concatenate([[0.0], cuts, [1.0]]))


def _spread(middle: np.ndarray, half: np.ndarray, weights: np.ndarray, cuts: np.ndarray) -> np.ndarray:
    """Sum of weights (k, n) between cuts (m,), every node spread evenly over `middle` +- `half`; (k, m - 1)."""
    half = np.maximum(half, 1e-12)
    low, high = (np.clip(middle + sign * half, 0.0, 1.0) for sign in (-1, 1))
    high = np.maximum(high, low + 1e-12)
    total = np.zeros((len(weights), len(cuts)))
    for sign, place in ((1, low), (-1, high)):
        order = np.argsort(place, kind="stable")
        rate = (weights / (high - low))[:, order]
        sums = np.pad(np.cumsum(rate, axis=1), ((0, 0), (1, 0)))
        moments = np.pad(np.cumsum(rate * place[order], axis=1), ((0, 0), (1, 0)))
        before = np.searchsorted(place[order], cuts)
        total += sign * (cuts * sums[:, before] - moments[:, before])
    return np.diff(total, axis=1)


def _across(mesh: Mesh, edge: Edge, along: np.ndarray, width: np.ndarray) -> np.ndarray:
    """Metres from the middle of the banks, positive to the left, at every node."""
    here = np.column_stack([mesh.x, mesh.y, ALONG_WEIGHT * along])
    distance = []
    nodes = cKDTree(here[:, :2])
    for kind in (RIGHT, LEFT):
        bank = edge.of(kind)
        middle = bank.middle
        run = bank.end - bank.start
        inward = np.column_stack([-run[:, 1], run[:, 0]]) / np.hypot(*run.T)[:, None]
        # The node a little inside the bank is on the bank's own side of a neck of land.
        bank_along = along[nodes.query(middle + 0.5 * mesh.size_m * inward)[1]]
        found = cKDTree(np.column_stack([middle, ALONG_WEIGHT * bank_along])).query(here)[1]
        distance.append(segment_distance(here[:, :2], bank.start[found], bank.end[found]))
    right, left = distance
    return (right / np.maximum(right + left, 1e-9) - 0.5) * width


def segment_distance(points: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Distance of each point (n, 2) to its own straight piece from `start` to `end` (n, 2) [m]."""
    (x, y), (run_x, run_y) = (points - start).T, (end - start).T
    share = np.clip((x * run_x + y * run_y) / np.maximum(run_x**2 + run_y**2, 1e-18), 0, 1)
    return np.sqrt((x - share * run_x) ** 2 + (y - share * run_y) ** 2)
