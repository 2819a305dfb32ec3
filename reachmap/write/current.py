"""Which way the water runs: where on a map an arrow can say so."""

from __future__ import annotations

import numpy as np

from reachmap.channel import Channel

WIDTHS_APART = 1.0
"""Distance along the river between arrows, in widths; whoever draws them leaves out those without room."""

MOST = 600
"""Arrows along a beat at most."""


def current_marks(channel: Channel) -> np.ndarray:
    """Spots in the strongest current and the way the water runs there.

    One for every stretch, in the cell that carries most water (depth times speed) of the stretch's middle half.

    Returns
    -------
    (n, 4) east, north [m], east and north component of the current's direction; the first few are spread over the
    whole beat and each that follows lies between them, so that any number from the start is spread evenly. Empty in
    standing water.
    """
    along = channel["along"]
    start, end = float(along.min()), float(along.max())
    apart = max(WIDTHS_APART * float(np.median(channel["width"])), (end - start) / MOST)
    count = max(1, round((end - start) / apart))
    place = (along - start) * (count / max(end - start, 1e-9))
    stretch = np.minimum(place.astype(np.int32), count - 1)
    carries = np.where(np.abs(place - stretch - 0.5) <= 0.25, channel["depth"] * channel["speed"], 0.0)
    most = np.zeros(count, carries.dtype)
    np.maximum.at(most, stretch, carries)
    cells = np.flatnonzero((carries > 0) & (carries == most[stretch]))
    _, first = np.unique(stretch[cells], return_index=True)
    cells = cells[first][_spread_order(len(first))]
    return np.column_stack([channel.grid.points(cells), channel["flow_east"][cells], channel["flow_north"][cells]])


def _spread_order(n: int) -> np.ndarray:
    """0 to n-1, each as far as can be from those before it: counted by their binary digits read backwards."""
    digits = max(1, (n - 1).bit_length())
    order = [int(f"{k:0{digits}b}"[::-1], 2) for k in range(1 << digits)]
    return np.array([k for k in order if k < n], int)
