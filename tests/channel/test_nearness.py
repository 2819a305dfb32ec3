"""What counts at stations along the river, against the same written out for every pair."""

from __future__ import annotations

import numpy as np
import pytest

from reachmap.channel.nearness import REACH_WIDTHS, Nearness


@pytest.fixture
def along():
    """Places along 900 m of river: many near the head, a few in the middle, none for the last third."""
    rng = np.random.default_rng(6)
    return np.concatenate([rng.uniform(0, 150, 40), rng.uniform(300, 600, 9)])


def test_a_sounding_counts_as_the_bell_curve_of_its_distance_along(along):
    near = Nearness.of(along, 900.0, 12.0)
    assert near.station[[0, -1]] == pytest.approx([0.0, 900.0])
    # Two stations to a width at least, but for the one at the end.
    assert np.diff(near.station).max() <= 6.1
    bell = np.exp(-0.5 * ((near.station[:, None] - along) / (REACH_WIDTHS * 12.0)) ** 2)
    values = np.random.default_rng(7).normal(2.0, 1.0, len(along))
    np.testing.assert_allclose(near.sum(values), bell @ values, rtol=1e-6, atol=1e-9)
    # The same spread as statistics has for weighted values.
    close = bell.sum(axis=1) > 1e-6
    for weights, spread in zip(bell[close][::20], near.spread(values)[close][::20], strict=True):
        assert spread == pytest.approx(np.sqrt(np.cov(values, aweights=weights, ddof=0)), rel=1e-4)


def test_far_from_every_sounding_all_of_them_count_alike(along):
    """At the end of a river whose soundings lie at its head: the plain mean, and no division by nought."""
    near = Nearness.of(along[:40], 3000.0, 12.0)
    values = np.linspace(1.0, 3.0, 40)
    assert near.sum(values)[-1] / near.sum(np.ones(40))[-1] == pytest.approx(values.mean())
    assert near.spread(values)[-1] == pytest.approx(values.std())


def test_readings_all_alike_have_no_spread(along):
    near = Nearness.of(along, 900.0, 12.0)
    assert near.spread(np.full(len(along), 1.7)) == pytest.approx(0.0, abs=1e-6)
