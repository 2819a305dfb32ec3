"""What a trout makes out: the value that travels out of the sight room."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from reachmap.beat.model import Fish, Scene


@dataclass(frozen=True)
class Sight:
    """Sighting in one scene: sighting_range [m] and decide_time [s] as wet vectors (n_wet,) float32."""

    scene: Scene
    fish: Fish
    layers: Mapping[str, np.ndarray]

    def __getitem__(self, name: str) -> np.ndarray:
        """The wet vector of one layer."""
        return self.layers[name]
