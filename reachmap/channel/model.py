"""The water on a grid: where each wet cell is and what is known about it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import InitVar, dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.spatial import cKDTree

from reachmap.beat.model import Beat
from reachmap.channel.blocks import over_blocks
from reachmap.channel.sheet import Sheet
from reachmap.errors import Finding
from reachmap.layers import LAYERS
from reachmap.threads import side_by_side

if TYPE_CHECKING:
    import geopandas as gpd
    from affine import Affine

BESIDE = ((0, 1), (0, -1), (1, 0), (-1, 0))
"""Steps down and right to the four cells beside one."""

WINDOW = 512
"""Cells along the side of the windows that maps are worked in; assumed."""


@dataclass(frozen=True, eq=False)
class Grid:
    """A north-up grid of square cells in the beat's CRS; equal only to itself.

    Parameters
    ----------
    x0, y1 : outer corner, west and north [m]
    cell_m : cell size [m]
    water : which cells have their centre in the water, as a sheet or as a map (rows, columns) bool
    """

    x0: float
    y1: float
    cell_m: float
    water: InitVar[Sheet | np.ndarray]
    sheet: Sheet = field(init=False)

    def __post_init__(self, water: Sheet | np.ndarray) -> None:
        object.__setattr__(self, "sheet", water if isinstance(water, Sheet) else Sheet.of_map(water))

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.sheet.shape

    @cached_property
    def wet(self) -> np.ndarray:
        """(rows, columns) bool map of all cells, True in the water; for a long river far larger than the water."""
        out = np.zeros(self.shape, bool)
        out[self.cells] = True
        return out

    @property
    def transform(self) -> Affine:
        """Affine transform from (column, row) to (x, y), as rasterio wants it."""
        from affine import Affine

        return Affine(self.cell_m, 0.0, self.x0, 0.0, -self.cell_m, self.y1)

    @property
    def cells(self) -> tuple[np.ndarray, np.ndarray]:
        """Row and column of every wet cell, int32 (n_wet,), row by row."""
        return self.sheet.cells

    @property
    def n_wet(self) -> int:
        """Number of wet cells."""
        return len(self.cells[0])

    @property
    def x(self) -> np.ndarray:
        """Easting of every wet cell centre (n_wet,) [m]; worked out anew, see `points`."""
        return self.x0 + (self.cells[1] + 0.5) * self.cell_m

    @property
    def y(self) -> np.ndarray:
        """Northing of every wet cell centre (n_wet,) [m]; worked out anew, see `points`."""
        return self.y1 - (self.cells[0] + 0.5) * self.cell_m

    def beside_land(self) -> list[np.ndarray]:
        """For each of the steps `BESIDE` the wet cells whose neighbour there is dry, in rising order."""

        def look(window: tuple[int, int, int, int]) -> list[np.ndarray]:
            top, bottom, left, right = window
            index = self.sheet.window(top - 1, bottom + 1, left - 1, right + 1)
            dry = index < 0
            high, wide = bottom - top, right - left
            here, own = index[1:-1, 1:-1], ~dry[1:-1, 1:-1]
            return [here[own & dry[1 + r : 1 + r + high, 1 + c : 1 + c + wide]] for r, c in BESIDE]

        found = side_by_side(look, self.sheet.windows(WINDOW))
        return [np.sort(np.concatenate(parts)) for parts in zip(*found, strict=True)]

    @cached_property
    def _shore(self) -> tuple[np.ndarray, cKDTree]:
        """Cells beside dry land, which hold the nearest water to any point outside it."""
        shore = np.unique(np.concatenate(self.beside_land()))
        return shore, cKDTree(self.points(shore))

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """Position in a wet vector of the wet cell nearest to each point on land (n, 2) [m], int32 (n,)."""
        shore, tree = self._shore
        return shore[tree.query(points, workers=-1)[1]]

    def full_blocks(self, side: int) -> tuple[np.ndarray, np.ndarray]:
        """Row and column, counted in blocks, of the blocks of `side` x `side` cells that are all water, in no order."""

        def look(window: tuple[int, int, int, int]) -> tuple[np.ndarray, np.ndarray]:
            wet = self.sheet.window(*window) >= 0
            row, col = np.nonzero(over_blocks(wet, side, np.logical_and, False))
            return row.astype(np.int32) + window[0] // side, col.astype(np.int32) + window[2] // side

        rows, cols = zip(*side_by_side(look, self.sheet.windows(side * -(-WINDOW // side))), strict=True)
        return np.concatenate(rows), np.concatenate(cols)

    def in_windows(
        self, work: Callable[..., tuple[np.ndarray, ...]], *values: np.ndarray, halo: int = 0, dry: float = 0.0
    ) -> tuple[np.ndarray, ...]:
        """What `work` makes of maps, window by window on all processors, so that land takes no room.

        Parameters
        ----------
        work : called with a map of the water, bool, and a map of each of the vectors; returns maps of that size
        values : wet vectors (n_wet,)
        halo : cells around a window that the values inside depend on
        dry : what the maps hold on land

        Returns
        -------
        (n_wet,) float32 vectors, one for each map that `work` returns
        """

        def look(window: tuple[int, int, int, int]) -> tuple[np.ndarray, list[np.ndarray]]:
            top, bottom, left, right = window
            index = self.sheet.window(top - halo, bottom + halo, left - halo, right + halo)
            wet = index >= 0
            maps = (np.where(wet, vector[index], np.float32(dry)).astype(np.float32, copy=False) for vector in values)
            inner = np.s_[halo : halo + bottom - top, halo : halo + right - left]
            own = wet[inner]
            return index[inner][own], [part[inner][own] for part in work(wet, *maps)]

        out: list[np.ndarray] = []
        for cells, parts in side_by_side(look, self.sheet.windows(WINDOW)):
            out = out or [np.empty(self.n_wet, np.float32) for _ in parts]
            for vector, part in zip(out, parts, strict=True):
                vector[cells] = part
        return tuple(out)

    def points(self, cells: np.ndarray | slice) -> np.ndarray:
        """Centres of some wet cells, east and north (n, 2) [m]."""
        rows, cols = (index[cells] for index in self.cells)
        return np.column_stack([self.x0 + (cols + 0.5) * self.cell_m, self.y1 - (rows + 0.5) * self.cell_m])

    def spread(self, values: np.ndarray, dry: float = np.nan) -> np.ndarray:
        """Lay a wet vector (n_wet,) out as a (rows, columns) map, `dry` where there is no water; see `wet`."""
        out = np.full(self.shape, dry, values.dtype if np.isfinite(dry) else np.float32)
        out[self.cells] = values
        return out

    def at(self, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
        """Position in a wet vector of cells by row and column, -1 where dry or off the grid; int32."""
        return self.sheet.at(rows, cols)

    def blend(self, values: np.ndarray, row: np.ndarray, col: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """A wet vector between cells, bilinear: the sum over the wet ones of the four around, and their weight (n,).

        Parameters
        ----------
        values : (n_wet,)
        row, col : (n,) where, in cells from the middle of the first
        """
        top, left = (np.floor(place).astype(np.int32) for place in (row, col))
        down, aside = row - top, col - left
        total, water = np.zeros(len(row), np.float32), np.zeros(len(row), np.float32)
        for r, part_r in ((0, 1.0 - down), (1, down)):
            for c, part_c in ((0, 1.0 - aside), (1, aside)):
                cell = self.at(top + r, left + c)
                weight = np.where(cell >= 0, part_r * part_c, 0.0).astype(np.float32)
                total += weight * values[cell]
                water += weight
        return total, water

    def locate(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Position in a wet vector of the cell under each point, -1 where dry or off the grid; int32."""
        col = np.floor((np.asarray(x) - self.x0) / self.cell_m).astype(int)
        row = np.floor((self.y1 - np.asarray(y)) / self.cell_m).astype(int)
        return self.at(row, col)


@dataclass(frozen=True)
class Channel:
    """One beat's water at one stage.

    Parameters
    ----------
    beat : what it was made from
    grid : the cells
    layers : wet vectors by name (see `reachmap.layers`), float32 (n_wet,)
    seams : GeoDataFrame of lines along the current, see `reachmap.channel.seams.find_seams`
    report : what was measured about the work itself (errors held out, choices made), plain values by name
    stage_m : water level above the survey [m]
    flow_m3_s : flow through the reach [m3/s], None where only relative speed is known
    depth_guessed, speed_relative : True where no soundings, or too few for most of the water, or no speed and no flow
        were given
    findings : what the user should hear about the water
    """

    beat: Beat
    grid: Grid
    layers: Mapping[str, np.ndarray]
    seams: gpd.GeoDataFrame
    report: Mapping[str, Any] = field(default_factory=dict)
    stage_m: float = 0.0
    flow_m3_s: float | None = None
    depth_guessed: bool = False
    speed_relative: bool = False
    findings: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        check_layers(self.layers, self.grid.n_wet)

    def __getitem__(self, name: str) -> np.ndarray:
        """The wet vector of one layer."""
        return self.layers[name]

    def map(self, name: str) -> np.ndarray:
        """One layer as a (rows, columns) map, NaN where dry."""
        return self.grid.spread(self.layers[name])

    def with_layers(self, **more: np.ndarray) -> Channel:
        """A copy with layers added or replaced."""
        return replace(self, layers={**self.layers, **more})


def check_layers(layers: Mapping[str, np.ndarray], n_wet: int) -> None:
    """Raise ValueError unless every layer is registered, float32 and one value per wet cell."""
    for name, values in layers.items():
        if name not in LAYERS:
            raise ValueError(f"layer {name!r} is not in the register (reachmap/layers.py)")
        if values.shape != (n_wet,) or values.dtype != np.float32:
            raise ValueError(f"layer {name!r}: expected float32 ({n_wet},), got {values.dtype} {values.shape}")
