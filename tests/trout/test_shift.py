"""How species, length and season move the curves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat.model import Fish
from reachmap.trout import load_curves
from reachmap.trout.shift import Curve, blend

CURVES = load_curves()
points = st.lists(
    st.tuples(st.floats(-3, 3, width=32), st.floats(0, 1)), min_size=1, max_size=6, unique_by=lambda p: p[0]
)


@given(points, points, st.floats(0, 1), st.floats(-4, 4))
def test_a_blend_lies_between_the_two_curves_everywhere(one, other, share, at):
    one, other = (tuple(sorted(each)) for each in (one, other))
    mixed = (1 - share) * np.interp(at, *zip(*one, strict=True)) + share * np.interp(at, *zip(*other, strict=True))
    blended = blend(one, other, share)
    assert np.all(np.diff([x for x, _ in blended]) > 0)
    assert Curve(1.0, blended).exact(at) == pytest.approx(mixed, abs=1e-9)


@pytest.mark.parametrize("eye", ["day", "night"])
def test_a_fish_of_twice_the_length_wants_more_by_the_powers_of_the_file(eye):
    """Speed at the nose by 2^0.4, depth by 2^0.3, by day and by night, the other curves as they are."""
    usual, large = (CURVES.shifted(Fish("brown", length), 13.0)[eye == "night"] for length in (0.35, 0.70))
    for factor, times in {"nose": 2**0.4, "depth": 2**0.3, "food": 1.0, "cover": 1.0, "seam": 1.0}.items():
        was, now = (np.array(curves[factor].points) for curves in (usual, large))
        assert now[:, 0] == pytest.approx(was[:, 0] * times)
        assert now[:, 1] == pytest.approx(was[:, 1])


def test_by_night_a_fish_that_needs_twice_the_light_is_as_well_off_in_twice_the_light():
    """Rader et al. 2007: rainbow 0.010 lux, brown 0.005 lux; the curve goes by the decadic logarithm."""
    brown, rainbow = (np.array(CURVES.shifted(Fish(s, 0.35), 13.0)[1]["light"].points) for s in ("brown", "rainbow"))
    assert rainbow[:, 0] - brown[:, 0] == pytest.approx(np.log10(2))
    assert brown == pytest.approx(np.array(CURVES.night["light"].points))
