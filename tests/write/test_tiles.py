"""Where the page draws each cell, against the projection library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from reachmap.channel.model import Grid
from reachmap.write import map_page
from reachmap.write.tiles import TILE, tiles, wet_runs
from tests import toy


def band(length_m: float, cell_m: float, angle: float) -> Grid:
    """A straight wet band 12 m wide through the origin, at an angle to the grid [rad]."""
    half = length_m / 2
    side = int(np.ceil((half * max(abs(np.cos(angle)), abs(np.sin(angle))) + 20) / cell_m))
    at = (np.arange(2 * side) + 0.5 - side) * cell_m
    x, y = np.meshgrid(at, -at)
    along, across = x * np.cos(angle) + y * np.sin(angle), -x * np.sin(angle) + y * np.cos(angle)
    return Grid(-side * cell_m, side * cell_m, cell_m, (np.abs(along) < half) & (np.abs(across) < 6))


def drawn_at(grid: Grid, pieces: list[dict], to_web: Transformer) -> tuple[np.ndarray, np.ndarray]:
    """Web Mercator of every wet cell's centre as a web map draws the pieces: evenly between their corners."""
    row, col = grid.cells
    x, y = np.full(grid.n_wet, np.nan), np.full(grid.n_wet, np.nan)
    for piece in pieces:
        (south, west), (north, east) = piece["corners"]
        (x0, x1), (y0, y1) = to_web.transform([west, east], [south, north])
        inside = (row // TILE * TILE == piece["row"]) & (col // TILE * TILE == piece["col"])
        x[inside] = x0 + (col[inside] - piece["col"] + 0.5) / piece["w"] * (x1 - x0)
        y[inside] = y1 + (row[inside] - piece["row"] + 0.5) / piece["h"] * (y0 - y1)
    return x, y


@pytest.mark.parametrize("lat", [-43.0, 0.5, 54.2, 69.0])
@pytest.mark.parametrize(("length_m", "cell_m"), [(1000, 0.5), (4000, 1.0)])
@pytest.mark.parametrize("angle", [0.0, 0.7, 1.57])
def test_every_cell_is_drawn_within_half_a_cell_of_its_place(lat, length_m, cell_m, angle):
    """True place by PROJ (EPSG:3857), however long the reach and wherever on earth."""
    crs = CRS.from_proj4(f"+proj=tmerc +lat_0={lat} +lon_0=11 +k=1 +datum=WGS84 +units=m")
    grid = band(length_m, cell_m, angle)
    pieces = tiles(grid, Transformer.from_crs(crs, 4326, always_xy=True))
    x, y = drawn_at(grid, pieces, Transformer.from_crs(4326, 3857, always_xy=True))
    true_x, true_y = Transformer.from_crs(crs, 3857, always_xy=True).transform(grid.x, grid.y)
    off = np.hypot(x - true_x, y - true_y) * np.cos(np.radians(lat))
    assert np.isfinite(off).all()
    assert off.max() < cell_m / 2


def test_pieces_without_water_are_left_out():
    """A long slanting reach fills its box thinly: far fewer pieces than the box has."""
    grid = band(4000, 1.0, 0.785)
    to_wgs = Transformer.from_crs(toy.CRS_LOCAL, 4326, always_xy=True)
    pieces = tiles(grid, to_wgs)
    assert sum(piece["w"] * piece["h"] for piece in pieces) < 0.6 * grid.wet.size
    assert all(max(piece["w"], piece["h"]) <= TILE for piece in pieces)


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 12), st.integers(1, 15), st.integers(0, 2**31))
def test_runs_tell_exactly_the_wet_cells_in_their_order(rows, cols, seed):
    wet = np.random.default_rng(seed).random((rows, cols)) < 0.6
    wet[0, 0] = True
    grid = Grid(0.0, 0.0, 1.0, wet)
    runs = wet_runs(grid)
    told = [(r, c + k) for r, c, n in zip(*runs.values(), strict=True) for k in range(n)]
    assert told == list(zip(*np.nonzero(wet), strict=True))


@pytest.mark.browser
def test_a_place_on_the_map_finds_its_cell(offline, tmp_path):
    """In the page, over several pieces: the true place of a cell's centre, by PROJ, is found to be that cell."""
    ch = toy.channel(cell_m=0.2)
    path = tmp_path / "map.html"
    path.write_text(map_page(toy.result(ch)), encoding="utf-8")
    page = offline(path).page
    page.wait_for_selector("body[data-ready]", timeout=20000)
    assert page.evaluate("reachmapPage.U.tiles.length") > 1
    cells = np.random.default_rng(8).integers(0, ch.grid.n_wet, 500)
    to_wgs = Transformer.from_crs(toy.CRS_LOCAL, 4326, always_xy=True)
    lon, lat = to_wgs.transform(ch.grid.x[cells], ch.grid.y[cells])
    found = page.evaluate(
        "(places) => places.map(([lat, lng]) => reachmapPage.painter.locate(reachmapPage.map, {lat, lng}))",
        np.column_stack([lat, lon]).tolist(),
    )
    assert found == cells.tolist()
