"""How far the depth can be trusted: three classes, and from where on the whole is called a guess."""

from __future__ import annotations

import numpy as np

NEAR, BETWEEN = 0.2, 0.6
"""Share of the field's variance left unexplained: below the first a cell is near measurements, below the second
between them; assumed."""

MOSTLY = 0.5
"""Share of the water beyond measurements above which the whole is called a guess; assumed."""

MUCH_BESIDE = 0.3
"""Share of the water beside all soundings (see `reachmap.channel.sides`) that is worth a warning; assumed."""


def confidence_class(unexplained: np.ndarray) -> np.ndarray:
    """2 near measurements, 1 between them, 0 beyond them; float32.

    Parameters
    ----------
    unexplained : share of the field's variance the soundings leave open, 0-1 (n,)
    """
    return ((unexplained < BETWEEN).astype(np.float32) + (unexplained < NEAR)).astype(np.float32)


def mostly_guessed(confidence: np.ndarray) -> bool:
    """Whether most of the water lies beyond all measurements, by the classes of its cells (n,)."""
    return float(np.mean(confidence == 0)) > MOSTLY
