"""Which way the water runs: on the map, on the card, and labelled a guess where it is one."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from pyproj import CRS, Geod, Transformer

import reachmap
from reachmap.write import card_page, map_page
from reachmap.write.current import MOST, current_marks
from reachmap.write.webmap_data import page_data
from reachmap.write.webmap_shapes import _current
from tests import toy


@pytest.fixture(scope="module")
def sample_result(sample_folder):
    return reachmap.analyse(sample_folder)


def test_every_arrow_of_the_sample_leads_downstream_and_lies_in_strong_current(sample_result):
    """Five metres on by the arrow the water is further from the head; no slack corner has an arrow."""
    channel = sample_result.channel
    marks = current_marks(channel)
    assert len(marks) > 10
    here, ahead = (channel.grid.locate(*(marks[:, :2] + step * marks[:, 2:4]).T) for step in (0.0, 5.0))
    assert (here >= 0).all()
    inside = ahead >= 0
    assert inside.sum() > 0.8 * len(marks)
    gone = channel["along"][ahead[inside]] - channel["along"][here[inside]]
    assert (gone > 2.5).all()
    carries = channel["depth"] * channel["speed"]
    assert (carries[here] > np.median(carries)).all()


def test_any_number_of_the_first_arrows_is_spread_over_the_whole_beat(sample_result):
    """Shown only some of them, no part of the beat is left without: no gap over twice the even one, and an end."""
    channel = sample_result.channel
    marks = current_marks(channel)
    along = channel["along"][channel.grid.locate(*marks[:, :2].T)]
    whole = np.ptp(channel["along"])
    for some in range(2, len(marks) + 1):
        gaps = np.diff(np.sort(along[:some]), append=along.max())
        assert gaps.max() <= 2.0 * whole / some + 2.0 * whole / len(marks)


def test_standing_water_has_no_arrow_and_a_long_river_not_too_many():
    ch = toy.channel(cell_m=1.0)
    still = ch.with_layers(speed=np.zeros(ch.grid.n_wet, np.float32))
    assert current_marks(still).shape == (0, 5)
    assert page_data(toy.result(still))["shapes"]["current"] == []
    narrow = ch.with_layers(width=np.full(ch.grid.n_wet, 0.01, np.float32))
    assert len(current_marks(narrow)) <= MOST


@pytest.mark.parametrize("crs", ["EPSG:32630", "EPSG:27700"])
def test_the_page_turns_arrows_by_true_north(crs):
    """On a grid that is not turned to true north, bearings are those of the geodesic (PROJ's, by pyproj)."""
    ch = toy.channel(cell_m=1.0)
    x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(toy.LON, toy.LAT)
    grid = replace(ch.grid, x0=ch.grid.x0 + x, y1=ch.grid.y1 + y, water=ch.grid.sheet)
    moved = replace(ch, beat=replace(ch.beat, crs=CRS(crs)), grid=grid)
    marks = current_marks(moved)
    to_wgs = Transformer.from_crs(crs, 4326, always_xy=True)
    lon, lat = to_wgs.transform(*marks[:, :2].T)
    there = to_wgs.transform(*(marks[:, :2] + 10 * marks[:, 2:4]).T)
    bearing = Geod(ellps="WGS84").inv(lon, lat, *there)[0]
    got = np.array(_current(moved, to_wgs))
    np.testing.assert_allclose(got[:, :2], np.column_stack([lat, lon]), atol=1e-6)
    np.testing.assert_allclose(got[:, 2], bearing, atol=0.6)
    assert abs(bearing - 90).max() > 0.25


def test_a_guess_is_called_one():
    ch = toy.channel(cell_m=1.0)
    said = "Which way the water runs is a guess"
    for assumed in (False, True):
        data = page_data(toy.result(replace(ch, report={**ch.report, "head_assumed": assumed})))
        assert any(said in text for text in data["honest"]) is assumed
        assert data["guessed"]["upstream"] is assumed


@pytest.mark.browser
def test_from_far_away_an_arrow_points_down_the_valley_and_not_into_a_bend(offline, tmp_path):
    """A river that winds by 50 degrees to either side of east: from far away every arrow points about east."""
    ch = toy.channel(cell_m=1.0)
    ahead = np.radians(50 * np.sin(2 * np.pi * ch.grid.x / 8)).astype(np.float32)
    winding = {"flow_east": np.cos(ahead), "flow_north": np.sin(ahead), "width": np.full(ch.grid.n_wet, 2, np.float32)}
    path = tmp_path / "map.html"
    path.write_text(map_page(toy.result(ch.with_layers(**winding))), encoding="utf-8")
    page = offline(path, 1280, 800).page
    page.wait_for_selector("body[data-ready]")
    turns = "[...document.querySelectorAll('.current svg')].map((a) => Number(a.style.transform.match(/-?[0-9.]+/)[0]))"
    page.evaluate("reachmapPage.map.setZoom(reachmapPage.map.getZoom() - 1, {animate: false})")
    far = page.evaluate(turns)
    page.evaluate("reachmapPage.map.setZoom(reachmapPage.map.getZoom() + 4, {animate: false})")
    near = page.evaluate(turns)
    assert len(far) >= 2
    assert np.abs(far).max() < 15
    assert np.abs(near).max() > 15


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_the_card_has_arrows_north_and_a_scale_that_is_true(units):
    """The bar is as long in the sketch, which is in metres, as its words say."""
    made = toy.result(toy.channel(cell_m=1.0, beat=toy.beat(units=units)))
    page = card_page(made)
    assert len(re.findall("class='current'", page)) >= 2
    turned = {float(turn) % 360 for turn in re.findall(r"rotate\((-?\d+)\)", page)}
    assert turned == {0.0}, "the toy flows east"
    assert ">N</text>" in page
    length, figure, unit = re.search(r"class='bar'[^>]*h([\d.]+)'/><text[^>]*>([\d.]+) (\w+)<", page).groups()
    assert unit == {"metric": "m", "imperial": "ft"}[units]
    assert float(length) == pytest.approx(float(figure) * {"m": 1.0, "ft": 0.3048}[unit], abs=0.01)


ARROWS = (
    "[...document.querySelectorAll('.current')].map((a) => { const b = a.getBoundingClientRect(); "
    "return [b.left, b.top, b.right, b.bottom]; })"
)


@pytest.mark.browser
@pytest.mark.parametrize("size", [(1280, 800), (390, 844)])
def test_the_map_says_it_at_first_glance_and_nothing_is_covered(offline, tmp_path, size):
    ch = toy.channel(cell_m=1.0)
    path = tmp_path / "map.html"
    path.write_text(map_page(toy.result(ch)), encoding="utf-8")
    page = offline(path, *size).page
    page.wait_for_selector("body[data-ready]")
    arrows = page.evaluate(ARROWS)
    assert arrows
    tags = page.evaluate(ARROWS.replace(".current", ".lie-tag:not([hidden])"))
    for a in arrows:
        assert not any(a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3] for b in tags)
    assert set(page.evaluate("[...document.querySelectorAll('.current svg')].map((a) => a.style.transform)")) == {
        "rotate(0deg)"
    }
    # However crowded the numbers are, one arrow has its place.
    page.evaluate("reachmapPage.map.setZoom(reachmapPage.map.getZoom() - 3, {animate: false})")
    assert len(page.evaluate(ARROWS)) >= 1
    page.evaluate("document.getElementById('extra-current').click()")
    assert page.evaluate(ARROWS) == []
    assert "Arrows: which way the water runs." in page.evaluate("document.getElementById('signs').textContent")
