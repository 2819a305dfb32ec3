"""The vertical profile against the standard curve, published rules and its own closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.channel import profile as pr
from reachmap.channel.model import Grid
from reachmap.constants import MILE_PER_HOUR_M_S
from tests import published

ROWS = published.load("hydraulics")

WALKING_PACE_M_S = 3 * MILE_PER_HOUR_M_S
"""3 mph, common practice: trout hold in or near current of about this pace."""
FROM_SURFACE = np.array([0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8])


def test_log_law_values():
    ROWS["V1"].check(pr.log_ratio(0.05, 0.6, 0.1))
    ROWS["V2"].check(pr.log_ratio(0.4, 1.0, 0.05))
    ROWS["V3"].check(1 / pr.log_ratio(0.6, 0.6, 0.1))


def test_seventh_law_is_its_own_mean():
    ROWS["V4"].check([np.mean(pr.seventh_ratio(np.array([0.2, 0.8]))), pr.seventh_ratio(1.0)])


@pytest.mark.parametrize("depth", [0.6, 0.8, 1.0])
def test_the_rules_of_gauging_hold_for_the_log_law(depth):
    at = {share: float(pr.log_ratio((1 - share) * depth, depth, 0.05)) for share in (0.2, 0.6, 0.8)}
    two = (at[0.2] + at[0.8]) / 2
    ROWS["V5"].check([two, 0.5 * two + 0.5 * at[0.6]])


def test_log_law_integrates_over_the_depth_as_the_standard_curve_does():
    shares = np.array([0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95])
    ratio = pr.log_ratio((1 - shares) * 0.8, 0.8, 0.05)
    ROWS["V6"].check(np.trapezoid(np.append(ratio, 0.0), np.append(shares, 1.0)))


def test_seventh_law_lies_near_the_standard_curve():
    ROWS["V7"].check(pr.seventh_ratio(1 - FROM_SURFACE))


def test_float_coefficients():
    deep = 1000 / 30  # h/D84 at which the fit reaches its smooth limit y0 = D84/30, so h/y0 = 1000
    ROWS["V8"].check(pr.float_coefficient(deep, 1.0))
    ROWS["V9"].check(pr.float_coefficient(np.array([0.6, 1.0, 2.0]), 0.1))


def test_walking_pace_at_the_surface_is_a_slow_walk_at_the_nose():
    mean = WALKING_PACE_M_S / pr.log_ratio(0.6, 0.6, 0.1)
    ROWS["V10"].check(mean * pr.log_ratio(0.05, 0.6, 0.1))


@given(st.floats(0.05, 3.0), st.floats(0.005, 0.4), st.floats(0.0, 2.5))
def test_the_nose_is_never_faster_than_the_mean_allows_nor_negative(depth, d84, speed):
    mean = np.array([speed])
    nose, rest = pr.nose_speed(mean, np.array([depth]), d84), pr.rest_speed(mean, np.array([depth]), d84)
    assert 0.0 <= rest[0] <= nose[0] + 1e-6
    # 0.6-depth rule: at 0.4 h above the bed u is 1.02-1.05 of the mean at most, and the nose is never higher.
    assert nose[0] <= 1.06 * speed + 1e-6


def test_profile_is_flagged_where_stones_are_too_large_for_the_depth():
    flag = pr.profile_flag(np.array([0.39, 0.41]), 0.1)  # h/D84 = 4, from memory
    assert flag.tolist() == [1.0, 0.0]
    assert flag.dtype == np.float32


def test_readings_become_depth_means_by_how_they_were_taken():
    depth = np.full(5, 1.0)
    how = ["surface float", "0.6 depth", "mean", "near bed", ""]
    mean, unsure = pr.depth_mean_speed(np.full(5, 1.0), how, depth, 0.1)
    # h/D84 = 10: 0.770 for a float (row V9); 0.6-depth readings run 2 % fast (USGS WSP 2175); 1/0.420 near the bed
    # (log law at 5 cm, h 1.0 m, D84 0.10 m).
    assert mean == pytest.approx([0.770, 1 / 1.021, 1.0, 1 / 0.420, 1.0], abs=0.006)
    assert not unsure.any()


def test_readings_in_water_too_shallow_for_their_rule_are_unsure():
    _, unsure = pr.depth_mean_speed(np.full(3, 1.0), ["surface float", "0.6 depth", "mean"], np.full(3, 0.3), 0.1)
    assert unsure.tolist() == [True, True, False]


def test_an_unknown_way_of_measuring_is_named():
    with pytest.raises(ValueError, match="'guessed': expected one of surface float"):
        pr.depth_mean_speed(np.ones(1), ["guessed"], np.ones(1), 0.1)


def two_arms(cell: float) -> tuple[Grid, np.ndarray, np.ndarray]:
    """Two straight arms 1 cell of land apart; the upper one fast only in its middle metre."""
    rows, cols = int(12 / cell), int(30 / cell)
    wet = np.ones((rows, cols), bool)
    wet[int(6 / cell)] = False
    grid = Grid(0.0, 12.0, cell, wet)
    speed = np.where(np.abs(grid.y - 9) < 0.5, 1.0, 0.2)
    return grid, speed, grid.y


@pytest.mark.parametrize("cell", [0.05, 0.1, 0.25, 0.5])
def test_drift_is_the_fastest_water_within_a_metre_and_never_beyond_land(cell):
    grid, speed, y = two_arms(cell)
    drift = pr.drift_speed(grid, speed)
    near, far = np.abs(y - 9) < 0.5 + 1.0 - cell, np.abs(y - 9) > 0.5 + 1.0 + max(cell, 0.3)
    assert np.all(drift[near] == 1.0)
    assert drift[far] == pytest.approx(0.2)


@pytest.mark.parametrize("turned_deg", [0, 27, 45])
@pytest.mark.parametrize("cell", [0.3, 0.4, 0.5, 0.6, 0.65, 0.7, 0.75])
def test_drift_reaches_a_metre_into_slack_water_whatever_the_cells(cell, turned_deg):
    """Fast water along one straight edge, slack beside it: by area, as if all that is more than slack were as fast."""
    n = int(24 / cell)
    grid = Grid(-12.0, 12.0, cell, np.ones((n, n), bool))
    turned = np.radians(turned_deg)
    along, off = grid.x * np.cos(turned) + grid.y * np.sin(turned), grid.y * np.cos(turned) - grid.x * np.sin(turned)
    drift = pr.drift_speed(grid, np.where(off <= 0, 0.9, 0.1))
    middle = (np.abs(along) < 6) & (off > 0) & (off < 6)
    reach = ((drift[middle] - 0.1) / 0.8).sum() * cell**2 / 12
    assert reach == pytest.approx(1.0, abs=0.15)


def test_drift_does_not_cross_a_diagonal_wall_of_land():
    wet = ~np.eye(40, dtype=bool)
    grid = Grid(0.0, 20.0, 0.5, wet)
    upper = grid.cells[1] > grid.cells[0]
    drift = pr.drift_speed(grid, np.where(upper, 1.0, 0.1))
    assert drift[~upper] == pytest.approx(0.1)


def test_drift_spreads_about_as_far_slantwise_as_straight():
    wet = np.ones((81, 81), bool)
    grid = Grid(0.0, 20.25, 0.25, wet)
    speed = np.zeros(grid.n_wet)
    speed[grid.at(40, 40)] = 1.0
    hit = pr.drift_speed(grid, speed, 2.0) > 0
    assert hit.sum() * 0.25**2 == pytest.approx(np.pi * 2.0**2, rel=0.15)  # area of a circle
