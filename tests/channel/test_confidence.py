"""Three classes of confidence."""

from __future__ import annotations

import numpy as np

from reachmap.channel.confidence import confidence_class


def test_classes_fall_as_more_is_left_open():
    got = confidence_class(np.array([0.0, 0.1, 0.4, 0.9, 1.3]))
    assert got.tolist() == [2, 2, 1, 0, 0]
    assert got.dtype == np.float32
