"""Where they hold: the values that travel out of the trout room."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from reachmap.beat.model import Fish, Scene
from reachmap.layers import Derived, WetCells
from reachmap.light.model import Light
from reachmap.sight.model import Sight

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

FACTORS = ("food", "nose", "depth", "light", "cover", "seam")
"""Factors of the score in the order of the `limiting` layer, which holds their position counted from 1."""

SCORE_WORDS = (
    (0.15, "rarely"),
    (0.35, "now and then"),
    (0.55, "fair"),
    (0.75, "likely"),
    (1.0, "best water"),
)
"""What a score below each edge is called, on the map and where the log is held against it; assumed."""

LIE_CLASSES = ("sheltering", "feeding", "prime")
"""The trade's own classes of lies (common practice)."""


@dataclass(frozen=True)
class Holding:
    """Scores of one scene.

    Parameters
    ----------
    scene, fish : what was scored
    layers : hold_day, hold_night, hold, limiting, and the light_bed they were scored in (n_wet,) float32
    factors_day, factors_night : suitability by day and by night
    engine : "ordinary" or "energy"
    weights_day, weights_night : factor name -> weight in the score
    """

    scene: Scene
    fish: Fish
    layers: Derived
    factors_day: Derived
    factors_night: Derived
    engine: str = "ordinary"
    weights_day: Mapping[str, float] = field(default_factory=dict)
    weights_night: Mapping[str, float] = field(default_factory=dict)

    def __getitem__(self, name: str) -> np.ndarray:
        """The wet vector of one layer."""
        return self.layers[name]

    def at(self, name: str, cells: WetCells) -> np.ndarray:
        """One layer in some cells."""
        return self.layers.part(name, cells)


@dataclass(frozen=True)
class Outlook:
    """What one scene comes to: its light, what the fish sees in it, and where it holds."""

    light: Light
    sight: Sight
    holding: Holding

    @property
    def scene(self) -> Scene:
        """The scene itself."""
        return self.light.scene


@dataclass(frozen=True)
class Lies:
    """The lies of a beat over all its scenes, numbered once, from downstream to upstream.

    Parameters
    ----------
    table : GeoDataFrame, one row a lie, index `lie` (1..n): geometry (patch), kind (one of `LIE_CLASSES`),
        area_m2, along_m, across_m, depth_m, nose_m_s, drift_m_s (means over the patch), x, y (tag point inside)
    scenes : scene name -> DataFrame with the same index: rank (1 best, 0 below the least score),
        score (mean of `hold` over the patch), limiting (factor name), why (one sentence), lasting
        (what of it holds at other hours of such light), light_lux, sighting_m, decide_s (means over the patch), sure
        (share of draws in the top five, NaN if not run or of no more than five)
    label : (n_wet,) float32, the `lie` layer
    report : counts and choices, plain values
    """

    table: gpd.GeoDataFrame
    scenes: Mapping[str, pd.DataFrame]
    label: np.ndarray
    report: Mapping[str, Any]

    @cached_property
    def cells(self) -> Mapping[int, np.ndarray]:
        """Number of each lie -> its wet cells in rising order."""
        taken = np.flatnonzero(self.label)
        number = self.label[taken].astype(int)
        return {int(n): taken[number == n] for n in self.table.index}


@dataclass(frozen=True)
class Comparison:
    """What changes from one scene (or fish, or engine) to another on the same water.

    Parameters
    ----------
    before, after : names of the two
    difference : (n_wet,) float32, score after minus score before
    table : DataFrame, index `lie`: before, after (mean scores), gain, what (one of `CHANGES`), factor (the one that
        moved most, "" where the score hardly moved), why (a few words)
    told : what becomes of the water and its lies in plain words, to follow the names
    """

    before: str
    after: str
    difference: np.ndarray
    table: pd.DataFrame
    told: str

    @property
    def paragraph(self) -> str:
        """The whole in plain words."""
        return f"From {self.before} to {self.after} {self.told}"


CHANGES = ("appears", "gains", "holds", "loses", "vanishes")
"""What can become of a lie from one scene to another."""
