"""The water of a map in tiles, against the whole map held by numpy."""

from unittest.mock import patch

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from reachmap.channel.model import BESIDE, Grid
from reachmap.channel.sheet import TILE, Sheet


@st.composite
def maps(draw):
    """Maps of up to three tiles a side, patches of water on some, single cells on others."""
    shape = draw(st.integers(1, 3 * TILE)), draw(st.integers(1, 3 * TILE))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    wet = rng.random(shape) < draw(st.sampled_from([0.001, 0.3, 0.99]))
    top, left = (draw(st.integers(0, n)) for n in shape)
    wet[top : top + TILE + 7, left:] = False
    return wet


def numbered(wet: np.ndarray, margin: int) -> np.ndarray:
    """Position of every cell among the wet ones, -1 where dry, with a dry margin."""
    index = np.full(wet.shape, -1)
    index[wet] = np.arange(wet.sum())
    return np.pad(index, margin, constant_values=-1)


@given(maps())
def test_cells_and_positions_are_those_of_the_whole_map(wet):
    sheet = Sheet.of_map(wet)
    assert np.array_equal(np.array(sheet.cells), np.array(np.nonzero(wet)))
    rows, cols = np.meshgrid(*(np.arange(-9, n + 9) for n in wet.shape), indexing="ij")
    assert np.array_equal(sheet.at(rows, cols), numbered(wet, 9))
    far = np.array([-10_000, -TILE - 1, wet.shape[0] + 2 * TILE, 10_000, 3, 3])
    assert np.all(sheet.at(far, np.array([3, 3, 3, 3, 10_000, -10_000])) == -1)


@given(maps(), st.tuples(*[st.integers(-2 * TILE, 5 * TILE)] * 4))
def test_a_window_is_cut_out_of_the_whole_map(wet, edges):
    top, bottom, left, right = *sorted(edges[:2]), *sorted(edges[2:])
    whole = numbered(wet, 6 * TILE)[6 * TILE + top : 6 * TILE + bottom, 6 * TILE + left : 6 * TILE + right]
    assert np.array_equal(Sheet.of_map(wet).window(top, bottom, left, right), whole)


@given(maps(), st.integers(TILE, 2 * TILE))
def test_the_windows_hold_every_wet_cell_once(wet, side):
    seen = np.zeros(wet.shape, int)
    for top, bottom, left, right in Sheet.of_map(wet).windows(side):
        seen[top:bottom, left:right] += 1
    assert seen.max() <= 1
    assert np.all(seen[wet] == 1)


@given(maps().filter(np.any), st.integers(1, 9))
def test_full_blocks_are_those_of_the_whole_map(wet, side):
    down, aside = (n // side for n in wet.shape)
    inner = wet[: down * side, : aside * side].reshape(down, side, aside, side)
    with patch("reachmap.channel.model.WINDOW", TILE):
        found = Grid(0.0, 0.0, 1.0, wet).full_blocks(side)
    assert sorted(zip(*map(list, found), strict=True)) == list(zip(*np.nonzero(inner.all(axis=(1, 3))), strict=True))


def test_land_takes_no_room():
    far = 200_000
    rows = np.arange(0, far, 7)
    sheet = Sheet.of_cells((far, far), rows, rows)
    assert len(sheet.cells[0]) == len(rows)
    held = sheet.number.nbytes + sheet.wet.nbytes
    assert held < far * far / 500


@given(maps().filter(np.any))
def test_cells_beside_land_are_those_of_the_whole_map(wet):
    index, dry = numbered(wet, 1), ~np.pad(wet, 1)
    for (down, aside), found in zip(BESIDE, Grid(0.0, 0.0, 1.0, wet).beside_land(), strict=True):
        beside = np.roll(dry, (-down, -aside), (0, 1))
        assert np.array_equal(found, index[~dry & beside])
