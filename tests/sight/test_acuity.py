"""Acuity in its three notations, and sizes at a distance."""

from __future__ import annotations

import numpy as np
import pytest

from reachmap.sight import arcmin, chart_denominator, cycles_per_degree, resolving_range, smallest_feature
from tests.published import load

ROWS = load("sight")


def test_the_three_notations_agree():
    mar = [5, 6, 14]
    ROWS["L1"].check(np.r_[cycles_per_degree(mar), chart_denominator(mar)])


def test_old_and_new_figures_of_the_trade():
    ROWS["T9"].check(cycles_per_degree(np.array([280, 120, 100]) / 20))


def test_smallest_feature_at_a_metre():
    ROWS["L2"].check(smallest_feature(1.0, 14.0))


@pytest.mark.parametrize("mar", [1.0, 5.0, 14.0])
def test_there_and_back(mar):
    assert arcmin(cycles_per_degree(mar)) == pytest.approx(mar)
    assert resolving_range(smallest_feature(2.0, mar), mar) == pytest.approx(2.0)
