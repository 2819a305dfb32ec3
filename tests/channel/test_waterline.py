"""Distance to the waterline against shapely, cell by cell, and between the corners of blocks."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from reachmap.channel.build import lay_reach
from tests.channel.rivers import River, beat


@pytest.fixture(scope="module")
def river():
    return River.make(240.0)


def banks(river):
    """The waterline without the end caps, as the river's own two bank lines."""
    sides = [river.at(river.s[::4], np.full(len(river.s[::4]), side * river.width / 2)) for side in (1, -1)]
    return shapely.MultiLineString([shapely.LineString(side) for side in sides])


@pytest.mark.parametrize("cell", [0.1, 0.5])
def test_every_cell_is_as_far_from_the_bank_as_shapely_says(river, cell):
    reach, _, _ = lay_reach(beat(river.outline, caps=river.caps), cell)
    got = reach.cells.bank_distance
    true = shapely.distance(banks(river), shapely.points(reach.grid.x, reach.grid.y))
    near = true < 1.0
    # At the very ends the outline's corners are rounded by how its pieces are told apart.
    inside = (reach.cells.along > 2) & (reach.cells.along < reach.length_m - 2)
    assert np.abs(got - true)[near & inside].max() < 0.02
    # Between the corners of blocks only the middle of the river, where the nearest bank changes, is a little short.
    assert np.abs(got - true)[inside].max() < river.width / 48
    assert np.sqrt(np.mean((got - true)[inside] ** 2)) < 0.02


def test_distance_of_points_is_exact(river):
    reach, _, _ = lay_reach(beat(river.outline, caps=river.caps), 0.5)
    s, n = np.linspace(20, 220, 60), np.linspace(-7, 7, 60)
    x, y = river.at(s, n).T
    true = shapely.distance(banks(river), shapely.points(x, y))
    np.testing.assert_allclose(reach.bank_distance(x, y), true, atol=0.01)
