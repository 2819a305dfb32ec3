"""Horizon angles against trigonometry."""

from __future__ import annotations

import numpy as np
import pytest

from reachmap.beat.model import Skyline, Terrain
from reachmap.light.horizon import horizon_of
from reachmap.light.model import Body
from reachmap.light.shade import prepare_shade
from reachmap.light.shadow import in_blocks
from tests.light.waters import pond


def ridge(height_m, distance_m, cell_m=10.0):
    """A long ridge to the south, everything else flat; beyond the ridge the surface is unknown."""
    rows, cols = 300, 300
    y = 1500 - (np.arange(rows) + 0.5) * cell_m
    height = np.where(y < -distance_m, np.nan, 0.0)
    height[np.argmin(np.abs(y + distance_m))] = height_m
    return Terrain(np.repeat(height[:, None], cols, axis=1).astype(np.float32), -1500.0, 1500.0, cell_m)


@pytest.mark.parametrize(("height", "distance"), [(100.0, 800.0), (300.0, 1200.0), (20.0, 150.0)])
def test_a_far_ridge(height, distance):
    water = pond(3, 3, 1.0)
    horizon = horizon_of(ridge(height, distance), None, in_blocks(water.grid, water["depth"]))
    true = np.degrees(np.arctan(height / distance))
    assert horizon.toward(180.0).mean() == pytest.approx(true, rel=0.08)
    assert horizon.toward(0.0).max() == 0
    # A ridge square to the sight line falls away as the cosine.
    slant = np.degrees(np.arctan(height / distance * np.cos(np.radians(40))))
    assert horizon.toward(220.0).mean() == pytest.approx(slant, rel=0.1)


def test_a_skyline_hides_the_sun_like_a_ridge_and_the_higher_of_both_counts():
    far = Skyline(np.array([0.0, 90.0, 180.0, 270.0]), np.array([0.0, 0.0, 20.0, 0.0]))
    for water in (pond(3, 3, 1.0, skyline=far), pond(3, 3, 1.0, skyline=far, terrain=ridge(100.0, 800.0))):
        shade = prepare_shade(water)
        assert not shade.beam(Body(18.0, 180.0, 1.0), True).any()
        assert shade.beam(Body(22.0, 180.0, 1.0), True).all()
        # Half way to flat east the skyline stands at 10 degrees, above what a ridge square to south still has.
        assert not shade.beam(Body(9.0, 135.0, 1.0), True).any()
        assert shade.beam(Body(11.5, 135.0, 1.0), True).all()


def test_the_ridge_hides_a_low_sun():
    shade = prepare_shade(pond(3, 3, 1.0, terrain=ridge(300.0, 1200.0)))
    assert not shade.beam(Body(11.0, 180.0, 1.0), True).any()
    assert shade.beam(Body(18.0, 180.0, 1.0), True).all()
    assert shade.beam(Body(11.0, 0.0, 1.0), True).all()
