"""What to do about it: the values that travel out of the visit room."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd


@dataclass(frozen=True)
class Caution:
    """One caution.

    Parameters
    ----------
    key : a stable name
    text : a sentence for a person
    brief : the same in few words, of what must never be folded away; "" of others
    after_dark : it must not then only
    in_season : it must not in the spawning season only
    from_c : it must not of water as warm as that only [degC]; None of any
    """

    key: str
    text: str
    brief: str = ""
    after_dark: bool = False
    in_season: bool = False
    from_c: float | None = None

    def grave(self, dark: bool) -> bool:
        """Whether it must not be folded away, in daylight or in the dark."""
        return bool(self.brief) and (dark or not self.after_dark)


@dataclass(frozen=True)
class Visit:
    """Lanes, stances, hours and cautions of a beat.

    Parameters
    ----------
    lanes : GeoDataFrame of lines in the direction of drift: lie, lane (1..), lead_m (how far up the lane the fly must
        land to sink to the lie) with lead_least_m and lead_most_m (one that sinks faster or slower, the latter no
        farther than the lane goes), all NaN where something stands nearer than that: shut_by ("boulder", "pier",
        "land"; else "") within shut_within_m of the lie; in_view_s, drift_m_s (of the fastest water beside the lie),
        crosses_seam (bool)
    stances : GeoDataFrame of points: lie, rank, how ("standing", "kneeling"), on ("bank", "water"), reason,
        cast_m, wading (class of the hardest step on the way there from a bank), when (hour and minute the sun was
        taken for), dark (whether it is then), dates (of the scenes under such a sun, year-month-day); for each of
        these dates for the hour a lie is met at first, and for one in the dark if that is by day, or the other way
        round, if the day has such
    hours : DataFrame, index time, one column a lie: hold score of the lie at that time; empty if not asked for
    eye : Series, index time: state of the eye over the lies, 1 day to 0 night; empty with `hours`
    orders : scene -> its best lies in the order to fish them, with time: those with a place to stand, or if none has
        any, as its words then say, all; DataFrame lie, when, why, step (of the scene's day), its attrs with the numbers
        of those it would be past midnight for (`late`) and the bank all are met from where nobody gets across (`bank`:
        "left", "right", else "either"); for the scenes of `seen`
    seen : scene -> lie -> plain facts of what the fish sees there (range_m, seconds, detail_mm_1m, colours,
        colours_at_m ...), for the first scene, and for the first of the other light if there is one
    layers : wading, wading_dark, redd (n_wet,) float32
    cautions : always shown
    """

    lanes: gpd.GeoDataFrame
    stances: gpd.GeoDataFrame
    hours: pd.DataFrame
    eye: pd.Series
    orders: Mapping[str, pd.DataFrame]
    seen: Mapping[str, Mapping[int, Mapping[str, Any]]]
    layers: Mapping[str, np.ndarray]
    cautions: tuple[Caution, ...]

    @property
    def order(self) -> pd.DataFrame:
        """The order of the first scene."""
        return next(iter(self.orders.values()))
