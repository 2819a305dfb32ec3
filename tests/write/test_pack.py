"""Wet vectors averaged to larger cells."""

from __future__ import annotations

import numpy as np

from reachmap.channel.model import Grid
from reachmap.write.pack import coarsen


def test_patches_keep_their_size_in_larger_cells_and_none_is_lost():
    """Cells three times as large, each of the patch that has most of its nine; one patch is a single fine cell."""
    rng = np.random.default_rng(2)
    label = np.zeros((90, 90), np.float32)
    for number in range(1, 9):
        row, col, tall, wide = (*rng.integers(0, 60, 2), *rng.integers(7, 30, 2))
        label[row : row + tall, col : col + wide] = number
    label[88, 88] = 9
    large = coarsen(Grid(0.0, 90.0, 1.0, np.ones(label.shape, bool)), 3).mostly(label.ravel())
    blocks = label.reshape(30, 3, 30, 3).swapaxes(1, 2).reshape(-1, 9).astype(int)
    for number, own in zip(large, blocks, strict=True):
        counts = np.bincount(own, minlength=10)
        assert number == (9 if counts[9] else counts.argmax() if counts[1:].max() >= 5 else 0)
    np.testing.assert_array_equal(np.unique(large), np.unique(label))
    for number in range(1, 9):
        assert 9 * (large == number).sum() <= 1.25 * (label == number).sum()


def test_a_strip_half_as_wide_as_the_larger_cells_is_kept_whole():
    label = np.repeat(np.float32([[0], [4], [0], [0]]), 8, axis=1)
    large = coarsen(Grid(0.0, 4.0, 1.0, np.ones(label.shape, bool)), 2).mostly(label.ravel())
    np.testing.assert_array_equal(large, [4, 4, 4, 4, 0, 0, 0, 0])
