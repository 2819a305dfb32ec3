"""What passes a closed canopy, in closed form: what the shade of a wood is held against."""

from __future__ import annotations

import numpy as np
from scipy.special import expn

from reachmap.light.canopy import LEAF_TURN


def beam_through(leaf_area: float, altitude_deg: float) -> float:
    """Share of the beam that passes a canopy of a leaf area index, exp(-G L / sin h), Beer's law."""
    return float(np.exp(-LEAF_TURN * leaf_area / np.sin(np.radians(altitude_deg))))


def sky_through(leaf_area: float) -> float:
    """Share of a uniform sky's light that passes it, 2 E3(G L); the exponential integral, derived."""
    return float(2.0 * expn(3, LEAF_TURN * leaf_area))
