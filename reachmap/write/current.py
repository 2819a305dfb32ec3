"""Which way the water runs: where on a map an arrow can say so."""

from __future__ import annotations

import numpy as np

from reachmap.channel import Channel
from reachmap.threads import pieces

WIDTHS_APART = 1.0
"""Distance along the river between arrows, in widths; whoever draws them leaves out those without room."""

ENOUGH = 100_000
"""Cells from which the middle width is taken, about."""

MOST = 600
"""Arrows along a beat at most."""


def current_marks(channel: Channel) -> np.ndarray:
    """Spots in the strongest current and the way the water runs there.

    One for every stretch, in the cell that carries most water (depth times speed) of the stretch's middle half.

    Returns
    -------
    (n, 5) east, north [m], east and north component of the current's direction, place in the order downstream; the
    first few are spread over the whole beat and each that follows lies between them, so that any number from the start
    is spread evenly. Empty in standing water.
    """
    along, depth, speed = (channel[name] for name in ("along", "depth", "speed"))
    start, end = float(along.min()), float(along.max())
    width = float(np.median(channel["width"][:: 1 + len(along) // ENOUGH]))
    count = max(1, round((end - start) / max(WIDTHS_APART * width, (end - start) / MOST)))
    most, cell = np.zeros(count, np.float32), np.full(count, -1)
    for part in pieces(len(along)):
        place = (along[part] - start) * (count / max(end - start, 1e-9))
        stretch = np.minimum(place.astype(np.int32), count - 1)
        carries = np.where(np.abs(place - stretch - 0.5) <= 0.25, depth[part] * speed[part], np.float32(0.0))
        before = most.copy()
        np.maximum.at(most, stretch, carries)
        better = np.flatnonzero((carries == most[stretch]) & (carries > before[stretch]))
        cell[stretch[better]] = part.start + better
    cells = cell[cell >= 0]
    order = _spread_order(len(cells))
    cells = cells[order]
    flow = channel["flow_east"][cells], channel["flow_north"][cells]
    return np.column_stack([channel.grid.points(cells), *flow, order])


def _spread_order(n: int) -> np.ndarray:
    """0 to n-1, each as far as can be from those before it: counted by their binary digits read backwards."""
    digits = max(1, (n - 1).bit_length())
    order = [int(f"{k:0{digits}b}"[::-1], 2) for k in range(1 << digits)]
    return np.array([k for k in order if k < n], int)
