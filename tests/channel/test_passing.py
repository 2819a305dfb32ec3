"""How fast sections are passed, by continuity."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from reachmap.channel.passing import Passing


def passing(depth_of, sounded=(0.0, 41.0), length=41, width=8, size_m=1.0):
    """How fast 1 m3/s passes the sections of a straight stream of cells of a metre, by the law of conveyance; on a mesh
    of this size."""
    along, across = (a.ravel() for a in np.meshgrid(np.arange(length) + 0.5, np.arange(width) + 0.5, indexing="ij"))
    depth, row = depth_of(along, across), along.astype(int)
    unit_speed = depth ** (2 / 3) / np.bincount(row, depth ** (5 / 3))[row]
    kept = (along < length - 1) | (across < 1)  # of the last row only a cell is left
    reach = SimpleNamespace(cells=SimpleNamespace(along=along[kept]), mesh=SimpleNamespace(size_m=size_m))
    found = Passing.make(reach, SimpleNamespace(unit_speed=unit_speed[kept]), depth[kept], np.array(sounded))
    return found.at(np.arange(1.0, length))


@pytest.mark.parametrize("size_m", [0.25, 0.75, 1.0])
def test_a_section_of_half_the_room_is_passed_twice_as_fast(size_m):
    """However fine the mesh, and however many rows of cells a section has."""
    fast = passing(lambda along, across: np.where((along > 10) & (along < 20), 0.5, 1.0), size_m=size_m)
    assert fast[:8] == pytest.approx(1.0)
    assert fast[11:18] == pytest.approx(2.0)


def test_a_shallow_margin_counts_by_the_little_that_passes_it():
    """Half the width an eighth as deep: there speed is 1/4, d^(2/3), and what passes 1/32, d^(5/3). Of four such cells
    and four whole ones 1 m3/s fills (4 + 4/32), and the mean over what passes is (4 + 4/32/4) / (4 + 4/32)^2; in the
    even section it is 1/8."""
    fast = passing(lambda along, across: np.where((along > 12) & (across < 4), 1 / 8, 1.0), sounded=(0.0, 38.0))
    assert fast[16:32] / fast[:8].mean() == pytest.approx(8 * (4 + 1 / 32) / (4 + 1 / 8) ** 2)


def test_past_the_soundings_no_section_is_passed_faster_than_between_them():
    """Where the depth of the map runs out."""

    def bed(along, across):
        return np.where(along > 30, 0.02, np.where(along < 10, 0.5, 1.0))

    assert passing(bed)[34] > 20
    held = passing(bed, sounded=(0.0, 28.0))
    assert held.max() == pytest.approx(held[:8].mean())


def test_a_cell_left_over_at_the_end_stands_for_no_section():
    """It is by one bank, where the water is slow."""
    fast = passing(lambda along, across: np.where(across < 1, 0.1, 1.0))
    assert fast[-4:] == pytest.approx(fast[10], rel=0.1)
