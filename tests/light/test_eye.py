"""The eye's state: limits found in the literature, the hour of switching, dusk and dawn alike."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat.model import SPECIES
from reachmap.light.eye import DAY_EYE_LUX, SWITCH_MIN, eye_after, eye_aim, next_eye


def test_limits_by_species():
    assert set(DAY_EYE_LUX) == set(SPECIES)
    # Rader et al. 2007 (West. N. Am. Nat. 67:524): rainbow and cutthroat need twice the light of brown and brook.
    assert DAY_EYE_LUX["rainbow"] / DAY_EYE_LUX["brown"] == pytest.approx(0.01 / 0.005)
    # Ali 1961 (Can. J. Zool.): cones dark-adapted at 0.001 lux; a day's light is far above.
    assert eye_aim(np.array([1e-3, 100.0]), "brown").tolist() == [0.0, 1.0]


def test_about_an_hour_after_dark():
    # Ali 1962: pigment 45 min from dim light, not done after 70 min from bright; common practice: about an hour.
    dark = [np.array([1e4])] + [np.array([0.0])] * 3
    assert 0 < eye_after(dark, 10, "brown")[0] < 1
    late = [np.array([1e4])] + [np.array([0.0])] * 7
    assert eye_after(late, 10, "brown")[0] == 0
    assert 45 <= SWITCH_MIN <= 70


def test_dawn_mirrors_dusk():
    lux = [np.array([10.0 ** (3 - 0.5 * k)]) for k in range(14)]
    dusk = [eye_after(lux[: k + 1], 10, "brown")[0] for k in range(14)]
    dawn_lux = [np.array([3e-4])] * 1 + [np.array([10.0 ** (-3.5 + 0.5 * k)]) for k in range(14)]
    dawn = [eye_after(dawn_lux[: k + 2], 10, "brown")[0] for k in range(14)]
    assert dusk == sorted(dusk, reverse=True)
    assert dawn == sorted(dawn)
    # The eye is behind the light both ways: nightward too bright a state, dayward too dark a one.
    assert all(state >= eye_aim(now, "brown")[0] for state, now in zip(dusk, lux, strict=True))
    assert all(state <= eye_aim(now, "brown")[0] for state, now in zip(dawn, dawn_lux[1:], strict=True))


@given(st.floats(0, 1), st.floats(0, 1e5), st.floats(0.1, 60), st.sampled_from(SPECIES))
def test_the_state_stays_in_range_and_never_jumps(state, lux, minutes, species):
    after = float(next_eye(np.array(state), np.array(lux), minutes, species))
    assert 0 <= after <= 1
    assert abs(after - state) <= minutes / 60 + 1e-12
