"""Speed over the vertical: from a float or a meter to the mean, from the mean to the nose of a fish.

Log law u(z)/U = ln(z/z0) / (ln(h/z0) - 1 + z0/h) with z0 = 3.5 D84 / 30 (Prandtl, Nikuradse, Keulegan; Hey 1979;
from memory). It holds for relative depths h/D84 above about 4. In rougher, shallower water the profile isn't
resolved: the 1/7 power law stands in, which slows little toward the bed, and `profile_flag` says so for every cell.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import ndimage as ndi

from reachmap.beat.model import SPEED_HOW
from reachmap.channel.model import Grid
from reachmap.channel.rescale import shared_rescale
from reachmap.threads import in_pieces

ROUGHNESS_OF_D84 = 3.5
"""ks / D84 (Hey 1979; from memory); z0 = ks / 30."""

RESOLVED_DEPTH = 4.0
"""Smallest h / D84 for which the log law is used [-]; usual limit, from memory."""

FEEDING_HEIGHT_M, RESTING_HEIGHT_M, NOSE_SHARE = 0.10, 0.06, 0.4
"""Height of the nose above the bed of a feeding and a resting trout [m], never above this share of the depth.
Assumed; brown trout were usually in the lowest 5 cm of a sand-bed stream (Cotel, Webb & Tritico 2006)."""

METER_NEAR_BED_M = 0.05
"""Height of a reading called "near bed" [m]: the bottom of a small meter's reach; assumed."""

FLOAT_RANGE = (5.0, 1000.0)
"""Relative depths h/D84 between which the float coefficient varies [-] (lower end: Mazi et al.; upper: assumed)."""

FOOD_REACH_M = 1.0
"""How far beside a fish its food may pass [m]; the food curve of the trout room is drawn for this reach."""

DRIFT_CELL_M = 0.25
"""Finer cells are merged to about this size before the search for the fastest water beside the fish [m]; assumed."""


def roughness_length(d84_m: float) -> float:
    """z0 of the log law [m]."""
    return ROUGHNESS_OF_D84 * d84_m / 30.0


def log_ratio(height_m: np.ndarray | float, depth_m: np.ndarray | float, d84_m: float) -> np.ndarray:
    """u(z) / U by the log law, z [m] above the bed in water of depth h [m]; 0 at and below z0."""
    z0 = roughness_length(d84_m)
    depth = np.maximum(depth_m, 2 * z0)
    return np.log(np.maximum(height_m, z0) / z0) / (np.log(depth / z0) - 1.0 + z0 / depth)


def seventh_ratio(height_share: np.ndarray | float) -> np.ndarray:
    """u(z) / U by the 1/7 power law, (8/7) (z/h)^(1/7); `height_share` is z/h."""
    return 8.0 / 7.0 * np.clip(height_share, 0.0, 1.0) ** (1.0 / 7.0)


def resolved(depth_m: np.ndarray, d84_m: float) -> np.ndarray:
    """True where the water is deep enough over its stones for the log law."""
    return np.asarray(depth_m) >= RESOLVED_DEPTH * d84_m


def profile_flag(depth_m: np.ndarray, d84_m: float) -> np.ndarray:
    """The `profile_flag` layer: 1 where the bed is too rough for the depth to resolve a profile, else 0; float32."""
    return in_pieces(lambda depth: ~resolved(depth, d84_m), depth_m)


def speed_ratio(height_m: np.ndarray | float, depth_m: np.ndarray, d84_m: float) -> np.ndarray:
    """u(z) / U by the log law where it is resolved, else by the 1/7 law."""
    depth = np.maximum(depth_m, 1e-3)
    rough = seventh_ratio(np.asarray(height_m) / depth)
    return np.where(resolved(depth, d84_m), log_ratio(height_m, depth, d84_m), rough)


def float_coefficient(depth_m: np.ndarray | float, d84_m: float) -> np.ndarray:
    """Depth-mean over surface speed, U / u(h) (Mazi et al., relative-roughness fit, within about 10 %).

    (ln(h/y0) - 1) / ln(h/y0) with y0 = c D84, c = 8.61 (h/D84)^-1.821 but at least 1/30; this fit has a roughness
    convention of its own, apart from the log law's. Below h/D84 = 5 the value there (0.58) is held; the mean can't
    be told from the surface in such water, so readings are flagged.
    """
    relative = np.clip(np.asarray(depth_m, float) / d84_m, *FLOAT_RANGE)
    c = np.maximum(8.61 * relative**-1.821, 1.0 / 30.0)
    log = np.log(relative / c)
    return (log - 1.0) / log


def depth_mean_speed(
    speed_m_s: np.ndarray, how: Sequence[str] | np.ndarray, depth_m: np.ndarray, d84_m: float
) -> tuple[np.ndarray, np.ndarray]:
    """Depth-mean speed of readings, by the way each was taken.

    Parameters
    ----------
    speed_m_s : (n,) as measured [m/s], NaN where there is none
    how : (n,) one of `SPEED_HOW` each; "" counts as "mean"
    depth_m : (n,) depth at each reading [m]
    d84_m : bed material [m]

    Returns
    -------
    mean : (n,) depth-mean speed [m/s]
    unsure : (n,) bool, True where the water was outside the range of the conversion that was used

    Raises
    ------
    ValueError : `how` holds another word
    """
    how = np.asarray(how, dtype=str)
    odd = sorted(set(how.tolist()) - {*SPEED_HOW, ""})
    if odd:
        raise ValueError(f"speed_how {odd[0]!r}: expected one of {', '.join(SPEED_HOW)}")
    depth = np.maximum(depth_m, 0.01)
    factor = np.ones(len(how))
    surface, six, near = (how == word for word in ("surface float", "0.6 depth", "near bed"))
    factor = np.where(surface, float_coefficient(depth, d84_m), factor)
    factor = np.where(six, 1.0 / speed_ratio(NOSE_SHARE * depth, depth, d84_m), factor)
    near_height = np.minimum(METER_NEAR_BED_M, NOSE_SHARE * depth)
    factor = np.where(near, 1.0 / np.maximum(speed_ratio(near_height, depth, d84_m), 0.2), factor)
    shallow = np.where(surface, depth < FLOAT_RANGE[0] * d84_m, ~resolved(depth, d84_m))
    return np.asarray(speed_m_s) * factor, (surface | six | near) & shallow


def speed_at_height(speed_m_s: np.ndarray, depth_m: np.ndarray, d84_m: float, height_m: float) -> np.ndarray:
    """Speed `height_m` above the bed, never above 0.4 of the depth [m/s], float32; `speed_m_s` is the depth mean."""

    def at_height(speed: np.ndarray, depth: np.ndarray) -> np.ndarray:
        return speed * speed_ratio(np.minimum(height_m, NOSE_SHARE * depth), depth, d84_m)

    return in_pieces(at_height, speed_m_s, depth_m)


def nose_speed(speed_m_s: np.ndarray, depth_m: np.ndarray, d84_m: float) -> np.ndarray:
    """Speed at the nose of a feeding fish [m/s], the `nose_speed` layer."""
    return speed_at_height(speed_m_s, depth_m, d84_m, FEEDING_HEIGHT_M)


def rest_speed(speed_m_s: np.ndarray, depth_m: np.ndarray, d84_m: float) -> np.ndarray:
    """Speed at the nose of a resting fish [m/s], the `rest_speed` layer."""
    return speed_at_height(speed_m_s, depth_m, d84_m, RESTING_HEIGHT_M)


def drift_speed(grid: Grid, speed_m_s: np.ndarray, reach_m: float = FOOD_REACH_M) -> np.ndarray:
    """The `drift_speed` layer: depth-mean speed of the fastest water within `reach_m` by water [m/s], float32.

    Depth-mean, because the default food curve is drawn for the column speed; walking pace as anglers judge it is
    a surface speed, 1.34 m/s there being about 1.0 m/s here over 0.6 m of cobble (log law, D84 0.1 m). The search
    spreads from cell to cell through water only, so it can't reach across land into another arm or limb.

    Parameters
    ----------
    grid : the cells
    speed_m_s : (n_wet,) depth-mean speed [m/s]
    reach_m : how far beside the fish food may pass [m]
    """
    scaling = shared_rescale(grid, max(DRIFT_CELL_M, grid.cell_m))
    whole, left = divmod(reach_m / scaling.work.cell_m + TIE, 1.0)
    steps = int(whole)

    def spread(water: np.ndarray, best: np.ndarray) -> tuple[np.ndarray]:
        for step in range(steps):
            best = _grown(best, water, square=_is_square(step))
        if left > 2 * TIE:
            # What is left of the way is a part of a cell, so the next one counts by that part.
            best = best + np.float32(left) * (_grown(best, water, square=_is_square(steps)) - best)
        return (best,)

    (best,) = scaling.work.in_windows(spread, scaling.largest(speed_m_s), halo=steps + 1, dry=-1.0)
    return in_pieces(lambda place, own: np.maximum(best[place], own), scaling.place, speed_m_s)


TIE = 1e-6
"""Of a cell: a way that is so many cells long but for this is taken for that."""


def _is_square(step: int) -> bool:
    """Diamonds with sqrt(2) - 1 squares among them spread as a regular octagon, within 8 % of a circle."""
    share = np.sqrt(2.0) - 1.0
    return int(share * (step + 1) + 0.5) > int(share * step + 0.5)


def _grown(best: np.ndarray, water: np.ndarray, square: bool) -> np.ndarray:
    """The largest of each cell and its neighbours; diagonal ones only by way of a wet cell between."""
    aside, up = (_dried(ndi.maximum_filter1d(best, 3, axis, mode="constant", cval=-1.0), water) for axis in (1, 0))
    if square:
        aside, up = (
            ndi.maximum_filter1d(part, 3, axis, mode="constant", cval=-1.0) for part, axis in ((aside, 0), (up, 1))
        )
    return _dried(np.maximum(aside, up), water)


def _dried(field_map: np.ndarray, water: np.ndarray) -> np.ndarray:
    field_map[~water] = -1.0
    return field_map
