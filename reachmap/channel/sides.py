"""Where the soundings say little because they lie to one side: along one line down the river, or by one bank.

The field's ranges are learned from the soundings. Those along one line tell how the bed goes along the river and
nothing of how it goes across, so the field alone would be far too sure of the water beside it.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from reachmap.channel.confidence import MUCH_BESIDE
from reachmap.channel.reach import Places, Reach
from reachmap.errors import Finding

FARTHEST_TOLD, FADES_OVER = 0.12, 0.1
"""Soundings tell of the water as far to the side as they themselves spread (standard deviation), at most the first
share of the width, and of nothing the second share farther on; assumed. Cross-sections and zigzags keep their errors,
and those of one line come near to what they are (tests/channel/test_sides.py)."""

LONG_WIDTHS = 20.0
"""A sounding this many times farther along the river than another is to the side counts as equally near; assumed."""

HARDLY_TOLD = 0.5
"""Water of which the soundings leave more than this untold lies beside them."""


def untold(places: Places, sounded: Places, spread: np.ndarray, width_m: float) -> np.ndarray:
    """Share of what is to be known of the depth that no sounding can tell, as none lies near enough to the side, 0-1.

    Parameters
    ----------
    places : where it is asked (n,)
    sounded : the soundings (m,)
    spread : how far the soundings around each place spread across, as a share of the width (n,)
    width_m : typical width of the river [m]
    """

    def scaled(at: Places) -> np.ndarray:
        return np.column_stack([at.along / (LONG_WIDTHS * width_m), at.across / at.width])

    away, _ = cKDTree(scaled(sounded)).query(scaled(places), p=np.inf)
    return np.clip((away - np.minimum(spread, FARTHEST_TOLD)) / FADES_OVER, 0.0, 1.0)


def share_beside(reach: Reach, untold: np.ndarray) -> float:
    """Share of the water that lies beside all soundings, by what is untold at the nodes (n,)."""
    area = reach.mesh.area_m2
    return float(area[untold > HARDLY_TOLD].sum() / area.sum())


def beside_findings(share: float) -> tuple[Finding, ...]:
    """What to say where so much of the water lies beside all soundings."""
    if share < MUCH_BESIDE:
        return ()
    what = (
        f"{share:.0%} of the water lies beside the soundings, which keep to one line or one bank; its depth is hardly "
        "better than a guess, and the error of soundings left out says nothing of it"
    )
    remedy = "Cross the river with the line in a few places, from bank to bank"
    return (Finding("warning", "soundings", "", what, remedy, "beside-unsounded"),)
