"""Section hydraulics: roughness, conveyance, discharge from a measured section, first guesses of shape.

Textbook relations of open-channel flow for one cross-section or one value; nothing here knows about grids.
SI units throughout. Coefficients carry their source and whether it was read or is from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

D84_OVER_D50 = 2.2
"""D84 / D50 of a gravel bed, used only to feed Strickler's D50; assumed."""

JARRETT_RADIUS_M, JARRETT_SLOPE = (0.15, 1.68), (0.002, 0.04)
"""Range of Jarrett (1984), J. Hydraul. Eng. 110(11):1519."""

LIMERINOS_RADIUS_M, LIMERINOS_D84_M = (0.31, 3.32), (0.019, 0.747)
"""Range of Limerinos (1970), USGS Water-Supply Paper 1898-B."""

DEPTH_OF_FLOW = (0.409, 0.294)
"""Mean depth = 0.409 Q^0.294 [m, m3/s]; Raymond et al. 2012, Limnology and Oceanography: Fluids and Environments 2:41
(read where it is quoted, not in the paper)."""

WIDTH_OF_FLOW = (12.88, 0.42)
"""Width = 12.88 Q^0.42 [m, m3/s] (same paper; from memory)."""

BEND_RATIO = (1.4, 2.1)
"""Maximum over mean depth in a bend is kept inside this range; assumed, about the spread of the published rules."""


def jarrett_n(radius_m: np.ndarray | float, slope: float) -> np.ndarray:
    """Manning's n of steep streams, 0.32 S^0.38 R^-0.16 (Jarrett 1984; metric form).

    Meant for 0.15 < R < 1.68 m and 0.002 < S < 0.04.
    """
    return 0.32 * slope**0.38 * np.asarray(radius_m) ** -0.16


def limerinos_n(radius_m: np.ndarray | float, d84_m: float) -> np.ndarray:
    """Manning's n of gravel and cobble, 0.1129 R^(1/6) / (1.16 + 2 log10(R / D84)) (Limerinos 1970).

    Meant for 0.31 < R < 3.32 m and 19 < D84 < 747 mm.
    """
    radius = np.asarray(radius_m)
    return 0.1129 * radius ** (1 / 6) / (1.16 + 2 * np.log10(radius / d84_m))


def strickler_n(d50_m: float) -> float:
    """Manning's n of a plane bed, D50^(1/6) / 21.1 with D50 in metres (Strickler 1923)."""
    return d50_m ** (1 / 6) / 21.1


def bed_n(radius_m: float, d84_m: float, slope: float | None = None) -> tuple[float, str]:
    """Manning's n from what is known of the bed, and the name of the relation it comes from.

    Where the slope is known and steep Jarrett, which includes the drag of a broken water surface; else, on gravel and
    cobble, Limerinos; else Strickler with D50 = D84 / 2.2 (assumed). Shallower, deeper or steeper than a relation was
    made for, n stays at what it gives at the end of its range (assumed): another relation there would make less water
    run two or three times as fast.
    """
    if slope is not None and slope > JARRETT_SLOPE[0]:
        return float(jarrett_n(np.clip(radius_m, *JARRETT_RADIUS_M), min(slope, JARRETT_SLOPE[1]))), "Jarrett 1984"
    if LIMERINOS_D84_M[0] < d84_m < LIMERINOS_D84_M[1]:
        # Water no deeper than its stones are high is beyond the relation too.
        return float(limerinos_n(max(np.clip(radius_m, *LIMERINOS_RADIUS_M), d84_m), d84_m)), "Limerinos 1970"
    return strickler_n(d84_m / D84_OVER_D50), "Strickler 1923"


def mean_depth_from_flow(flow_m3_s: float) -> float:
    """Mean depth of a stream that carries this flow [m], see `DEPTH_OF_FLOW`; +-50 %."""
    factor, power = DEPTH_OF_FLOW
    return factor * flow_m3_s**power


def flow_from_width(width_m: float) -> float:
    """The flow of a stream that is this wide [m3/s], see `WIDTH_OF_FLOW`."""
    factor, power = WIDTH_OF_FLOW
    return (width_m / factor) ** (1 / power)


def flow_from_section(area_m2: float) -> float:
    """The flow of a stream whose section has this area [m3/s]: width times mean depth as they go with the flow.

    So the speed, flow over area, goes as the 0.4th power of the area only.
    """
    (wide, power_wide), (deep, power_deep) = WIDTH_OF_FLOW, DEPTH_OF_FLOW
    return (area_m2 / (wide * deep)) ** (1 / (power_wide + power_deep))


def bend_depth_ratio(radius_over_width: np.ndarray, width_over_depth: np.ndarray | float) -> np.ndarray:
    """Greatest over mean depth in a bend, 1.8 - 0.051 Rc/W + 0.0084 W/D (Maynord 1996, from memory).

    Meant for 1.5 <= Rc/W < 10 and 20 <= W/D < 125; inputs outside are moved to the edge of that range and the
    ratio is kept within 1.4-2.1 (assumed). `radius_over_width` Rc/W, `width_over_depth` W/D, both [-].
    """
    bend = np.clip(radius_over_width, 1.5, 10.0)
    shape = np.clip(width_over_depth, 20.0, 125.0)
    return np.clip(1.8 - 0.051 * bend + 0.0084 * shape, *BEND_RATIO)


def asymmetric_section(share: np.ndarray, thalweg: np.ndarray | float) -> np.ndarray:
    """Depth over greatest depth across a section whose deepest point lies at `thalweg` (Deutsch & Wang 1996).

    4 t^B (1 - t^B), B = -ln 2 / ln a, mirrored when a > 0.5; exactly 1 at t = a, 0 at both banks.
    `share` t, 0 at one bank to 1 at the other; `thalweg` a, between 0 and 1.
    """
    share, thalweg = np.broadcast_arrays(np.clip(share, 0.0, 1.0), np.clip(thalweg, 0.02, 0.98))
    mirrored = thalweg > 0.5
    t = np.where(mirrored, 1.0 - share, share)
    power = t ** (-np.log(2.0) / np.log(np.where(mirrored, 1.0 - thalweg, thalweg)))
    return 4.0 * power * (1.0 - power)


@dataclass(frozen=True)
class SectionDischarge:
    """Discharge of one measured section.

    Parameters
    ----------
    flow_m3_s, area_m2 : total through the section, wetted area
    panels_m3_s : (n,) share of each vertical
    """

    flow_m3_s: float
    area_m2: float
    panels_m3_s: np.ndarray

    @property
    def largest_share(self) -> float:
        """The largest share of one vertical in the flow; good practice keeps it below 0.05-0.10."""
        return float(np.abs(self.panels_m3_s).max() / abs(self.flow_m3_s)) if self.flow_m3_s else 1.0


def midsection_discharge(station_m: np.ndarray, depth_m: np.ndarray, speed_m_s: np.ndarray) -> SectionDischarge:
    """Discharge by the midsection method (USGS Water-Supply Paper 2175).

    q_i = v_i d_i (b_(i+1) - b_(i-1)) / 2; an edge vertical takes half its end gap.

    Parameters
    ----------
    station_m : (n,) distance across, ascending [m]; the water's edges are verticals of depth 0
    depth_m, speed_m_s : (n,) depth [m] and depth-mean speed [m/s] at each vertical
    """
    widths = np.empty(len(station_m))
    widths[1:-1] = (station_m[2:] - station_m[:-2]) / 2
    widths[0], widths[-1] = (station_m[1] - station_m[0]) / 2, (station_m[-1] - station_m[-2]) / 2
    panels = speed_m_s * depth_m * widths
    return SectionDischarge(float(panels.sum()), float((depth_m * widths).sum()), panels)


def mean_section_discharge(station_m: np.ndarray, depth_m: np.ndarray, speed_m_s: np.ndarray) -> float:
    """Discharge by the mean-section method [m3/s]: between two verticals, mean speed times mean depth times gap.

    Arguments as for `midsection_discharge`. The difference of the two methods says how well the verticals are spaced.
    """
    speed = (speed_m_s[1:] + speed_m_s[:-1]) / 2
    depth = (depth_m[1:] + depth_m[:-1]) / 2
    return float(np.sum(speed * depth * np.diff(station_m)))
