"""Temperatures in print."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from reachmap.beat.warmth import looks_as_warm, printed_celsius, printed_fahrenheit


@pytest.mark.parametrize(
    ("celsius", "tenth", "whole_f"),
    [(19.7778, 19.8, 68), (22.5, 22.5, 73), (22.25, 22.3, 72), (20.0, 20.0, 68), (0.0, 0.0, 32), (-0.55, -0.5, 31)],
)
def test_halves_go_up(celsius, tenth, whole_f):
    assert printed_celsius(celsius) == tenth
    assert printed_fahrenheit(celsius) == whole_f


@given(st.integers(30, 100))
def test_a_whole_degree_fahrenheit_comes_back(fahrenheit):
    assert printed_fahrenheit((fahrenheit - 32) * 5 / 9) == fahrenheit


@example(19.7778, 0.0)  # 19.8 C, but 68 F as 20 C are
@given(st.floats(-1, 40), st.floats(0, 5))
def test_what_is_printed_alike_or_warmer_is_as_warm(celsius, more):
    assert looks_as_warm(20.0 + more, 20.0)
    if printed_fahrenheit(celsius) >= 68 or printed_celsius(celsius) >= 20.0:
        assert looks_as_warm(celsius + more, 20.0)
    else:
        assert not looks_as_warm(celsius, 20.0)
