"""How fast the water passes every section of a reach: what a speed measured in one tells of another."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np

from reachmap.channel.ground import Ground
from reachmap.channel.reach import Reach
from reachmap.threads import pieces

SECTION_NODES = 2
"""Length of a section in nodes of the mesh: short beside a neck, and with cells all the way across; assumed."""


@dataclass(frozen=True)
class Passing:
    """How fast the water passes each section, by the solve: faster where there is less room for it.

    Parameters
    ----------
    along : middles of the sections along the river (n_sections,) [m]
    speed : mean speed of what passes over that of the typical section (n_sections,) [-]
    """

    along: np.ndarray
    speed: np.ndarray

    @classmethod
    def make(cls, reach: Reach, ground: Ground, depth_m: np.ndarray, sounded_m: np.ndarray) -> Passing:
        """From the solve over depths (n_wet,) [m]; each cell counts by what passes it, so that a still bay does not.

        Past the outermost soundings, places along the river (n,) [m], where a depth that runs out would make the water
        race, it is no faster and no slower than between them.
        """
        along, unit = reach.cells.along, ground.unit_speed
        start, length_m = float(along.min()), SECTION_NODES * reach.mesh.size_m
        # What is left over at the end may be a cell or two by one bank: it counts with the section before it.
        last = max(int((float(along.max()) - start) / length_m) - 1, 0)

        def sums(cells: slice) -> np.ndarray:
            section = np.minimum(((along[cells] - start) / length_m).astype(np.int32), last)
            passes = unit[cells] * depth_m[cells]
            return np.array([np.bincount(section, passes * v, last + 1) for v in (1.0, unit[cells], along[cells])])

        # In pieces, as bincount makes everything eight bytes wide.
        flow, fast, far = reduce(np.add, map(sums, pieces(len(along))))
        some = flow > 0.0
        middle, speed = far[some] / flow[some], fast[some] / flow[some]
        known = (middle >= sounded_m.min(initial=np.inf)) & (middle <= sounded_m.max(initial=-np.inf))
        between = speed[known] if known.any() else speed
        speed = np.clip(speed, between.min(), between.max())
        return cls(middle, speed / np.median(speed))

    def at(self, along_m: np.ndarray) -> np.ndarray:
        """At some places along the river (n,) [-]."""
        return np.interp(along_m, self.along, self.speed)
