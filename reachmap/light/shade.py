"""Everything that shades one channel, laid out once and asked by sun, moon and sky alike."""

from __future__ import annotations

from collections.abc import MutableMapping
from dataclasses import dataclass, field
from datetime import date

import numpy as np

from reachmap.beat.model import Beat
from reachmap.channel.model import Channel, Grid
from reachmap.channel.rescale import make_rescale
from reachmap.light.canopy import leaves_on
from reachmap.light.heights import prisms
from reachmap.light.horizon import Horizon, horizon_of
from reachmap.light.model import Body
from reachmap.light.shadow import QUARTERS, Cells, Things, chords, in_blocks, optical_depth, within_reach
from reachmap.light.sky import sky_shares
from reachmap.light.surface import bed_offset, refracted

SKY_UNDER_COVER = 0.95
"""Share of the sky's light that full overhead cover takes; the rest comes in from the open side (assumed). The beam
is taken whole."""


DAY_CELL_M = 0.5
"""Finer cells are merged up to this size for the shade of a whole day: what a guide sees move over the water [m]."""


@dataclass(frozen=True)
class Shade:
    """What shades one channel.

    Parameters
    ----------
    lat : of the beat [deg]
    overhead : cover over the bed of each cell, 0-1 (n_wet,)
    leaf_on : leaves on the trees; None lets each scene or day decide
    cells : the wet cells in blocks
    things : trees, hedges, walls, bridges, banks, and the cells each can reach
    horizon : of the land, None without a surface model
    """

    lat: float
    overhead: np.ndarray
    leaf_on: bool | None
    cells: Cells
    things: Things
    horizon: Horizon | None
    _sky: MutableMapping[bool, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict, repr=False, compare=False)

    def leaves(self, wanted: bool | None, day: date) -> bool:
        """Leaf state: as wanted by a scene, else as this shade was laid out, else by date and hemisphere."""
        for state in (wanted, self.leaf_on):
            if state is not None:
                return state
        return leaves_on(day, self.lat)

    def sky(self, leaf_on: bool) -> tuple[np.ndarray, np.ndarray]:
        """Share of scattered light that reaches the water: (uniform, overcast) sky, (n_wet,) float32 0-1.

        Overhead cover takes its share away. Worked out once per leaf state.
        """
        if leaf_on not in self._sky:
            shares = sky_shares(self.cells, self.things, self.horizon, leaf_on)
            cover = 1.0 - np.float32(SKY_UNDER_COVER) * self.overhead
            self._sky[leaf_on] = (self._wet(shares[0]) * cover, self._wet(shares[1]) * cover)
        return self._sky[leaf_on]

    def beam(self, body: Body, leaf_on: bool) -> np.ndarray:
        """Share of the direct beam that reaches the bed of each cell (n_wet,) float32, 0 while the body is down.

        The bed is lit through a point of the surface nearer to the body, so its shade is looked up there; a low body
        stands as high as refraction in the air shows it.
        """
        altitude = float(refracted(body.altitude_deg))
        if altitude <= 0.0:
            return np.zeros(len(self.cells.x), np.float32)
        share = np.ones(len(self.cells.x), np.float32)
        offset = float(bed_offset(1.0, altitude))
        for thing, over in chords(self.cells, self.things, body.azimuth_deg, altitude, offset, QUARTERS):
            share[over.cells] *= np.exp(-optical_depth(thing, over, altitude, leaf_on)).mean(axis=0)
        if self.horizon is not None:
            share[self.horizon.toward(body.azimuth_deg) >= altitude] = 0.0
        return self._wet(share) * (1.0 - self.overhead)

    def _wet(self, values: np.ndarray) -> np.ndarray:
        """From block order to a wet vector."""
        out = np.empty(len(values), np.float32)
        out[self.cells.order] = values
        return out


def prepare_shade(channel: Channel, leaf_on: bool | None = None) -> Shade:
    """Lay out everything that shades a channel; do it once and hand it to every scene and day.

    Parameters
    ----------
    channel : the water; its beat's shade file and surface model are used
    leaf_on : force leaves on or off; None lets each scene or day decide
    """
    return _lay_out(channel.beat, channel.grid, channel["depth"], channel["overhead"], leaf_on)


def prepare_day_shade(channel: Channel, leaf_on: bool | None = None) -> tuple[Shade, np.ndarray | None]:
    """The same for a whole day's shade, on cells merged to no more than `DAY_CELL_M` where the channel's are finer.

    Returns
    -------
    shade, place : and for every wet cell of the channel its place among the merged cells; None where none were merged
    """
    scaling = make_rescale(channel.grid, max(DAY_CELL_M, channel.grid.cell_m))
    if scaling.merge == 1:
        return prepare_shade(channel, leaf_on), None
    depth, overhead = (scaling.to_work(channel[name]) for name in ("depth", "overhead"))
    return _lay_out(channel.beat, scaling.work, depth, overhead, leaf_on), scaling.place


def _lay_out(beat: Beat, grid: Grid, depth_m: np.ndarray, overhead: np.ndarray, leaf_on: bool | None) -> Shade:
    cells = in_blocks(grid, depth_m)
    things = within_reach(prisms(beat.shade), cells)
    horizon = horizon_of(beat.terrain, cells) if beat.terrain is not None else None
    return Shade(beat.lat, overhead, leaf_on, cells, things, horizon)
