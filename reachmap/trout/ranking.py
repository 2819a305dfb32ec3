"""How well does a ranking agree with where fish turned up? Three statistics of resource selection.

All compare the score where fish were met with the score where they could have been met (the fished water).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats


@dataclass(frozen=True)
class Selection:
    """Selection ratios by class.

    Parameters
    ----------
    ratio : share of use over share available, 1 = as expected by chance (n_classes,)
    standardised : ratios that add up to 1 (n_classes,)
    error : standard error of the ratio, shares available taken as known (n_classes,)
    low, high : simultaneous confidence limits of the ratio, shares available taken as known (n_classes,)
    chi2, g : Pearson's and the likelihood-ratio statistic of "use as available"
    p : chance of a chi2 at least as large if use were as available
    """

    ratio: np.ndarray
    standardised: np.ndarray
    error: np.ndarray
    low: np.ndarray
    high: np.ndarray
    chi2: float
    g: float
    p: float


def selection_ratios(used: np.ndarray, available: np.ndarray, alpha: float = 0.05) -> Selection:
    """Selection ratios of classes from counts of use and shares available.

    Parameters
    ----------
    used : number of meetings by class, whole numbers (n_classes,)
    available : share of the fished water by class, any scale (n_classes,), all above 0
    alpha : 1 - confidence, shared out over the pairs of classes (Bonferroni)

    Raises
    ------
    ValueError : fewer than two classes, a class without water, or no use at all

    Notes
    -----
    w_i = o_i / p_i with o_i = u_i / sum u; se = sqrt(o(1-o) / (N p^2)); chi2 = sum (u - N p)^2 / (N p);
    G = 2 sum u ln(u / (N p)). Manly et al., Resource Selection by Animals; form as in the public source of
    the R package adehabitat (function widesI). The limits are those of Clopper & Pearson 1934 (from memory)
    for o, over p: with a standard error, a class in which none were met of a few would be sure to have none ever.
    """
    u, p = np.asarray(used, float), np.asarray(available, float)
    if len(u) < 2 or u.shape != p.shape or (p <= 0).any() or u.sum() <= 0:
        raise ValueError(f"selection ratios need two classes with water and some use, got {u} of {p}")
    p, n = p / p.sum(), u.sum()
    o = u / n
    ratio = o / p
    error = np.sqrt(o * (1 - o) / (n * p**2))
    pairs = len(u) * (len(u) - 1) / 2
    limits = [
        stats.binomtest(round(used_here), round(n)).proportion_ci(1 - alpha / pairs, method="exact") for used_here in u
    ]
    expected = n * p
    chi2 = float(((u - expected) ** 2 / expected).sum())
    seen = u > 0
    g = float(2 * (u[seen] * np.log(u[seen] / expected[seen])).sum())
    return Selection(
        ratio,
        ratio / ratio.sum(),
        error,
        np.array([limit.low for limit in limits]) / p,
        np.array([limit.high for limit in limits]) / p,
        chi2,
        g,
        float(stats.chi2.sf(chi2, len(u) - 1)),
    )


def auc(fish: np.ndarray, fished: np.ndarray) -> float:
    """Chance that the score at a fish exceeds that at a random fished cell, ties counting half.

    Parameters
    ----------
    fish, fished : scores (n,), (m,)

    Notes
    -----
    The area under the receiver operating curve equals the Mann-Whitney statistic over n m.
    """
    if not len(fish) or not len(fished):
        raise ValueError("the area under the curve needs at least one fish and one fished cell")
    both = stats.rankdata(np.concatenate([fish, fished]))
    n, m = len(fish), len(fished)
    return float((both[:n].sum() - n * (n + 1) / 2) / (n * m))


def boyce(fish: np.ndarray, fished: np.ndarray, steps: int = 100, window: float = 0.1) -> float:
    """Continuous Boyce index: does the fish-to-water ratio rise with the score? -1 to 1.

    Parameters
    ----------
    fish, fished : scores (n,), (m,)
    steps : number of window positions
    window : window width as a share of the range of scores

    Notes
    -----
    Hirzel et al. 2006 (Ecol. Model. 199:142); as in the public source of the R package ecospat: a window
    moves over the range of scores; F = share of fish in it over share of water in it; the index is Spearman's
    correlation of F with the window's position, windows without water dropped, as are runs of equal F.
    Returns NaN when fewer than three windows are left.
    """
    low, high = float(min(fish.min(), fished.min())), float(max(fish.max(), fished.max()))
    if high <= low:
        return float("nan")
    width = window * (high - low)
    start = np.linspace(low, high - width, steps + 1)
    sorted_fish, sorted_water = np.sort(fish), np.sort(fished)
    return boyce_from_ratio(
        _share_between(sorted_fish, start, start + width), _share_between(sorted_water, start, start + width)
    )


def boyce_from_ratio(fish_share: np.ndarray, water_share: np.ndarray) -> float:
    """The Boyce index from the shares of fish and of water in rising windows (n_windows,)."""
    keep = water_share > 0
    ratio, place = fish_share[keep] / water_share[keep], np.flatnonzero(keep)
    new = np.r_[True, ratio[1:] != ratio[:-1]]
    ratio, place = ratio[new], place[new]
    if len(ratio) < 3:
        return float("nan")
    return float(stats.spearmanr(ratio, place).statistic)


def _share_between(values: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Share of sorted values in each closed interval."""
    inside = np.searchsorted(values, high, "right") - np.searchsorted(values, low, "left")
    return inside / len(values)
