"""Cover layers against areas and distances known by hand."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely

from reachmap.channel.cover import OVERHEAD, STRUCTURE_REACH_M, cover_layers, stones
from tests import toy


def beat_with(kinds, geometries, sizes, bridge_base=None):
    """The toy beat with these things in it, and a bridge deck if a height of its underside is given."""
    cover = gpd.GeoDataFrame(
        {"kind": kinds, "size_m": sizes, "height_m": np.nan, "note": ""}, geometry=geometries, crs=toy.CRS_LOCAL
    )
    shade = toy.beat().shade.iloc[:0]
    if bridge_base is not None:
        shade = gpd.GeoDataFrame(
            {
                "kind": ["bridge"],
                "height_m": [3.0],
                "base_m": [bridge_base],
                "radius_m": [np.nan],
                "leaf": [""],
                "note": [""],
            },
            geometry=[shapely.box(20, -9, 22, 9)],
            crs=toy.CRS_LOCAL,
        )
    return replace(toy.beat(), cover=cover, shade=shade)


@pytest.mark.parametrize("cell", [0.25, 0.5, 1.0])
def test_a_log_covers_its_own_area_whatever_the_cells(cell):
    grid = toy.channel(cell).grid
    log = shapely.LineString([(0.13, -2), (0.13, 3)])
    layers = cover_layers(beat_with(["log"], [log], [0.4]), grid)
    assert layers["overhead"].sum() * cell**2 == pytest.approx(5 * 0.4 + np.pi * 0.2**2, rel=0.05)


def test_an_undercut_reaches_as_far_under_the_bank_as_its_size():
    grid = toy.channel(0.5).grid
    bank = shapely.LineString([(-20, -8), (0, -8)])
    overhead = cover_layers(beat_with(["undercut"], [bank], [1.0]), grid)["overhead"]
    inside = (grid.x > -19) & (grid.x < -1)
    assert np.all(overhead[inside & (grid.y < -7)] == 1.0)
    assert np.all(overhead[grid.y > -6.5] == 0.0)


def test_structure_falls_from_the_edge_of_a_boulder():
    grid = toy.channel(0.25).grid
    structure = cover_layers(beat_with(["boulder"], [shapely.Point(5, 0)], [1.0]), grid)["structure"]
    away = np.maximum(np.hypot(grid.x - 5, grid.y) - 0.5, 0)
    assert structure == pytest.approx(np.clip(1 - away / STRUCTURE_REACH_M, 0, 1), abs=0.02)


def test_single_stones_of_one_and_a_half_metres_on_are_no_water():
    """As the README says, whatever the unit they were typed in."""
    sizes = [1.4, 1.5, 5 * 0.3048, 5.0, 5.7]
    made = beat_with(["boulder"] * 5, [shapely.Point(x, 0) for x in range(-40, 60, 20)], sizes)
    across = [2 * np.sqrt(area.area / np.pi) for _, area, _ in stones(made)]
    assert across == pytest.approx([1.5, 5 * 0.3048, 5.0], rel=0.01)


def test_a_low_bridge_covers_and_a_high_one_does_not():
    grid = toy.channel(0.5).grid
    for base, share in ((1.0, 1.0), (5.0, 0.0)):
        overhead = cover_layers(beat_with([], [], [], base), grid)["overhead"]
        under = (grid.x > 20) & (grid.x < 22)
        assert overhead[under] == pytest.approx(share)
        assert np.all(overhead[~under] == 0.0)


def test_things_outside_the_grid_change_nothing():
    grid = toy.channel(0.5).grid
    beat = beat_with(["log", "boulder"], [shapely.Point(500, 500), shapely.Point(-400, 0)], [1.0, 1.0])
    assert all(not layer.any() for layer in cover_layers(beat, grid).values())


def test_overlapping_cover_counts_once():
    grid = toy.channel(0.5).grid
    place = shapely.box(-2, -2, 2, 2)
    overhead = cover_layers(beat_with(["weed", "weed"], [place, place], [np.nan, np.nan]), grid)["overhead"]
    assert overhead.max() == pytest.approx(OVERHEAD["weed"])
