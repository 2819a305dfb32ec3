"""The view up through the surface, against Snell's law."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.constants import WATER_INDEX
from reachmap.sight import critical_angle, inside_edge, seen_from_below, window
from tests.published import load

ROWS = load("sight")


def test_window_radius_and_cone():
    ROWS["L3"].check(window(0.5))
    ROWS["L3-cone"].check(2 * critical_angle())


def test_a_person_in_the_window():
    seen = seen_from_below(1.8, 10.0, 0.5)
    ROWS["L4"].check([seen.elevation_deg, seen.inside_edge_deg])
    ROWS["L5"].check(seen_from_below(0.9, 10.0, 0.5).inside_edge_deg)
    ROWS["L5-near-far"].check(seen_from_below(1.8, [5.0, 20.0], 0.5).inside_edge_deg)


def test_minutes_of_arc_are_sixty_to_a_degree():
    assert seen_from_below(1.8, 10.0, 0.5).arcmin == pytest.approx(60 * 1.134, abs=0.3)


def test_low_air_is_squeezed_into_the_edge():
    ROWS["L6"].check(inside_edge([5, 10, 15, 20, 30]))


@given(st.floats(0.1, 3), st.floats(0, 60), st.floats(0.05, 3))
def test_the_ray_meets_fish_and_top(height, distance, depth):
    """Walking the ray found from the fish to the top covers the horizontal distance asked for."""
    air = np.radians(90 - seen_from_below(height, distance, depth).elevation_deg)
    in_water = np.arcsin(np.sin(air) / WATER_INDEX)
    assert height * np.tan(air) + depth * np.tan(in_water) == pytest.approx(distance, abs=1e-5)


@given(st.floats(0.1, 3), st.floats(0.5, 40), st.floats(0.05, 3))
def test_going_farther_or_lower_hides(height, distance, depth):
    here = seen_from_below(height, distance, depth).inside_edge_deg
    assert seen_from_below(height, distance * 1.2, depth).inside_edge_deg <= here + 1e-9
    assert seen_from_below(height * 0.8, distance, depth).inside_edge_deg <= here + 1e-9


def test_nothing_under_the_surface_is_asked_for():
    with pytest.raises(ValueError, match="above 0 m, got 0"):
        seen_from_below(0.0, 5.0, 0.5)
