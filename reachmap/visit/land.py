"""The land by the water: how high it stands, and what on it nobody stands in or casts through."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from reachmap.beat.model import Beat
from reachmap.channel.cover import stones
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


@dataclass(frozen=True)
class Land:
    """The land of a beat, as far as its files tell of it."""

    beat: Beat

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
        return shapely.STRtree([*piers, *self._bluffs])

    def below_bluff(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Whether places lie at the foot of a high bank of the shade file, where nobody gets down to the water (n,)."""
        out = np.zeros(len(x), bool)
        out[shapely.STRtree(self._bluffs).query(shapely.points(x, y), "dwithin", FOOT_ROOM_M)[0]] = True
        return out

    @property
    def _bluffs(self) -> np.ndarray:
        area, height = self._banks
        return area[height > HIGHEST_M]

    @cached_property
    def _banks(self) -> tuple[np.ndarray, np.ndarray]:
        """Areas of the banks of the shade file, and how high they stand above the water (n,) [m]."""
        banks = self.beat.shade[self.beat.shade["kind"] == "bank"]
        return grounds(banks), banks["height_m"].to_numpy(float)

    def rise(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """How high the land stands above the water at some places (n,) [m]: at least `BANK_M`."""
        out = np.full(len(x), BANK_M)
        places = shapely.points(x, y)
        for area, height in zip(*self._banks, strict=True):
            out = np.where(shapely.dwithin(area, places, FOOT_ROOM_M), np.maximum(out, height), out)
        if self.beat.terrain is not None:
            for east, north in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)):
                height = self.beat.terrain.above_water(x + east * FOOT_ROOM_M, y + north * FOOT_ROOM_M)
                out = np.fmax(out, height)
        return out
