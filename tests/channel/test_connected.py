"""What hangs together, against scipy's labels of the whole map."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage as ndi

from reachmap.channel.connected import connected, reached
from reachmap.channel.model import Grid


def spotted(seed: int, share: float) -> tuple[Grid, np.ndarray, np.ndarray]:
    """A map with spots of water, some of its wet cells, and the label of every cell among those."""
    rng = np.random.default_rng(seed)
    grid = Grid(0.0, 0.0, 1.0, rng.random((20, 30)) < share)
    some = rng.random(grid.n_wet) < 0.7
    return grid, some, ndi.label(grid.spread(some, 0.0))[0][grid.cells]


@given(st.integers(0, 1000), st.floats(0.2, 0.9))
def test_pieces_are_those_of_the_whole_map(seed, share):
    grid, some, label = spotted(seed, share)
    count, piece = connected(grid, np.flatnonzero(some))
    assert count == label.max()
    assert len(set(zip(piece, label[some], strict=True))) == count


@given(st.integers(0, 1000), st.floats(0.2, 0.9))
def test_one_gets_to_what_hangs_together_with_the_start(seed, share):
    grid, may, label = spotted(seed, share)
    start = np.arange(grid.n_wet) % 11 == 0
    want = may & np.isin(label, label[may & start])
    assert (reached(grid, may, start) == want).all()


def test_without_anywhere_to_go_one_gets_nowhere():
    grid, may, _ = spotted(0, 0.6)
    assert not reached(grid, np.zeros_like(may), np.ones_like(may)).any()
