"""What a trout makes out: the value that travels out of the sight room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reachmap.layers import Derived, WetCells


@dataclass(frozen=True)
class Sight:
    """Sighting in one scene: sighting_range [m] and decide_time [s] of every wet cell, float32."""

    layers: Derived

    def __getitem__(self, name: str) -> np.ndarray:
        """The wet vector of one layer."""
        return self.layers[name]

    def at(self, name: str, cells: WetCells) -> np.ndarray:
        """One layer in some cells."""
        return self.layers.part(name, cells)
