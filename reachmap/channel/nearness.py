"""How much every sounding counts at stations along the river."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.spatial import cKDTree

REACH_WIDTHS = 3.0
"""Soundings this many widths away along the river (standard deviation) still count; assumed."""

FARTHEST, HARDLY = 7.5, 1e-12
"""Soundings farther off than so many standard deviations count with no more than this weight, which all have."""

STATIONS_A_WIDTH = 2
"""Stations to every width of the river's length; assumed."""


@dataclass(frozen=True)
class Nearness:
    """How much every sounding (columns) counts at every station along the river (rows); those far off hardly do.

    Parameters
    ----------
    station : (n,) along the river [m]
    weight : (n, soundings)
    """

    station: np.ndarray
    weight: sp.csr_array

    @classmethod
    def of(cls, along: np.ndarray, length_m: float, width_m: float) -> Nearness:
        """For soundings so far along (m,) a river of this length and width [m]."""
        station = np.linspace(0.0, length_m, max(2, int(STATIONS_A_WIDTH * length_m / width_m)))
        scale = REACH_WIDTHS * width_m
        stations, soundings = (cKDTree(at[:, None] / scale) for at in (station, along))
        apart = stations.sparse_distance_matrix(soundings, FARTHEST, output_type="coo_matrix")
        return cls(station, sp.csr_array((np.exp(-0.5 * apart.data**2), (apart.row, apart.col)), apart.shape))

    def sum(self, values: np.ndarray) -> np.ndarray:
        """Weighted sum of what was found at the soundings, for every station."""
        return self.weight @ values + HARDLY * values.sum()

    def spread(self, values: np.ndarray) -> np.ndarray:
        """Standard deviation of what was found at the soundings around every station."""
        count = self.sum(np.ones(len(values)))
        mean = self.sum(values) / count
        return np.sqrt(np.maximum(self.sum(values**2) / count - mean**2, 0.0))
