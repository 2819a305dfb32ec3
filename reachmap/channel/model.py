"""The water on a grid: where each wet cell is and what is known about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from reachmap.beat.model import Beat
from reachmap.channel.blocks import over_blocks
from reachmap.errors import Finding
from reachmap.layers import LAYERS
from reachmap.threads import side_by_side

if TYPE_CHECKING:
    import geopandas as gpd
    from affine import Affine

BAND = 1 << 20
"""Cells of a map looked through at once; assumed."""


@dataclass(frozen=True)
class Grid:
    """A north-up grid of square cells in the beat's CRS.

    Parameters
    ----------
    x0, y1 : outer corner, west and north [m]
    cell_m : cell size [m]
    wet : (rows, columns) bool, True where the cell centre is in the water
    """

    x0: float
    y1: float
    cell_m: float
    wet: np.ndarray

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.wet.shape[0], self.wet.shape[1]

    @property
    def transform(self) -> Affine:
        """Affine transform from (column, row) to (x, y), as rasterio wants it."""
        from affine import Affine

        return Affine(self.cell_m, 0.0, self.x0, 0.0, -self.cell_m, self.y1)

    @cached_property
    def cells(self) -> tuple[np.ndarray, np.ndarray]:
        """Row and column of every wet cell, int32 (n_wet,), row by row."""
        ends = np.concatenate([[0], np.cumsum(np.count_nonzero(self.wet, axis=1))])
        rows = np.repeat(np.arange(self.shape[0], dtype=np.int32), np.diff(ends))
        cols = np.empty(len(rows), np.int32)

        step = max(1, BAND // self.shape[1])

        def find(top: int) -> None:
            band = self.wet[top : top + step]
            here = slice(ends[top], ends[top + len(band)])
            # Column from the place in the whole band: asking numpy for both costs more.
            cols[here] = np.flatnonzero(band) - (rows[here] - top) * self.shape[1]

        side_by_side(find, range(0, self.shape[0], step))
        return rows, cols

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

    def beside_land(self, down: int, right: int) -> np.ndarray:
        """Wet cells whose neighbour so many rows down and columns right is dry, in rising order; a step of one."""
        inner = tuple(slice(1, n - 1) for n in self.shape)
        beside = tuple(slice(1 + step, n - 1 + step) for step, n in zip((down, right), self.shape, strict=True))
        return self.index[inner][self.wet[inner] & ~self.wet[beside]]

    def full_blocks(self, merge: int) -> np.ndarray:
        """Which blocks of `merge` x `merge` cells are all water, (rows, columns) of blocks; none beyond the map is."""
        return over_blocks(self.wet, merge, np.logical_and, False)

    def points(self, cells: np.ndarray | slice) -> np.ndarray:
        """Centres of some wet cells, east and north (n, 2) [m]."""
        rows, cols = (index[cells] for index in self.cells)
        return np.column_stack([self.x0 + (cols + 0.5) * self.cell_m, self.y1 - (rows + 0.5) * self.cell_m])

    def spread(self, values: np.ndarray, dry: float = np.nan) -> np.ndarray:
        """Lay a wet vector (n_wet,) out as a (rows, columns) map, `dry` where there is no water."""
        out = np.full(self.shape, dry, values.dtype if np.isfinite(dry) else np.float32)
        out[self.wet] = values
        return out

    def gather(self, field_map: np.ndarray) -> np.ndarray:
        """The wet cells of a (rows, columns) map as a vector (n_wet,)."""
        return field_map[self.wet]

    @cached_property
    def index(self) -> np.ndarray:
        """(rows, columns) int32: position of each cell in a wet vector, -1 where dry."""
        out = np.full(self.shape, -1, np.int32)
        out[self.wet] = np.arange(self.n_wet, dtype=np.int32)
        return out

    def locate(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Position in a wet vector of the cell under each point, -1 where dry or off the grid; int32."""
        col = np.floor((np.asarray(x) - self.x0) / self.cell_m).astype(int)
        row = np.floor((self.y1 - np.asarray(y)) / self.cell_m).astype(int)
        inside = (row >= 0) & (row < self.shape[0]) & (col >= 0) & (col < self.shape[1])
        out = np.full(row.shape, -1, np.int32)
        out[inside] = self.index[row[inside], col[inside]]
        return out


@dataclass(frozen=True)
class Channel:
    """One beat's water at one stage.

    Parameters
    ----------
    beat : what it was made from
    grid : the cells
    layers : wet vectors by name (see `reachmap.layers`), float32 (n_wet,)
    seams : GeoDataFrame of lines along the current: contrast_m_s, scale_m, slow_side ("left" or "right"
        looking downstream), length_m
    report : what was measured about the work itself (errors held out, choices made), plain values by name
    stage_m : water level above the survey [m]
    flow_m3_s : flow through the reach [m3/s], None where only relative speed is known
    depth_guessed, speed_relative : True where no soundings or no speed and no flow were given
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
