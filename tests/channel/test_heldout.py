"""Which soundings are left out together."""

from __future__ import annotations

import numpy as np
import pytest

from reachmap.channel.heldout import blocks, error_figures


def test_cross_sections_stay_whole_and_are_numbered_downstream():
    along = np.array([100.0, 101, 99, 20, 21, 19, 60, 61, 62])
    lines = np.array(["c"] * 3 + ["a"] * 3 + ["b"] * 3)
    groups, how = blocks(along, lines, 20.0)
    assert how == "whole cross-sections"
    assert groups.tolist() == [2, 2, 2, 0, 0, 0, 1, 1, 1]


def test_a_track_is_cut_into_segments_half_a_width_long():
    along = np.linspace(0, 99.9, 200)
    groups, how = blocks(along, np.full(200, "track 1"), 20.0)
    assert how == "track segments"
    assert np.all([np.ptp(along[groups == g]) <= 10.0 for g in np.unique(groups)])
    assert len(np.unique(groups)) == 10


def test_a_mixed_survey_says_so():
    along = np.r_[np.linspace(0, 99, 50), np.full(20, 50.0)]
    lines = np.r_[np.full(50, ""), np.full(20, "x1")]
    groups, how = blocks(along, lines, 20.0)
    assert how == "whole cross-sections and track segments"
    assert len(np.unique(groups[50:])) == 1


def test_error_figures_by_hand():
    """Residuals 0.1, -0.1, 0.3, 0.1: mean 0.1, mean square 0.03."""
    figures = error_figures(np.ones(4), np.array([1.1, 0.9, 1.3, 1.1]), "track segments")
    assert figures["bias"] == pytest.approx(0.1)
    assert figures["rmse"] == pytest.approx(0.03**0.5, abs=1e-4)
    assert figures["n"] == 4
