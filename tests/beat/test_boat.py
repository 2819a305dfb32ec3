"""Whose speed a column tells, by a course laid out on the ellipsoid."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod

from reachmap.beat.boat import follows_movement


def course(speed_m_s, n=120, every_s=1):
    """Longitude and latitude of a boat that keeps this speed on a bearing of 60 degrees; the seconds of its fixes."""
    ones, seconds = np.ones(n), every_s * np.arange(n)
    east, north, _ = Geod(ellps="WGS84").fwd(-2.4 * ones, 54.2 * ones, 60 * ones, speed_m_s * seconds)
    return np.column_stack([east, north]), [str(second) for second in seconds]


def test_the_usual_difference_is_a_share_of_the_movement():
    """Said to go 2.5 m/s at 2 m/s: off by a quarter, though a third of the rows tell no speed and some a wild one."""
    degrees, time = course(2.0, every_s=5)
    said = np.full(120, 2.5)
    said[::3], said[[50, 100]] = np.nan, 90.0
    assert follows_movement(degrees, said, time) == pytest.approx(0.25, abs=0.002)
    assert follows_movement(degrees, np.full(120, 2.0), time) == pytest.approx(0.0, abs=0.002)


def test_what_hardly_moves_has_no_speed_of_its_own_and_few_rows_do_not_tell():
    degrees, time = course(0.1)
    assert follows_movement(degrees, np.full(120, 0.1), time) == np.inf
    for n, every_s in ((29, 5), (60, 1)):  # fewer than thirty rows, or fewer than fifteen steps of four seconds
        degrees, time = course(2.0, n, every_s)
        assert follows_movement(degrees, np.full(n, 2.0), time) is None
