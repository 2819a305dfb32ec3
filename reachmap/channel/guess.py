"""A first guess of the depth from the outline alone: hydraulic geometry and a section shaped by the bends.

Good to half the depth either way at best, and marked as a guess wherever it is used. A handful of soundings sets its
size right; many make it unnecessary.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from reachmap.beat.model import Beat
from reachmap.channel.hydraulics import (
    asymmetric_section,
    bed_n,
    bend_depth_ratio,
    flow_from_width,
    mean_depth_from_flow,
)
from reachmap.channel.reach import Places, Reach

GUESS_SHARE = 0.5
"""Standard error of a guessed depth as a share of it: real sections scatter by about this much around hydraulic
geometry."""

NARROW_POWER = -0.6
"""Mean depth goes as local width to this power where the same flow passes at the same slope (Manning)."""

SHALLOWEST_SHAPE = 0.3
"""The shape of the section is kept above this share of its deepest point; the taper takes it to zero at the bank."""

OFFSET_MOST, OFFSET_OF_BEND = 0.35, 0.9
"""The deepest point lies 0.5 +- min(0.35, 0.9 W/Rc) across, toward the outer bank; assumed."""

LAG_WIDTHS, SMOOTH_WIDTHS = 1.0, 1.0
"""The section answers a bend this far downstream of it, and curvature is averaged over this length; assumed."""


@dataclass(frozen=True)
class Guess:
    """The first guess.

    Parameters
    ----------
    bare : (n,) depth at every node of the mesh before the taper [m]
    mean_depth_m : mean depth it rests on
    basis : "flow and slope", "flow" or "width"
    """

    bare: np.ndarray
    mean_depth_m: float
    basis: str

    def at(self, reach: Reach, x: np.ndarray, y: np.ndarray, places: Places) -> np.ndarray:
        """Guessed depth at points in the water [m]."""
        x, y, cell = reach.pull_in(x, y)
        return reach.mesh.read(self.bare, cell, x, y) * places.taper

    def cells(self, reach: Reach) -> np.ndarray:
        """Guessed depth of every fine wet cell [m], float32."""
        return np.maximum(reach.upsample(self.bare), 0.0) * reach.cells.taper


def guess_depth(beat: Beat, reach: Reach) -> Guess:
    """Guess the depth of a reach from its outline, and its flow and slope where known."""
    mean, basis = _mean_depth(beat, reach.width_m)
    nodes = reach.nodes
    station, curvature = bend_curvature(reach)
    bend = np.interp(nodes.along - LAG_WIDTHS * reach.width_m, station, curvature)
    local = mean * (nodes.width / reach.width_m) ** NARROW_POWER
    sharp = np.abs(bend) * nodes.width
    deepest = local * bend_depth_ratio(1.0 / np.maximum(sharp, 1e-6), nodes.width / local)
    # Turning left, the current piles up on the right bank, where the share across is 0.
    thalweg = 0.5 - np.sign(bend) * np.minimum(OFFSET_MOST, OFFSET_OF_BEND * sharp)
    share = np.clip(nodes.across / nodes.width + 0.5, 0.0, 1.0)
    bare = deepest * np.maximum(asymmetric_section(share, thalweg), SHALLOWEST_SHAPE)
    # Whatever the section's shape, the water is as deep on average as the flow asks for.
    area = reach.mesh.area_m2
    return Guess(bare * float((area @ local) / (area @ (bare * nodes.taper))), mean, basis)


def _mean_depth(beat: Beat, width: float) -> tuple[float, str]:
    """Mean depth [m] and what it was worked out from."""
    flow = beat.flow_m3_s
    if flow and beat.slope:
        depth = mean_depth_from_flow(flow)
        for _ in range(20):
            roughness, _ = bed_n(depth, beat.d84_m, beat.slope)
            depth = float((flow * roughness / (width * beat.slope**0.5)) ** 0.6)
        return depth, "flow and slope"
    if flow:
        return mean_depth_from_flow(flow), "flow"
    return mean_depth_from_flow(flow_from_width(width)), "width"


def bend_curvature(reach: Reach) -> tuple[np.ndarray, np.ndarray]:
    """Curvature of the middle of the river [1/m] by distance along [m], positive where it turns left."""
    width = reach.width_m
    count = max(4, int(reach.length_m / (0.25 * width)))
    slot = np.clip((reach.nodes.along / reach.length_m * count).astype(int), 0, count - 1)
    weight = reach.mesh.area_m2 * (np.abs(reach.nodes.across) < 0.45 * reach.nodes.width)
    total = np.bincount(slot, weight, count)
    kept = total > 0
    place = np.stack([np.bincount(slot, weight * a, count)[kept] / total[kept] for a in (reach.mesh.x, reach.mesh.y)])
    station = (np.flatnonzero(kept) + 0.5) * reach.length_m / count
    spread = SMOOTH_WIDTHS * width / (reach.length_m / count) / 2
    run = np.gradient(gaussian_filter1d(place, spread, axis=1, mode="nearest"), station, axis=1)
    heading = np.unwrap(np.arctan2(run[1], run[0]))
    return station, gaussian_filter1d(np.gradient(heading, station), spread, mode="nearest")
