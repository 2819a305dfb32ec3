"""How high the land stands round the water, out to far valley sides: horizon angles by azimuth.

From every point of a coarse lattice over the water, rays run over the surface model in steps that grow with the
distance; the steepest sight line is the horizon there. Between lattice points the nearest counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from reachmap.beat.model import Terrain
from reachmap.light.shadow import Cells

AZIMUTHS = 72
"""Directions, 5 deg apart."""

LATTICE_M = 4.0
"""Least distance of lattice points [m]; near banks finer than this belong into the shade file."""

GROWTH = 1.08
"""Each step is so much longer than the last."""


@dataclass(frozen=True)
class Horizon:
    """Horizon angles.

    Parameters
    ----------
    angle_deg : (n_points, AZIMUTHS), 0 where the land is flat [deg]
    nearest : lattice point of each cell, in block order (n_wet,)
    """

    angle_deg: np.ndarray
    nearest: np.ndarray

    def toward(self, azimuth_deg: float) -> np.ndarray:
        """Horizon toward an azimuth for each cell, in block order (n_wet,) [deg]."""
        place = azimuth_deg / 360.0 * AZIMUTHS
        k, share = int(np.floor(place)), place - np.floor(place)
        one, other = self.angle_deg[:, k % AZIMUTHS], self.angle_deg[:, (k + 1) % AZIMUTHS]
        return ((1.0 - share) * one + share * other)[self.nearest]


def horizon_of(terrain: Terrain, cells: Cells) -> Horizon:
    """Horizon angles over the water's cells; where the surface is unknown it is taken as flat."""
    side = max(LATTICE_M, terrain.cell_m)
    knot = np.unique(np.floor(np.column_stack([cells.x, cells.y]) / side).astype(int), axis=0)
    points = (knot + 0.5) * side
    nearest = cKDTree(points).query(np.column_stack([cells.x, cells.y]))[1]
    rows, cols = terrain.height_m.shape
    far = float(np.hypot(rows, cols)) * terrain.cell_m
    steps = [terrain.cell_m]
    while steps[-1] < far:
        steps.append(steps[-1] + max(terrain.cell_m, (GROWTH - 1.0) * steps[-1]))
    slope = np.zeros((len(points), AZIMUTHS), np.float32)
    angle = 2.0 * np.pi * np.arange(AZIMUTHS) / AZIMUTHS
    for distance in steps:
        x = points[:, :1] + distance * np.sin(angle)
        y = points[:, 1:] + distance * np.cos(angle)
        col = np.floor((x - terrain.x0) / terrain.cell_m).astype(int)
        row = np.floor((terrain.y1 - y) / terrain.cell_m).astype(int)
        known = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        height = np.zeros(x.shape, np.float32)
        height[known] = np.nan_to_num(terrain.height_m[row[known], col[known]])
        slope = np.maximum(slope, height / distance)
    return Horizon(np.degrees(np.arctan(slope)), nearest)
