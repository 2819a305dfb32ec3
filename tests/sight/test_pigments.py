"""Visual pigments against the published template."""

from __future__ import annotations

import numpy as np
import pytest

from reachmap.light.colours import BANDS_NM, DAYLIGHT
from reachmap.sight.pigments import CONES_NM, ROD_NM, alpha_band, band_sensitivity, pigment
from tests.published import load

ROWS = load("sight")


def test_the_template():
    ROWS["pigment-527"].check(alpha_band([450, 500, 527, 550, 600, 650], 527.0))
    ROWS["pigment-600"].check(alpha_band([500, 550, 650], 600.0))


def test_rods_in_daylight_by_band():
    caught = DAYLIGHT * band_sensitivity(ROD_NM)
    ROWS["rod-bands"].check(caught / caught.sum())


@pytest.mark.parametrize("peak", CONES_NM)
def test_each_cone_peaks_in_its_own_band(peak):
    low, high = BANDS_NM[int(band_sensitivity(peak).argmax())]
    assert low - 25 <= peak <= high + 25


def test_daylight_sums_to_one():
    assert np.isclose(DAYLIGHT.sum(), 1.0, atol=1e-3)


def test_the_beta_band_adds_in_the_violet_only():
    """For a rod of 527 nm it lies at 368 nm (216.7 + 0.287 x 527) and is gone in the red."""
    extra = pigment([368, 650], ROD_NM) - alpha_band([368, 650], ROD_NM)
    assert extra[0] == pytest.approx(0.37, abs=1e-3)
    assert extra[1] < 1e-6
