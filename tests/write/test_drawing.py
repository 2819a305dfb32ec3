"""What maps on paper have in common."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.write.drawing import round_length

UNITS = {"m": 1.0, "km": 1000.0, "ft": 0.3048, "mi": 1609.344}
"""NIST SP 811, appendix B (from memory) [m]."""


@given(st.floats(1.0, 1e7), st.sampled_from(["metric", "imperial"]))
def test_a_scale_is_as_long_as_it_says_and_round(most_m, units):
    length, words = round_length(most_m, units)
    figure, unit = words.split()
    assert length == pytest.approx(float(figure) * UNITS[unit])
    assert most_m / 2.5 * (1 - 1e-6) <= length <= most_m * (1 + 1e-6)
    first = float(figure) / 10 ** math.floor(math.log10(float(figure)) + 1e-9)
    assert any(first == pytest.approx(step) for step in (1, 2, 5))


@pytest.mark.parametrize(
    ("most_m", "units", "words"),
    [(999, "metric", "500 m"), (1000, "metric", "1 km"), (1600, "imperial", "5000 ft"), (1610, "imperial", "1 mi")],
)
def test_long_ways_are_in_kilometres_and_miles(most_m, units, words):
    assert round_length(most_m, units)[1] == words
