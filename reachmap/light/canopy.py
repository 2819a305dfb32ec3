"""How much light leaves and twigs let through, and when trees carry leaves.

Beer's law along the path through the crown: T = exp(-G u d), G = 0.5 for leaves turned every way, u leaf area per
volume [m2/m3], d path [m]. u is the leaf area index over the depth of the crown, so that a beam through the whole
crown gives the usual exp(-G L / sin h).
"""

from __future__ import annotations

import math
from datetime import date

LEAF_TURN = 0.5
"""G, mean projection of a leaf [-]; spherical leaf angles. Measured broadleaf 0.53: Battuvshin & Menzel 2022
(MethodsX 9:101805)."""

LEAF_AREA = {"dense": 5.0, "alder": 4.5, "willow": 3.0, "mixed": 2.0, "thin": 1.0, "bare": 0.8, "evergreen": 5.0}
"""Leaf area index with leaves on [m2/m2]: alder after 4.8, its peak in Eschenbach & Kappen 1996 (J. Exp. Bot.
47:1457); dense as beech 4.5-5.1; evergreen as dense, the others assumed."""

WOOD_AREA = {"dense": 1.0, "alder": 0.8, "willow": 0.8, "mixed": 0.8, "thin": 0.6, "bare": 0.8, "evergreen": 5.0}
"""The same without leaves: twigs and branches, 0.6-1.0 from memory; evergreens keep theirs."""

TROPIC_DEG = 23.44
"""Between the tropics trees are taken to carry leaves all year (assumed)."""


def leaves_on(day: date, lat: float) -> bool:
    """Whether trees carry leaves: May to October, half a year later south of the equator (assumed)."""
    if abs(lat) < TROPIC_DEG:
        return True
    return (5 <= day.month <= 10) == (lat > 0)


def optical_density(leaf: str, crown_depth_m: float, leaf_on: bool) -> float:
    """G u, optical depth per metre of path through the crown [1/m]."""
    area = (LEAF_AREA if leaf_on else WOOD_AREA)[leaf]
    return LEAF_TURN * area / max(crown_depth_m, 0.1)


OPAQUE = math.inf
"""Optical density of a wall."""
