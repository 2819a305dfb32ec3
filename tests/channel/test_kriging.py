"""The tapered field against brute force and against what must always hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import gamma, kv

from reachmap.channel import ranges
from reachmap.channel.kernel import Kernel, matern
from reachmap.channel.kriging import TaperedField
from reachmap.channel.ranges import DEFAULT
from tests import published
from tests.channel.reference import eidw

WIDTH = 20.0


def points(n=60, seed=0):
    rng = np.random.default_rng(seed)
    along, across = rng.uniform(0, 200, n), rng.uniform(-9, 9, n)
    taper = -np.expm1(-(10 - np.abs(across)) / 3.0)
    values = taper * (1 + 0.4 * np.sin(along / 25) + 0.03 * across) + rng.normal(0, 0.03, n)
    return along, across, taper, values, (along // 12).astype(int)


def brute(along, across, taper, values, keep, targets):
    """Kriging with a fitted mean by the bordered system of the textbooks, default setting."""
    kernel = Kernel.make(DEFAULT, WIDTH, "mean")
    place = np.column_stack([along, across])
    n = int(keep.sum())
    system = np.zeros((n + 1, n + 1))
    system[:n, :n] = kernel(place[keep], place[keep]) * np.outer(taper[keep], taper[keep])
    system[:n, :n] += DEFAULT[2] ** 2 * np.eye(n)
    system[:n, n] = system[n, :n] = taper[keep]
    link = np.vstack([(kernel(place[keep], place[targets]) * taper[keep][:, None]) * taper[targets], taper[targets]])
    return np.linalg.solve(system, link)[:n].T @ values[keep]


def test_correlation_is_matern_three_halves():
    """Against the general Matern formula with Bessel functions (scipy), smoothness 3/2."""
    d = np.linspace(0.01, 4, 50)
    scaled = np.sqrt(3) * d
    general = 2 ** (1 - 1.5) / gamma(1.5) * scaled**1.5 * kv(1.5, scaled)
    got = matern(np.zeros((1, 2)), np.column_stack([5 * d, 0 * d]), np.array([5.0, 1.0]))[0]
    assert np.allclose(got, general, atol=1e-10)


def test_prediction_is_that_of_the_bordered_system():
    along, across, taper, values, groups = points()
    fitted = TaperedField.fit(along, across, taper, values, WIDTH, groups, setting=DEFAULT)
    rng = np.random.default_rng(1)
    along2, across2 = np.r_[along, rng.uniform(0, 200, 20)], np.r_[across, rng.uniform(-9, 9, 20)]
    taper2 = np.r_[taper, rng.uniform(0.1, 1, 20)]
    keep = np.arange(80) < 60
    want = brute(along2, across2, taper2, np.r_[values, np.zeros(20)], keep, ~keep)
    got, _ = fitted.predict(along2[60:], across2[60:], taper2[60:])
    assert np.allclose(got, want, atol=1e-9)


def test_left_out_is_what_a_fit_without_the_group_says():
    """The closed form against leaving each group out for real."""
    along, across, taper, values, groups = points()
    fitted = TaperedField.fit(along, across, taper, values, WIDTH, groups, setting=DEFAULT)
    got = fitted.heldout()
    for group in np.unique(groups):
        out = groups == group
        assert np.allclose(got[out], brute(along, across, taper, values, ~out, out), atol=1e-9)


@settings(max_examples=4, deadline=None)
@given(st.randoms(use_true_random=False))
def test_the_order_of_the_soundings_changes_nothing(random):
    along, across, taper, values, groups = points(40)
    order = list(range(40))
    random.shuffle(order)
    one = TaperedField.fit(along, across, taper, values, WIDTH, groups)
    two = TaperedField.fit(*(a[order] for a in (along, across, taper, values)), WIDTH, groups[order])
    where = (np.linspace(0, 200, 30), np.linspace(-9, 9, 30), np.ones(30))
    assert np.array_equal(np.stack(one.predict(*where)), np.stack(two.predict(*where)))
    assert np.array_equal(one.heldout()[order], two.heldout())


def test_far_from_all_points_it_is_the_mean_and_its_full_spread():
    along, across, taper, values, groups = points()
    fitted = TaperedField.fit(along, across, taper, values, WIDTH, groups, setting=DEFAULT)
    value, open_share = fitted.relative(np.array([5e3, 6e3]), np.zeros(2))
    assert value[0] == pytest.approx(value[1])
    assert np.all(open_share > 1.0)
    residual = TaperedField.fit(along, across, taper, values, WIDTH, groups, trend="none", setting=DEFAULT)
    assert residual.predict(np.array([5e3]), np.zeros(1), np.ones(1))[0] == pytest.approx(0.0)


def test_windows_agree_with_one_system():
    """A long reach in windows against the same points solved at once by the bordered system."""
    rng = np.random.default_rng(3)
    n = 1000
    along, across = np.sort(rng.uniform(0, 2000, n)), rng.uniform(-9, 9, n)
    taper = -np.expm1(-(10 - np.abs(across)) / 3.0)
    values = taper * (1 + 0.4 * np.sin(along / 25)) + rng.normal(0, 0.03, n)
    fitted = TaperedField.fit(along, across, taper, values, WIDTH, (along // 12).astype(int), setting=DEFAULT)
    targets = np.r_[rng.uniform(-10, 2010, 200)], rng.uniform(-9, 9, 200)
    got, _ = fitted.predict(*targets, np.ones(200))
    keep = np.arange(n + 200) < n
    want = brute(
        np.r_[along, targets[0]],
        np.r_[across, targets[1]],
        np.r_[taper, np.ones(200)],
        np.r_[values, np.zeros(200)],
        keep,
        ~keep,
    )
    assert np.sqrt(np.mean((got - want) ** 2)) < 0.01
    assert np.abs(got - want).max() < 0.1


def test_a_dense_survey_is_averaged_not_refused():
    """Eight thousand points in a short reach; a smooth field comes back within the noise."""
    rng = np.random.default_rng(4)
    n = 8000
    along, across = rng.uniform(0, 120, n), rng.uniform(-9, 9, n)
    values = 1 + 0.3 * np.sin(along / 20) + rng.normal(0, 0.05, n)
    fitted = TaperedField.fit(along, across, np.ones(n), values, WIDTH, (along // 10).astype(int))
    where = np.linspace(5, 115, 50)
    got, sd = fitted.predict(where, np.zeros(50), np.ones(50))
    assert np.abs(got - 1 - 0.3 * np.sin(where / 20)).max() < 0.05
    assert np.all(sd > 0)
    assert len(fitted.heldout()) == n


def test_the_default_stays_unless_the_data_say_otherwise_clearly():
    """A field drawn with the default's own correlation keeps it; stripes along the river a third as wide do not."""
    along, across, taper, _, groups = points(150, seed=2)
    size = np.array([DEFAULT[0] * DEFAULT[1], DEFAULT[0]]) * WIDTH
    place = np.column_stack([along, across])
    rng = np.random.default_rng(5)
    root = np.linalg.cholesky(matern(place, place, size) + 1e-9 * np.eye(150))
    drawn = taper * (3 + root @ rng.normal(size=150)) + DEFAULT[2] * rng.normal(size=150)
    assert TaperedField.fit(along, across, taper, drawn, WIDTH, groups).chosen == "default"
    stripes = np.ones(150) + 0.5 * np.sin(across / 1.5)
    assert TaperedField.fit(along, across, np.ones(150), stripes, WIDTH, groups).chosen == "grid"


def test_a_long_river_is_as_well_off_with_every_other_window_s_ranges(monkeypatch):
    """Smooth water, then stripes: against the known field no worse than with ranges chosen in every window."""
    rng = np.random.default_rng(7)
    n = 1200
    along, across = np.sort(rng.uniform(0, 2400, n)), rng.uniform(-9, 9, n)

    def field(s, w):
        return 1 + np.where(s < 1200, 0.4 * np.sin(s / 30), 0.5 * np.sin(w / 1.5))

    values, groups = field(along, across) + rng.normal(0, 0.02, n), (along // 8).astype(int)
    where = rng.uniform(0, 2400, 3000), rng.uniform(-9, 9, 3000)
    errors = []
    for all_windows in (ranges.ALL_WINDOWS, 1000):
        monkeypatch.setattr(ranges, "ALL_WINDOWS", all_windows)
        fitted = TaperedField.fit(along, across, np.ones(n), values, WIDTH, groups)
        assert len(fitted.fitted) > ranges.ALL_WINDOWS or all_windows == 1000
        assert len(set(fitted.fitted)) > 1
        errors.append(np.sqrt(np.mean((fitted.value(*where) - field(*where)) ** 2)))
    assert errors[0] < 1.05 * errors[1]


def test_two_points_are_enough():
    fitted = TaperedField.fit(np.array([0.0, 50.0]), np.zeros(2), np.ones(2), np.array([0.5, 0.9]), WIDTH)
    value, sd = fitted.predict(np.array([0.0, 25.0, 50.0]), np.zeros(3), np.ones(3))
    assert value[0] < value[1] < value[2]
    assert np.all(np.isfinite(sd))


def test_reference_method_of_the_comparison():
    """C2: the elliptical inverse distance weighting used as a yardstick."""
    places, values = np.array([[0.0, 0], [50, 0], [0, 10]]), np.array([1.0, 2, 3])
    got = [eidw(places, values, np.array([[20.0, 2]]), stretch)[0] for stretch in (1, 5, 10)]
    published.load("channel_coordinates")["C2"].check(got)
