"""Hills and patches on score maps whose answer is plain."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import ndimage

from reachmap.channel.model import Grid
from reachmap.trout.patches import find_patches, hills, neighbour_pairs

USUAL = {"least_score": 0.3, "prominence": 0.05, "fall": 0.2, "area_m2": (2.0, 40.0), "most_span": 0.5}


def square(rows, cols, cell=0.5):
    return Grid(0.0, rows * cell, cell, np.ones((rows, cols), bool))


def bump(grid, x, y, top, width):
    return top * np.exp(-((grid.x - x) ** 2 + (grid.y - y) ** 2) / (2 * width**2))


def test_pairs_are_all_eight_neighbours_once():
    """A full grid of r x c has r(c-1) + c(r-1) side pairs and 2(r-1)(c-1) corner pairs."""
    one, other = neighbour_pairs(square(4, 6))
    assert len(one) == 4 * 5 + 6 * 3 + 2 * 3 * 5
    assert len({frozenset(p) for p in zip(one.tolist(), other.tolist(), strict=True)}) == len(one)


def test_land_parts_neighbours():
    wet = np.ones((3, 5), bool)
    wet[:, 2] = False
    one, other = neighbour_pairs(Grid(0, 3, 1, wet))
    label = hills(np.linspace(0, 1, 12), (one, other), 0.5)[0]
    assert len(np.unique(label)) == 2


def test_two_tops_are_one_hill_when_the_dip_is_small():
    grid = square(20, 60)
    pairs = neighbour_pairs(grid)
    two = np.maximum(bump(grid, 8, 5, 0.9, 2), bump(grid, 22, 5, 0.8, 2))
    assert len(np.unique(hills(two, pairs, 0.05)[0][two > 0.2])) == 2
    near = np.maximum(bump(grid, 14, 5, 0.9, 2.5), bump(grid, 16, 5, 0.89, 2.5))
    assert len(np.unique(hills(near, pairs, 0.05)[0][near > 0.2])) == 1


@settings(max_examples=30, deadline=None)
@given(hnp.arrays(np.float32, (8, 9), elements=st.floats(0, 1, width=16)))
def test_no_merging_gives_one_hill_a_local_top(values):
    """With no prominence asked for, hills are the strict local tops that a maximum filter finds."""
    score = values + np.float32(1e-4) * np.arange(72, dtype=np.float32).reshape(8, 9)
    grid = Grid(0, 8, 1, np.ones((8, 9), bool))
    tops = score == ndimage.maximum_filter(score, size=3, mode="constant", cval=-1)
    label = hills(score.ravel(), neighbour_pairs(grid), 0.0)[0]
    if len(np.unique(score)) == 72:
        assert set(np.unique(label)) == set(np.nonzero(tops.ravel())[0])


@settings(max_examples=30, deadline=None)
@given(hnp.arrays(np.float32, (8, 9), elements=st.floats(0, 1, width=16)), st.floats(0.01, 0.5))
def test_more_prominence_never_makes_more_hills(values, prominence):
    grid = Grid(0, 8, 1, np.ones((8, 9), bool))
    pairs = neighbour_pairs(grid)
    few = len(np.unique(hills(values.ravel(), pairs, prominence)[0]))
    assert few <= len(np.unique(hills(values.ravel(), pairs, 0.0)[0]))


def test_a_patch_is_the_top_of_its_hill():
    grid = square(40, 120)
    score = bump(grid, 20, 10, 0.9, 2)
    (patch,) = find_patches(score, grid, grid.x, **USUAL)
    assert patch.top == pytest.approx(0.9, abs=0.02)
    inside = np.zeros(grid.n_wet, bool)
    inside[patch.cells] = True
    assert np.array_equal(inside, score >= patch.top - 0.2)


def test_speckle_is_no_patch():
    grid = square(40, 120)
    score = np.full(grid.n_wet, 0.35)
    score[::97] = 0.9
    assert find_patches(score, grid, grid.x, **USUAL) == []


def test_a_flat_map_has_no_patch():
    grid = square(20, 100)
    assert find_patches(np.full(grid.n_wet, 0.9), grid, grid.x, **USUAL) == []
    ridge = 0.9 * np.exp(-((grid.y - 5) ** 2))
    assert find_patches(ridge, grid, grid.x, **USUAL) == []


def test_nothing_good_gives_nothing():
    grid = square(10, 10)
    assert find_patches(np.full(grid.n_wet, 0.1), grid, grid.x, **USUAL) == []


def test_a_large_patch_is_cut_to_its_best_in_one_piece():
    grid = square(60, 200)
    score = bump(grid, 30, 15, 0.9, 8)
    (patch,) = find_patches(score, grid, grid.x, **USUAL)
    assert len(patch.cells) * 0.25 == pytest.approx(40)
    mask = np.zeros(grid.n_wet, bool)
    mask[patch.cells] = True
    assert ndimage.label(grid.spread(mask, dry=0))[1] == 1


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000))
def test_patches_never_share_a_cell(seed):
    grid = square(30, 80)
    noise = ndimage.gaussian_filter(np.random.default_rng(seed).random(grid.shape), 3).ravel()
    score = (noise - noise.min()) / np.ptp(noise)
    patches = find_patches(score, grid, grid.x, **USUAL)
    cells = np.concatenate([p.cells for p in patches]) if patches else np.zeros(0, int)
    assert len(np.unique(cells)) == len(cells)
    assert all(len(p.cells) * 0.25 >= 2.0 for p in patches)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000))
def test_patches_are_the_pieces_around_their_tops(seed):
    """Uncut and of any size they are what scipy labels: the good cells of a hill that hang together with its top."""
    rng = np.random.default_rng(seed)
    wet = ndimage.gaussian_filter(rng.random((30, 60)), 2) > 0.48
    wet[[0, -1]] = wet[:, [0, -1]] = False
    grid = Grid(0.0, 15.0, 0.5, wet)
    score = ndimage.gaussian_filter(rng.random((30, 60)), 1)[wet].astype(np.float32)
    score = (score - score.min()) / np.ptp(score)
    asked = {**USUAL, "area_m2": (0.0, 1e6), "most_span": 1.0}
    found = {int(p.cells[0]): np.sort(p.cells) for p in find_patches(score, grid, grid.x, **asked)}
    high = np.flatnonzero(score >= 0.25)
    hill = np.full(grid.n_wet, -1)
    hill[high] = high[hills(score[high], neighbour_pairs(grid, high), 0.05, 0.3)[0]]
    expected = {}
    for top in np.unique(hill[score >= 0.3]):
        good = (hill == top) & (score >= max(0.3, score[top] - 0.2))
        label = ndimage.label(grid.spread(good, dry=0), structure=np.ones((3, 3)))[0][wet]
        expected[int(top)] = np.flatnonzero(label == label[top])
    assert found.keys() == expected.keys()
    for top, cells in expected.items():
        np.testing.assert_array_equal(found[top], cells)
