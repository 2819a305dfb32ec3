"""Statistics of selection against published examples, exact counts and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from reachmap.trout.ranking import auc, boyce, boyce_from_ratio, selection_ratios
from tests import published

ROWS = published.load("learn")
NEU = selection_ratios(np.array([25, 22, 30, 40]), np.array([0.340, 0.101, 0.104, 0.455]))


def test_selection_ratios_of_the_moose():
    ROWS["R1"].check(NEU.ratio)
    ROWS["R1B"].check(NEU.standardised)
    ROWS["R1S"].check(NEU.error)
    ROWS["R2"].check([NEU.chi2, NEU.g])


def test_selection_agrees_with_scipy():
    """scipy.stats.power_divergence is the reference for both statistics."""
    used, share = np.array([25, 22, 30, 40]), np.array([0.340, 0.101, 0.104, 0.455])
    for name, got in (("pearson", NEU.chi2), ("log-likelihood", NEU.g)):
        assert got == pytest.approx(stats.power_divergence(used, used.sum() * share, lambda_=name).statistic)
    assert NEU.p == pytest.approx(stats.chisquare(used, used.sum() * share).pvalue)


def test_selection_by_hand():
    got = selection_ratios(np.array([2, 3, 5, 10]), np.array([0.4, 0.3, 0.2, 0.1]))
    ROWS["R3"].check([*got.ratio, got.chi2])


def test_limits_enclose_the_ratio():
    assert (NEU.low <= NEU.ratio).all()
    assert (NEU.ratio <= NEU.high).all()


def test_limits_are_those_of_the_binomial():
    """scipy.stats.beta is the reference (Clopper & Pearson); none or all of a few is no certainty."""
    used, share = np.array([0, 25, 5, 0]), np.array([0.05, 0.80, 0.10, 0.05])
    got, tail = selection_ratios(used, share), 0.05 / 6 / 2
    np.testing.assert_allclose(got.high * share, stats.beta.ppf(1 - tail, used + 1, 30 - used), atol=1e-9)
    np.testing.assert_allclose((got.low * share)[1:3], stats.beta.ppf(tail, used, 31 - used)[1:3], atol=1e-9)
    assert got.low[0] == 0
    assert got.high[0] > 2.9
    sure = selection_ratios(np.array([20, 0]), np.array([0.5, 0.5]))
    np.testing.assert_allclose([sure.low[0], sure.high[1]], [2 * 0.025 ** (1 / 20), 2 * (1 - 0.025 ** (1 / 20))])


@pytest.mark.parametrize(("used", "share"), [([1], [1]), ([0, 0], [1, 1]), ([1, 2], [1, 0])])
def test_selection_refuses_what_it_cannot_say(used, share):
    with pytest.raises(ValueError, match="selection ratios need"):
        selection_ratios(np.array(used), np.array(share))


def test_auc_by_counting_pairs():
    ROWS["R4"].check(auc(np.array([0.9, 0.8, 0.6, 0.55]), np.array([0.7, 0.5, 0.4, 0.3, 0.2])))


@given(
    st.lists(st.integers(0, 9), min_size=1, max_size=30),
    st.lists(st.integers(0, 9), min_size=1, max_size=30),
)
def test_auc_is_mann_whitney(fish, water):
    """scipy.stats.mannwhitneyu is the reference, ties included."""
    want = stats.mannwhitneyu(fish, water).statistic / (len(fish) * len(water))
    assert auc(np.array(fish, float), np.array(water, float)) == pytest.approx(want)


def test_boyce_of_five_classes():
    ROWS["R5"].check(boyce_from_ratio(np.array([0.5, 0.4, 1.0, 1.6, 1.5]), np.ones(5)))


def test_boyce_tells_a_good_map_from_a_random_and_a_bad_one():
    """Fish drawn in proportion to the score, evenly, and against it."""
    rng = np.random.default_rng(3)
    water = rng.random(20000)
    index = {
        name: boyce(rng.choice(water, 400, p=weight / weight.sum()), water)
        for name, weight in (("good", water), ("random", np.ones_like(water)), ("bad", 1 - water))
    }
    assert index["good"] > 0.9
    assert abs(index["random"]) < 0.6
    assert index["bad"] < -0.9


def test_boyce_of_one_score_is_unknown():
    assert np.isnan(boyce(np.ones(5), np.ones(50)))
