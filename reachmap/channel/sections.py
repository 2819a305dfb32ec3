"""Discharge from the cross-sections hidden among the soundings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reachmap.channel.hydraulics import mean_section_discharge, midsection_discharge

FEWEST_SPEEDS = 5
"""Fewest verticals with a speed that make a section; assumed (good practice asks for about 20)."""

WIDEST_GAP, LONGEST_DRIFT = 0.35, 0.5
"""Largest gap between verticals, and spread along the river, of a section, in river widths; assumed."""


@dataclass(frozen=True)
class Section:
    """One measured cross-section.

    Parameters
    ----------
    line : its name in the soundings
    along_m : where it lies
    flow_m3_s, mean_section_m3_s : discharge by the midsection and by the mean-section method
    area_m2 : wetted area
    verticals : number of verticals with a speed
    largest_share : largest share of one vertical in the flow
    """

    line: str
    along_m: float
    flow_m3_s: float
    mean_section_m3_s: float
    area_m2: float
    verticals: int
    largest_share: float

    def plain(self) -> dict[str, float | int | str]:
        """As written in the run record."""
        return {
            "line": self.line,
            "method": "midsection",
            "along_m": round(self.along_m, 1),
            "flow_m3_s": round(self.flow_m3_s, 3),
            "mean_section_m3_s": round(self.mean_section_m3_s, 3),
            "area_m2": round(self.area_m2, 2),
            "verticals": self.verticals,
            "largest_share": round(self.largest_share, 3),
        }


def measured_sections(
    line: np.ndarray,
    along_m: np.ndarray,
    across_m: np.ndarray,
    width_m: np.ndarray,
    depth_m: np.ndarray,
    speed_m_s: np.ndarray,
) -> list[Section]:
    """Discharge of every line of soundings that crosses the whole river with enough speeds, by the midsection method.

    Parameters
    ----------
    line : (n,) name of the line each sounding belongs to, "" for none
    along_m, across_m, width_m : (n,) channel coordinates and local width; `across_m` is measured square to the
        current, so an oblique line is foreshortened as it should be
    depth_m, speed_m_s : (n,) depth and depth-mean speed, NaN where none was measured
    """
    found = []
    for name in np.unique(line[np.isfinite(speed_m_s) & (line != "")]):
        mine = np.nonzero((line == name) & np.isfinite(speed_m_s) & np.isfinite(depth_m))[0]
        mine = mine[np.argsort(across_m[mine], kind="stable")]
        width = float(np.median(width_m[mine])) if len(mine) else 0.0
        station, depth, speed = _verticals(across_m[mine], depth_m[mine], speed_m_s[mine], width)
        if len(mine) < FEWEST_SPEEDS or np.ptp(along_m[mine]) > LONGEST_DRIFT * width:
            continue
        if np.diff(station).max() > WIDEST_GAP * width:
            continue
        mid = midsection_discharge(station, depth, speed)
        if mid.flow_m3_s <= 0.0:
            continue
        mean = mean_section_discharge(station, depth, speed)
        place = float(np.mean(along_m[mine]))
        found.append(Section(str(name), place, mid.flow_m3_s, mean, mid.area_m2, len(mine), mid.largest_share))
    return found


def _verticals(
    across_m: np.ndarray, depth_m: np.ndarray, speed_m_s: np.ndarray, width_m: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The verticals with the two water's edges, where depth and speed are 0."""
    left = max(width_m / 2, across_m.max(initial=0.0))
    right = min(-width_m / 2, across_m.min(initial=0.0))
    edged = (np.concatenate([[a], values, [b]]) for a, values, b in ((right, across_m, left), (0, depth_m, 0)))
    station, depth = edged
    return station, depth, np.concatenate([[0.0], speed_m_s, [0.0]])
