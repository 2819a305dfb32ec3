"""The surface against Fresnel's and Snell's laws, integrated here by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from reachmap.light.surface import (
    MU_OVERCAST,
    MU_UNIFORM,
    T_OVERCAST,
    T_UNIFORM,
    beam_mu,
    bed_offset,
    refracted,
    surface_transmission,
)
from tests.published import load

ROWS = load("light")


def test_beam_transmission():
    ROWS["E1"].check(surface_transmission([90, 30, 10]))
    ROWS["E5"].check(1 - surface_transmission([30, 10, 5], riffled=True))
    assert surface_transmission(0.0) == 0


def test_critical_angle():
    ROWS["E2"].check(np.degrees(np.arccos(beam_mu(0.0))))


@pytest.mark.parametrize(("k", "sky"), [(0, lambda s: 1.0), (1, lambda s: (1 + 2 * s) / 3)])
def test_scattered_light_through_the_surface(k, sky):
    ROWS["E3"].check([1 - T_UNIFORM, 1 - T_OVERCAST])
    ROWS["E3-mu"].check([MU_UNIFORM, MU_OVERCAST])

    def over(f):
        return quad(lambda e: f(np.degrees(e)) * sky(np.sin(e)) * np.sin(e) * np.cos(e), 1e-9, np.pi / 2)[0]

    let_in = over(surface_transmission) / over(lambda h: 1.0)
    mu = over(surface_transmission) / over(lambda h: surface_transmission(h) / beam_mu(h))
    assert let_in == pytest.approx((T_UNIFORM, T_OVERCAST)[k], abs=5e-4)
    assert mu == pytest.approx((MU_UNIFORM, MU_OVERCAST)[k], abs=1e-3)


def test_path_to_the_bed():
    ROWS["E4"].check([float(bed_offset(2.0, 30.0)), 2.0 / float(beam_mu(30.0))])


def test_refraction_of_a_low_sun():
    # Almanac: 34' at the horizon as seen, hence the true altitude -0.57 deg shows at about 0.
    assert refracted(-0.57) == pytest.approx(0.0, abs=0.06)
    assert refracted(60.0) == pytest.approx(60.0, abs=0.02)
    assert refracted(-10.0) == -10.0
