"""Everything that shades one channel, laid out once and asked by sun, moon and sky alike."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from functools import cached_property

import numpy as np

from reachmap.channel.model import Channel, Grid
from reachmap.channel.rescale import Rescale, make_rescale
from reachmap.light.canopy import leaves_on
from reachmap.light.heights import Prism, prisms
from reachmap.light.horizon import Horizon, Surroundings, look_round
from reachmap.light.model import Body
from reachmap.light.shadow import (
    CENTRE,
    QUARTERS,
    WIDE_CELLS,
    Cells,
    Spots,
    Things,
    chords,
    in_blocks,
    optical_depth,
    within_reach,
)
from reachmap.light.sky import sky_shares
from reachmap.light.surface import bed_offset, refracted

SKY_UNDER_COVER = 0.95
"""Share of the sky's light that full overhead cover takes; the rest comes in from the open side (assumed). The beam
is taken whole."""


DAY_CELL_M = 0.5
"""Finer cells are merged to about this size for the shade of a whole day: what a guide sees move over the water [m]."""

SKY_CELL_M = 1.0
"""Finer cells are merged to about this size for the share of the sky, which changes slowly, and read between
(rms error under 0.01 beside trees and walls: tests/light/test_shade.py) [m]."""


@dataclass(frozen=True)
class Layout:
    """The water's cells, or larger ones, with what can shade them.

    Parameters
    ----------
    scaling : from the channel's cells to these
    cells : these cells in blocks, each in the middle of its water
    things : trees, hedges, walls, bridges, banks, and the cells each can reach
    horizon : of the land, None without a surface model
    """

    scaling: Rescale
    cells: Cells
    things: Things
    horizon: Horizon | None

    @classmethod
    def make(
        cls, grid: Grid, depth_m: np.ndarray, solids: tuple[Prism, ...], land: Surroundings | None, size_m: float
    ) -> Layout:
        """Lay out a grid's water on cells merged to about a size [m]; a coarser grid stays as it is."""
        scaling = make_rescale(grid, max(size_m, grid.cell_m))
        cells = in_blocks(scaling.work, scaling.to_work(depth_m), *scaling.middles().T)
        return cls(scaling, cells, within_reach(solids, cells), None if land is None else land.of(cells))

    @cached_property
    def _with_rays(self) -> tuple[tuple[Things, Spots], ...]:
        """Narrow things, for which every cell takes four rays, and wide ones, for which one is enough."""
        wide = self.things.wide_m > WIDE_CELLS * self.cells.cell_m
        return (self.things.only(~wide), QUARTERS), (self.things.only(wide), CENTRE)

    def beam(self, body: Body, leaf_on: bool, quick: bool = False) -> np.ndarray:
        """Share of the direct beam that reaches the bed of each cell, float32, 0 while the body is down.

        `quick` takes one ray a cell for what is many cells wide. The bed is lit through a point of the surface nearer
        to the body, so its shade is looked up there; a low body stands as high as refraction in the air shows it.
        """
        altitude = float(refracted(body.altitude_deg))
        lit = self._lit(body.azimuth_deg, altitude)
        share = np.ones(len(self.cells.x), np.float32) if lit is None else lit.astype(np.float32)
        if not share.any():
            return share
        offset = float(bed_offset(1.0, altitude))
        for things, spots in self._with_rays if quick else ((self.things, QUARTERS),):
            for over in chords(self.cells, things, body.azimuth_deg, altitude, offset, spots, lit):
                passed = np.exp(-optical_depth(things, over, altitude, leaf_on)).mean(axis=0)
                np.multiply.at(share, over.cells, passed.astype(np.float32))
        return self._wet(share)

    def _lit(self, azimuth_deg: float, altitude_deg: float) -> np.ndarray | None:
        """The cells over which a body stands above the land (n_wet,) bool; None for all."""
        if altitude_deg <= 0.0:
            return np.zeros(len(self.cells.x), bool)
        if self.horizon is None:
            return None
        free = self.horizon.of_points(azimuth_deg) < altitude_deg
        return None if free.all() else free[self.horizon.nearest]

    def sky(self, leaf_on: bool) -> tuple[np.ndarray, np.ndarray]:
        """Share of scattered light that reaches each cell: (uniform, overcast) sky, float32 0-1."""
        uniform, overcast = sky_shares(self.cells, self.things, self.horizon, leaf_on)
        return self._wet(uniform), self._wet(overcast)

    def _wet(self, values: np.ndarray) -> np.ndarray:
        """From block order to a wet vector."""
        out = np.empty(len(values), np.float32)
        out[self.cells.order] = values
        return out


@dataclass(frozen=True)
class Shade:
    """What shades one channel.

    Parameters
    ----------
    channel : whose water
    leaf_on : leaves on the trees; None lets each scene or day decide
    solids : trees, hedges, walls, bridges, banks as blocks
    """

    channel: Channel
    leaf_on: bool | None
    solids: tuple[Prism, ...]
    _sky: dict[bool, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict, repr=False, compare=False)
    _last: dict[tuple[float, float, bool], np.ndarray] = field(default_factory=dict, repr=False, compare=False)

    def leaves(self, wanted: bool | None, day: date) -> bool:
        """Leaf state: as wanted by a scene, else as this shade was laid out, else by date and hemisphere."""
        for state in (wanted, self.leaf_on):
            if state is not None:
                return state
        return leaves_on(day, self.channel.beat.lat)

    def beam(self, body: Body, leaf_on: bool) -> np.ndarray:
        """Share of the direct beam that reaches the bed of each cell (n_wet,) float32, 0 while the body is down.

        The last one is remembered: scenes under another sky ask for the same sun again.
        """
        asked = body.azimuth_deg, body.altitude_deg, leaf_on
        if asked not in self._last:
            share = self._fine.beam(body, leaf_on) * (1.0 - self.channel["overhead"])
            self._last.clear()
            self._last[asked] = share
        return self._last[asked]

    def beam_of_day(self, body: Body, leaf_on: bool) -> np.ndarray:
        """The same on cells merged to about `DAY_CELL_M` (n_places,), see `place`."""
        return self._day.beam(body, leaf_on, quick=self.place is not None) * (1.0 - self._day_overhead)

    @property
    def place(self) -> np.ndarray | None:
        """For every wet cell its place among the merged cells of the day (n_wet,); None where none are merged."""
        scaling = self._day.scaling
        return scaling.place if scaling.merge > 1 else None

    @property
    def n_places(self) -> int:
        """Number of merged cells of the day."""
        return self._day.scaling.work.n_wet

    def sky(self, leaf_on: bool) -> tuple[np.ndarray, np.ndarray]:
        """Share of scattered light that reaches the water: (uniform, overcast) sky, (n_wet,) float32 0-1.

        Worked out on cells merged to about `SKY_CELL_M` and read between them. Overhead cover takes its share away.
        Worked out once per leaf state.
        """
        if leaf_on not in self._sky:
            layout = self._laid(SKY_CELL_M)
            cover = 1.0 - np.float32(SKY_UNDER_COVER) * self.channel["overhead"]
            uniform, overcast = (layout.scaling.from_work(share) * cover for share in layout.sky(leaf_on))
            self._sky[leaf_on] = uniform, overcast
        return self._sky[leaf_on]

    def know_sky(self, leaf_on: bool, uniform: np.ndarray, overcast: np.ndarray) -> None:
        """Take shares of the sky worked out before, as `sky` gives them."""
        self._sky[leaf_on] = uniform, overcast

    def _laid(self, size_m: float) -> Layout:
        channel = self.channel
        return Layout.make(channel.grid, channel["depth"], self.solids, self._land, size_m)

    @cached_property
    def _land(self) -> Surroundings | None:
        return look_round(self.channel.beat.terrain, self.channel.beat.skyline, self.channel.grid)

    @cached_property
    def _fine(self) -> Layout:
        return self._laid(0.0)

    @cached_property
    def _day(self) -> Layout:
        return self._laid(DAY_CELL_M) if self.channel.grid.cell_m <= DAY_CELL_M / 2 else self._fine

    @cached_property
    def _day_overhead(self) -> np.ndarray:
        return self._day.scaling.to_work(self.channel["overhead"])


def prepare_shade(channel: Channel, leaf_on: bool | None = None) -> Shade:
    """Lay out everything that shades a channel; do it once and hand it to every scene and day.

    Parameters
    ----------
    channel : the water; its beat's shade file and surface model are used
    leaf_on : force leaves on or off; None lets each scene or day decide
    """
    return Shade(channel, leaf_on, prisms(channel.beat.shade))
