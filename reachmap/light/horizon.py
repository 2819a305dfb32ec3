"""How high the land stands round the water, out to far valley sides: horizon angles by azimuth.

From the middle of the water in every square of a coarse lattice, rays run over the surface model in steps that grow
with the distance; the steepest sight line is the horizon there. Each step looks at the highest point within its own
length, so that no crest is stepped over. For each cell its own square counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from reachmap.beat.model import Skyline, Terrain
from reachmap.channel.blocks import over_blocks
from reachmap.channel.model import Grid
from reachmap.channel.rescale import make_rescale
from reachmap.light.shadow import Cells
from reachmap.threads import pieces, side_by_side

AZIMUTHS = 72
"""Directions, 5 deg apart."""

LATTICE_M = 4.0
"""Least side of a square of the lattice [m]; near banks finer than this belong into the shade file."""

GROWTH = 0.05
"""Steps stay shorter than this share of the distance, from the third on [-]."""

MOST_POINTS = 256
"""Lattice points worked out at once: few enough for the processor's own memory."""


@dataclass(frozen=True)
class Horizon:
    """Horizon angles of some cells.

    Parameters
    ----------
    angle_deg : of the surface model (n_points, AZIMUTHS), 0 where it is flat [deg]
    nearest : lattice point of each cell, in block order (n,)
    skyline : far off, the same for all cells; None without one
    """

    angle_deg: np.ndarray
    nearest: np.ndarray
    skyline: Skyline | None = None

    def of_points(self, azimuth_deg: float) -> np.ndarray:
        """Horizon toward an azimuth from each lattice point (n_points,), the higher of land and skyline [deg]."""
        place = azimuth_deg / 360.0 * AZIMUTHS
        k, share = int(np.floor(place)), place - np.floor(place)
        one, other = self.angle_deg[:, k % AZIMUTHS], self.angle_deg[:, (k + 1) % AZIMUTHS]
        land = (1.0 - share) * one + share * other
        if self.skyline is None:
            return land
        # Read as it was written, whose directions are not ours.
        far = np.interp(azimuth_deg, self.skyline.azimuth_deg, self.skyline.elevation_deg, period=360.0)
        return np.maximum(land, np.float32(far))


@dataclass(frozen=True)
class Surroundings:
    """The land round one water, looked at once for whatever cells its light is worked out on.

    Parameters
    ----------
    angle_deg : of the surface model from the middle of the water in every square, row by row (n_points, AZIMUTHS) [deg]
    grid : lattice squares as cells
    skyline : far off, the same from every square; None without one
    """

    angle_deg: np.ndarray
    grid: Grid
    skyline: Skyline | None = None

    def of(self, cells: Cells) -> Horizon:
        """The horizon of some cells of the same water."""
        nearest = np.empty(len(cells.x), np.int32)

        def find(part: slice) -> None:
            nearest[part] = self.grid.locate(cells.x[part], cells.y[part])

        side_by_side(find, pieces(len(nearest)))
        # The middle of a few cells can lie in a square that holds none of them.
        lost = np.flatnonzero(nearest < 0)
        if len(lost):
            middles = cKDTree(np.column_stack([self.grid.x, self.grid.y]))
            nearest[lost] = middles.query(np.column_stack([cells.x[lost], cells.y[lost]]))[1]
        return Horizon(self.angle_deg, nearest, self.skyline)


def look_round(terrain: Terrain | None, skyline: Skyline | None, grid: Grid) -> Surroundings | None:
    """Horizon angles over a grid's water, the higher of the surface model's and the far skyline's.

    None without both. Where the surface is unknown it is taken as flat; the skyline is the same from all of the water.
    """
    if terrain is None and skyline is None:
        return None
    side = LATTICE_M if terrain is None else max(LATTICE_M, terrain.cell_m)
    scaling = make_rescale(grid, max(side, grid.cell_m))
    squares = scaling.work
    angle = np.zeros((squares.n_wet, AZIMUTHS), np.float32)
    if terrain is not None:
        # The middle of a square by the bank may lie in the wood on it, from where all the sky is land.
        angle = _of_surface(terrain, *scaling.middles().T)
    return Surroundings(angle, squares, skyline)


def _of_surface(terrain: Terrain, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Horizon of a surface model from points (n,), (n, AZIMUTHS) float32 [deg]."""
    out = np.empty((len(x), AZIMUTHS), np.float32)
    rings = list(_rings(terrain))
    turn = 2.0 * np.pi * np.arange(AZIMUTHS) / AZIMUTHS
    east, south = np.sin(turn), -np.cos(turn)

    def look(part: slice) -> None:
        slope = np.zeros((part.stop - part.start, AZIMUTHS), np.float32)
        for distance, height, cell in rings:
            # One cell of flat land round the map stands for everything beyond it.
            high, wide = height.shape
            col = np.floor((x[part, None] - terrain.x0) / cell + east * (distance / cell)).astype(np.int32) + 1
            row = np.floor((terrain.y1 - y[part, None]) / cell + south * (distance / cell)).astype(np.int32) + 1
            np.clip(col, 0, wide - 1, out=col)
            np.clip(row, 0, high - 1, out=row)
            np.maximum(slope, height.ravel().take(row * wide + col) / np.float32(distance), out=slope)
        out[part] = np.degrees(np.arctan(slope))

    side_by_side(look, pieces(len(x), MOST_POINTS))
    return out


def _rings(terrain: Terrain) -> Iterator[tuple[float, np.ndarray, float]]:
    """Distances of the steps, each with the surface in blocks of about its length, flat land around, and their size."""
    far = float(np.hypot(*terrain.height_m.shape)) * terrain.cell_m
    height, cell, distance = np.nan_to_num(terrain.height_m), terrain.cell_m, terrain.cell_m
    framed = np.pad(height, 1)
    while distance < far:
        if GROWTH * distance > 2.0 * cell:
            height, cell = over_blocks(height, 2, np.maximum, 0.0), 2.0 * cell
            framed = np.pad(height, 1)
        yield distance, framed, cell
        distance += cell
