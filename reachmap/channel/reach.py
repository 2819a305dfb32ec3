"""The frame everything in the channel is worked out in: cells, mesh and channel coordinates of one reach."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from reachmap.channel.caps import HEAD, ISLAND, LEFT, RIGHT, TAIL, Edge, label_edge
from reachmap.channel.coordinates import Coordinates, solve_coordinates
from reachmap.channel.grid import make_grid, wet_cells
from reachmap.channel.kriging import TaperedField
from reachmap.channel.mesh import Mesh, make_mesh
from reachmap.channel.model import Grid
from reachmap.channel.sheet import Sheet
from reachmap.channel.waterline import Waterline
from reachmap.layers import WetCells
from reachmap.threads import in_pieces

NODES_ACROSS = 12
"""Blocks of the mesh across the river; finer gains nothing, W/8 loses 7 % (measured)."""

BLOCKS_IN_NODE = 3
"""Blocks along the side of a node between whose corners the distance to the waterline is read."""

WALL_WITHIN_M = 0.5
"""The bank this near to a marked undercut is taken to be its wall [m]; assumed, for lines drawn by hand."""

TAPER_SHARE = 0.3
"""Length over which depth and speed fall to zero at the waterline, as a share of the half width (measured)."""


@dataclass(frozen=True)
class Places:
    """Points in channel coordinates.

    Parameters
    ----------
    along, across, width, bank_distance : (n,) [m]
    run_out : (n,) distance to where the bed rises to the waterline, undercut banks left out [m]
    bank : length over which depth and speed fall to zero at the waterline, as a share of the half width
    taper : (n,) 0 at the waterline, near 1 away from it
    """

    along: np.ndarray
    across: np.ndarray
    width: np.ndarray
    bank_distance: np.ndarray
    run_out: np.ndarray
    bank: float = TAPER_SHARE

    @cached_property
    def taper(self) -> np.ndarray:
        """1 - exp(-b / (bank w / 2)), b the distance to where the bed runs out, w the local width; 1 for walls (0)."""
        if self.bank == 0.0:
            return np.ones_like(self.run_out)
        return in_pieces(lambda away, wide: -np.expm1(-away / (0.5 * self.bank * wide)), self.run_out, self.width)

    def banked(self, share: float) -> Places:
        """The same points by another steepness of the bank."""
        return self if share == self.bank else replace(self, bank=share)


@dataclass(frozen=True)
class Reach:
    """Cells, mesh and coordinates of one reach.

    Parameters
    ----------
    grid : the fine cells, wet within the outline
    mesh : coarse mesh over the same water, gaps between the parts of the outline bridged
    in_mesh : position of every wet cell among the cells of the mesh, or a slice of all where they are the same
    edge : the outline, piece by piece
    coordinates : along, across and width at the nodes
    water : all the water as one polygon
    walls : (pieces of the edge,) bool, True where an undercut keeps the bed from rising to the waterline
    """

    grid: Grid
    mesh: Mesh
    in_mesh: WetCells
    edge: Edge
    coordinates: Coordinates
    water: shapely.Polygon
    walls: np.ndarray

    @cached_property
    def width_m(self) -> float:
        """Typical width: the median over the nodes [m]."""
        return float(np.median(self.coordinates.width))

    @property
    def length_m(self) -> float:
        """Length from cap to cap [m]."""
        return self.coordinates.length_m

    def widening(self, kind: int) -> tuple[float, float]:
        """Length of an end cap (`HEAD` or `TAIL`) and how wide the water is within two such lengths of it [m]."""
        cap = self.edge.of(kind)
        chord = float(np.hypot(*(cap.end - cap.start).T).sum())
        along = self.coordinates.along
        near = (along if kind == HEAD else self.length_m - along) <= 2 * chord
        return chord, float(np.percentile(self.coordinates.width[near], 90)) if near.any() else chord

    @cached_property
    def _caps(self) -> np.ndarray:
        """Middle of the upstream and of the downstream cap, (2, 2) [m]."""
        return np.array([self.edge.of(kind).middle.mean(axis=0) for kind in (HEAD, TAIL)])

    @property
    def chord_m(self) -> float:
        """Length of the straight line from cap to cap [m]."""
        return float(np.hypot(*(self._caps[1] - self._caps[0])))

    def straightened(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Distance along the straight line from cap to cap, and to the left of it [m]."""
        head, tail = self._caps
        ahead = (tail - head) / max(self.chord_m, 1e-9)
        dx, dy = x - head[0], y - head[1]
        return dx * ahead[0] + dy * ahead[1], dy * ahead[0] - dx * ahead[1]

    @cached_property
    def _columns(self) -> np.ndarray:
        c = self.coordinates
        return np.column_stack([c.along, c.across, c.width])

    @cached_property
    def cells(self) -> Places:
        """The fine wet cells, float32."""
        away = self._waterline.distance_of_cells(self.grid, self.mesh.merge // BLOCKS_IN_NODE)
        return self._places(self.upsample(self._columns), away, lambda: self.grid.points(slice(None)))

    @cached_property
    def nodes(self) -> Places:
        """The nodes of the mesh."""
        x, y = self.mesh.x, self.mesh.y
        return self._places(self._columns, self.bank_distance(x, y), lambda: np.column_stack([x, y]))

    @cached_property
    def head(self) -> np.ndarray:
        """(n_wet,) bool: fine cells of the nodes that touch the upstream cap."""
        return self.coordinates.head[self.mesh.of_cell[self.in_mesh]]

    @cached_property
    def tail(self) -> np.ndarray:
        """(n_wet,) bool: fine cells of the nodes that touch the downstream cap."""
        return self.coordinates.tail[self.mesh.of_cell[self.in_mesh]]

    def at(self, x: np.ndarray, y: np.ndarray) -> Places:
        """Any points; those outside the water are taken at the nearest water."""
        x, y, cell = self.pull_in(x, y)
        values = self.mesh.read(self._columns, cell, x, y)
        return self._places(values, self.bank_distance(x, y), lambda: np.column_stack([x, y]))

    def pull_in(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Points moved to the middle of the nearest cell of the mesh if they lie in none, and the cell of each."""
        grid = self.mesh.grid
        x, y = np.array(x, float), np.array(y, float)
        cell = grid.locate(x, y)
        dry = cell < 0
        if dry.any():
            found = grid.nearest(np.column_stack([x[dry], y[dry]]))
            cell[dry] = found
            x[dry], y[dry] = grid.points(found).T
        return x, y, cell

    @cached_property
    def _waterline(self) -> Waterline:
        return Waterline(self.edge.of(RIGHT, LEFT, ISLAND))

    def _places(self, values: np.ndarray, bank_distance: np.ndarray, points: Callable[[], np.ndarray]) -> Places:
        """Values of `_columns` and distances as `Places`; where the points lie is asked only beside walls."""
        along, across, width = np.ascontiguousarray(values.T)
        run_out = bank_distance
        if self.walls.any():
            # Only cells no farther from a wall than the width can have it as their nearest bank.
            x, y = points().T
            middle = self.edge.middle[self.walls]
            (west, south), (east, north) = middle.min(axis=0) - self.width_m, middle.max(axis=0) + self.width_m
            near = np.flatnonzero((x > west) & (x < east) & (y > south) & (y < north))
            run_out = bank_distance.copy()
            shelving = Waterline(self.edge.where(~self.walls).of(RIGHT, LEFT, ISLAND))
            run_out[near] = shelving.distance(x[near], y[near])
        return Places(along, across, np.maximum(width, 1e-3), bank_distance, run_out)

    def bank_distance(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Distance of points to the waterline, banks and islands but not the end caps [m]."""
        return self._waterline.distance(x, y)

    def upsample(self, values: np.ndarray) -> np.ndarray:
        """Node values (n,) or (n, k) on the fine cells, float32."""
        return self.mesh.read_cells(values)[self.in_mesh]

    def interpolate(self, field: TaperedField) -> tuple[np.ndarray, np.ndarray]:
        """A fitted field on the fine cells: value and standard error, float32 (n_wet,).

        Worked out at the nodes without the taper, read back, and tapered by each fine cell's own distance.
        """
        relative = field.relative(self.nodes.along, self.nodes.across)
        value, open_share = self.upsample(np.column_stack(relative)).T
        taper = self.cells.taper
        return in_pieces(np.multiply, value, taper), in_pieces(field.error, open_share, taper)


def build_reach(
    outline: BaseGeometry,
    water: shapely.Polygon,
    ends: tuple[np.ndarray, np.ndarray],
    width_m: float,
    cell_m: float,
    undercut: BaseGeometry | None = None,
) -> Reach:
    """Lay the grid over an outline and work out channel coordinates.

    Parameters
    ----------
    outline : polygon or multipolygon as given [m]
    water : the same water as one polygon (see `reachmap.channel.caps.join_parts`)
    ends : upstream and downstream end cap, each (2, 2) two points
    width_m : typical width [m]
    cell_m : cell size [m]
    undercut : banks near this area stand like walls; None for no undercut
    """
    grid = make_grid(outline, cell_m)
    whole = grid
    if len(shapely.get_parts(outline)) > 1:
        bridged = wet_cells(water, grid.x0, grid.y1, cell_m, grid.shape)
        both = (np.concatenate(pair) for pair in zip(bridged, grid.cells, strict=True))
        whole = Grid(grid.x0, grid.y1, cell_m, Sheet.of_cells(grid.shape, *both))
    mesh = make_mesh(whole, max(1, int(width_m / NODES_ACROSS / cell_m)))
    edge = label_edge(water, outline, ends, max(mesh.size_m / 4, 0.02))
    in_mesh = slice(None) if whole is grid else whole.locate(grid.x, grid.y)
    walls = np.zeros(len(edge.kind), bool)
    if undercut is not None:
        walls[:] = shapely.distance(undercut, shapely.points(edge.middle)) <= WALL_WITHIN_M
        walls &= np.isin(edge.kind, (RIGHT, LEFT, ISLAND))
    return Reach(grid, mesh, in_mesh, edge, solve_coordinates(mesh, edge), water, walls)
