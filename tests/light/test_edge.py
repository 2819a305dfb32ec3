"""The edge of the shade against scipy's filter, and what must always hold of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage as ndi

from reachmap.channel.model import Grid
from reachmap.light import bed_terms, light_at, shade_edge
from reachmap.light.edge import edge_step
from reachmap.light.model import Body
from tests import toy

HIGH_SUN, MOON_DOWN = Body(58.0, 180.0, 100_000.0), Body(-20.0, 10.0, 0.0)


def blob(seed, cell_m=0.5):
    """Ragged water, some of it at the very edge of the grid."""
    rng = np.random.default_rng(seed)
    return Grid(0.0, 20.0, cell_m, ndi.gaussian_filter(rng.standard_normal((40, 60)), 3) > -0.05), rng


@given(st.integers(0, 500), st.sampled_from([0.25, 0.5, 1.0, 2.0]))
def test_the_sunniest_of_four_neighbours_counts_as_scipy_finds_it(seed, cell_m):
    grid, rng = blob(seed, cell_m)
    sun = rng.random(grid.n_wet).astype(np.float32)
    far = edge_step(cell_m)
    cross = np.zeros((2 * far + 1, 2 * far + 1), bool)
    cross[far, [0, far, -1]] = cross[[0, -1], far] = True
    best = ndi.maximum_filter(grid.spread(sun, dry=0.0), footprint=cross, mode="constant")
    terms = bed_terms(HIGH_SUN, MOON_DOWN, 1)
    whole = terms.sun_lux + terms.moon_lux + terms.clear_lux + terms.overcast_lux
    want = (best[grid.wet] - sun) * terms.sun_lux / whole
    np.testing.assert_allclose(shade_edge(grid, sun, terms), want, atol=1e-6)


@given(st.integers(0, 100), st.integers(0, 8), st.floats(-10, 60))
def test_it_stays_between_nothing_and_the_suns_share(seed, cloud, altitude):
    grid, rng = blob(seed)
    sun = np.round(rng.random(grid.n_wet)).astype(np.float32)
    up = Body(altitude, 180.0, 100_000.0 if altitude > 0 else 0.0)
    edge = shade_edge(grid, sun, bed_terms(up, MOON_DOWN, cloud))
    assert edge.min() >= 0.0
    assert edge.max() <= 1.0
    if cloud == 8 or altitude <= 0:
        assert not edge.any()


def test_it_lies_just_inside_the_shade():
    """A sharp line of shade across a straight channel: one reach of dim water along it, nothing in the sun."""
    grid = Grid(0.0, 10.0, 0.5, np.ones((20, 40), bool))
    sun = (grid.x > 10.0).astype(np.float32)
    edge = shade_edge(grid, sun, bed_terms(HIGH_SUN, MOON_DOWN, 0))
    inside = (grid.x > 9.0) & (grid.x < 10.0)
    assert edge[inside].min() > 0.5
    assert not edge[~inside].any()


@pytest.mark.parametrize("name", ["sunny noon", "overcast noon", "night"])
def test_a_scene_carries_it(name):
    """Under alders on the south bank the noon sun draws an edge; a grey sky and the night draw none."""
    channel = toy.channel()
    scene = next(s for s in toy.scenes() if s.name == name)
    edge = light_at(channel, scene)["shade_edge"]
    assert edge.dtype == np.float32
    assert (edge.max() > 0.3) == (name == "sunny noon")
