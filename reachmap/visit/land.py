"""The land by the water: how high it stands, and what on it nobody stands in or casts through."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import shapely

from reachmap.beat.model import Beat
from reachmap.channel.cover import stones
from reachmap.channel.model import Channel
from reachmap.light.heights import grounds, prisms

BANK_M = 0.3
"""Height of the bank above the water where nothing more is known (assumed) [m]."""

HIGHEST_M = 1.5
"""Nobody is sent onto land that stands higher than this above the water: rock, a bluff or, in a surface model, what
grows there (assumed) [m]."""

FOOT_ROOM_M = 1.0
"""Land counts as high as it is so far to each side, for nobody stands at the foot of a wall or on the edge of one
(assumed) [m]."""

HINDERS = ("tree", "hedge", "wall")
"""Kinds of shade nobody stands in or can well cast through."""

CLEAR_M = 4.0
"""Branches from this height above the water up hinder neither (assumed) [m]."""


LEVEL_M, LEVEL_SHARE, LEVEL_CELLS = 20.0, 0.1, 200_000
"""A surface model's height of the water is taken for so much of the river [m] by this quantile, as trees hang over it,
of so many cells at most in all; assumed."""


@dataclass(frozen=True)
class Land:
    """The land by some water, as far as the beat's files tell of it."""

    channel: Channel

    @property
    def beat(self) -> Beat:
        """What was measured."""
        return self.channel.beat

    @cached_property
    def growth(self) -> shapely.STRtree:
        """Outlines of the crowns, hedges and walls low enough to be in the way."""
        shade = self.beat.shade
        blocks = prisms(shade[shade["kind"].isin(HINDERS) & (shade["base_m"] < CLEAR_M)])
        return shapely.STRtree([shapely.Polygon(block.xy) for block in blocks])

    @cached_property
    def solid(self) -> shapely.STRtree:
        """Piers and high banks: no cast goes through one, nor can one stand on or behind it."""
        piers = [area for kind, area, _ in stones(self.beat) if kind == "pier"]
        area, height = self._banks
        return shapely.STRtree([*piers, *area[height > HIGHEST_M]])

    @cached_property
    def _banks(self) -> tuple[np.ndarray, np.ndarray]:
        """Areas of the banks of the shade file, and how high they stand above the water (n,) [m]."""
        banks = self.beat.shade[self.beat.shade["kind"] == "bank"]
        return grounds(banks), banks["height_m"].to_numpy(float)

    @cached_property
    def _levels(self) -> tuple[np.ndarray, np.ndarray]:
        """Places along the river [m] and how high the surface model has the water there over that of the survey [m]."""
        grid, terrain = self.channel.grid, self.beat.terrain
        some = np.arange(0, grid.n_wet, -(-grid.n_wet // LEVEL_CELLS))
        height = terrain.above_water(*grid.points(some).T) if terrain is not None else np.full(len(some), np.nan)
        part = (self.channel["along"][some] / LEVEL_M).astype(int)
        level = pd.Series(height).groupby(part).quantile(LEVEL_SHARE).dropna()
        if level.empty:
            return np.zeros(1), np.zeros(1)
        return (level.index.to_numpy() + 0.5) * LEVEL_M, level.to_numpy()

    def rise(self, x: np.ndarray, y: np.ndarray, cell: np.ndarray) -> np.ndarray:
        """How high the land stands above the water beside it at some places (n,) [m]: at least `BANK_M`.

        Parameters
        ----------
        x, y : the places [m]
        cell : the wet cell nearest to each
        """
        out = np.full(len(x), BANK_M)
        places = shapely.points(x, y)
        for area, height in zip(*self._banks, strict=True):
            out = np.where(shapely.dwithin(area, places, FOOT_ROOM_M), np.maximum(out, height), out)
        if self.beat.terrain is not None:
            level = np.interp(self.channel["along"][cell], *self._levels) + self.channel.stage_m
            for east, north in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)):
                height = self.beat.terrain.above_water(x + east * FOOT_ROOM_M, y + north * FOOT_ROOM_M)
                out = np.fmax(out, height - level)
        return out
