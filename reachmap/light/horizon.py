"""How high the land stands round the water, out to far valley sides: horizon angles by azimuth.

From every point of a coarse lattice over the water, rays run over the surface model in steps that grow with the
distance; the steepest sight line is the horizon there. Each step looks at the highest point within its own length, so
that no crest is stepped over. For each cell the nearest lattice point counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from reachmap.beat.model import Skyline, Terrain
from reachmap.channel.blocks import over_blocks
from reachmap.light.shadow import Cells

AZIMUTHS = 72
"""Directions, 5 deg apart."""

LATTICE_M = 4.0
"""Least distance of lattice points [m]; near banks finer than this belong into the shade file."""

GROWTH = 0.05
"""Steps stay shorter than this share of the distance, from the third on [-]."""


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


def horizon_of(terrain: Terrain | None, skyline: Skyline | None, cells: Cells) -> Horizon | None:
    """Horizon angles over the water's cells, the higher of the surface model's and the far skyline's.

    None without both. Where the surface is unknown it is taken as flat; the skyline is the same from all of the water.
    """
    found = None if terrain is None else _of_surface(terrain, cells)
    if skyline is None:
        return found
    far = np.interp(np.arange(AZIMUTHS) * 360.0 / AZIMUTHS, skyline.azimuth_deg, skyline.elevation_deg, period=360.0)
    if found is None:
        return Horizon(far[None], np.zeros(len(cells.x), int))
    return Horizon(np.maximum(found.angle_deg, far), found.nearest)


def _of_surface(terrain: Terrain, cells: Cells) -> Horizon:
    side = max(LATTICE_M, terrain.cell_m)
    knot = np.unique(np.floor(np.column_stack([cells.x, cells.y]) / side).astype(int), axis=0)
    points = (knot + 0.5) * side
    nearest = cKDTree(points).query(np.column_stack([cells.x, cells.y]))[1]
    far = float(np.hypot(*terrain.height_m.shape)) * terrain.cell_m
    slope = np.zeros((len(points), AZIMUTHS), np.float32)
    angle = 2.0 * np.pi * np.arange(AZIMUTHS) / AZIMUTHS
    height, cell, distance = np.nan_to_num(terrain.height_m), terrain.cell_m, terrain.cell_m
    while distance < far:
        if GROWTH * distance > 2.0 * cell:
            height, cell = over_blocks(height, 2, np.maximum, 0.0), 2.0 * cell
        x = points[:, :1] + distance * np.sin(angle)
        y = points[:, 1:] + distance * np.cos(angle)
        col = np.floor((x - terrain.x0) / cell).astype(int)
        row = np.floor((terrain.y1 - y) / cell).astype(int)
        known = (row >= 0) & (row < height.shape[0]) & (col >= 0) & (col < height.shape[1])
        seen = height[np.where(known, row, 0), np.where(known, col, 0)]
        slope = np.maximum(slope, np.where(known, seen, 0.0) / np.float32(distance))
        distance += cell
    return Horizon(np.degrees(np.arctan(slope)), nearest)
