"""Notes on the map page that another map kept on the device: an older one of the same beat, or a neighbour's."""

from __future__ import annotations

import json
from dataclasses import replace

import geopandas as gpd
import pytest
import shapely
from pyproj import Transformer

from reachmap.beat.notes import write_notes
from reachmap.write import map_page
from tests import toy
from tests.browser import anew

OLD, NEW = shapely.box(-60, -8, 60, 8), shapely.box(-60, -8, 60.2, 8)
"""The toy's outline, and that with an end moved by a foot."""


def note(name: str, text: str, east: float, **more) -> dict:
    """A note so many metres east of the toy's middle, as the page keeps it."""
    lon, lat = Transformer.from_crs(toy.CRS_LOCAL, 4326, always_xy=True).transform(east, 0.0)
    place = {"type": "Point", "coordinates": [round(lon, 7), round(lat, 7)]}
    said = {"id": name, "text": text, "kind": "note", "time": "t1", "replaces": [], "deleted": False, **more}
    return {"type": "Feature", "geometry": place, "properties": said}


@pytest.fixture(scope="module")
def draw(tmp_path_factory):
    """Write the page of the toy water within an outline, with notes of its own."""
    made = toy.result(toy.channel(cell_m=1.0))

    def write(outline, notes=()):
        beat = replace(made.channel.beat, outline=shapely.MultiPolygon([outline]))
        if notes:
            beat = replace(beat, notes=gpd.GeoDataFrame.from_features(list(notes), crs=4326).to_crs(toy.CRS_LOCAL))
        path = tmp_path_factory.mktemp("map") / "map.html"
        path.write_text(map_page(replace(made, channel=replace(made.channel, beat=beat))), encoding="utf-8")
        return path

    return write


def go(page, path) -> None:
    """To another map, or the same one anew."""
    anew(page, path)
    page.locator("#tab-notes").click()


def show_notes(page) -> None:
    page.wait_for_selector("body[data-ready]", timeout=20000)
    page.locator("#tab-notes").click()


def keep(page, name: str, kept) -> None:
    """Put on the device what another map kept there."""
    page.evaluate("([name, kept]) => localStorage.setItem(`reachmap:notes:${name}`, kept)", [name, json.dumps(kept)])


def listed(page) -> list[str]:
    return sorted(text.removeprefix("note\n") for text in page.locator("#note-list li").all_inner_texts())


def opened(offline, path):
    one = offline(path)
    show_notes(one.page)
    return one


@pytest.mark.browser
def test_a_newer_map_of_the_beat_has_the_notes_of_the_older_and_both_stay_one(offline, draw):
    """Written on the old map, edited and taken back on the new one, looked at on the old one again."""
    old, new = draw(OLD), draw(NEW)
    one = opened(offline, old)
    page = one.page
    for words in ("heron", "otter"):
        page.evaluate("reachmapPage.notes.add(reachmapPage.map.getCenter())")
        page.locator("#note-text").fill(words)
        page.locator("#note-keep").click()
    before = page.evaluate("({...localStorage})")
    go(page, new)
    assert listed(page) == ["heron", "otter"]
    with page.expect_download() as got:
        page.locator("#note-download").click()
    assert "heron" in got.value.path().read_text(encoding="utf-8")
    page.locator("#note-list button", has_text="heron").click()
    page.locator("#note-text").fill("heron at dusk")
    page.locator("#note-keep").click()
    page.locator("#note-list button", has_text="otter").click()
    page.locator("#note-delete").click()
    after = page.evaluate("({...localStorage})")
    assert before.items() <= after.items(), "what the old map kept is as it was"
    for path in (new, old):
        go(page, path)
        assert listed(page) == ["heron at dusk"]
    assert one.said == one.asked == []


@pytest.mark.browser
def test_an_older_maps_notes_come_with_those_far_off_but_a_neighbours_only_where_near(offline, draw):
    path = draw(OLD)
    one = opened(offline, path)
    keep(one.page, "older", [note("a", "stile", 0), note("b", "car park", 900)])
    keep(one.page, "neighbour", [note("c", "shared gate", 150), note("d", "far", 400), note("e", "farther", 500)])
    go(one.page, path)
    assert listed(one.page) == ["car park", "shared gate", "stile"]


@pytest.mark.browser
def test_notes_of_two_beats_that_share_an_id_do_not_touch_each_other(offline, draw):
    """As those numbered in a file of one's own: the neighbour's first note, edited, must not hide this beat's first."""
    path = draw(OLD, [note("1", "log jam", 10, time="")])
    one = opened(offline, path)
    keep(one.page, "neighbour", [note("1", "weir", 90, replaces=[""], time="t9")])
    go(one.page, path)
    assert listed(one.page) == ["log jam"]


@pytest.mark.browser
def test_a_note_far_off_that_was_taken_back_on_an_older_map_stays_so(offline, draw):
    """Of its beat's file the newer map still has it; two other notes far off make the pile look like a neighbour's."""
    path = draw(NEW, [note("park", "car park", 900, time="")])
    one = opened(offline, path)
    gone = note("park", "car park", 900, replaces=[""], deleted=True)
    keep(one.page, "older", [gone, note("x", "far", 700), note("y", "farther", 800)])
    go(one.page, path)
    assert listed(one.page) == []


@pytest.mark.browser
@pytest.mark.parametrize(
    "refusal",
    [
        "Object.defineProperty(window, 'localStorage', { get() { throw new DOMException('no', 'SecurityError'); } })",
        "Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); }",
    ],
    ids=["blocked", "full"],
)
def test_a_device_that_keeps_nothing_is_not_said_to(offline, draw, refusal, tmp_path):
    path = draw(OLD)
    one = offline(path)
    one.context.add_init_script(refusal)
    go(one.page, path)
    assert "does not keep them" in one.page.locator("#note-none").inner_text()
    one.page.evaluate("reachmapPage.notes.add(reachmapPage.map.getCenter())")
    one.page.locator("#note-text").fill("heron")
    assert "does not keep notes" in one.page.locator("#say").inner_text()
    one.page.keyboard.press("Escape")
    assert listed(one.page) == ["heron"]
    write_notes(tmp_path / "notes.geojson", [note("a", "otter", 5.0)])
    one.page.locator("#note-file").set_input_files(tmp_path / "notes.geojson")
    one.page.locator("#note-list", has_text="otter").wait_for()
    assert "does not keep notes" in one.page.locator("#say").inner_text()
    assert one.said == []


@pytest.mark.browser
def test_damaged_piles_are_passed_over(offline, draw):
    path = draw(OLD)
    one = opened(offline, path)
    own = one.page.evaluate("reachmapPage.D.key")
    for name, kept in ((own, {"no": "list"}), ("b", None), ("c", [None, 7, {"geometry": {"type": "Point"}}])):
        keep(one.page, name, kept)
    one.page.evaluate("localStorage.setItem('reachmap:notes:d', '[{')")
    keep(one.page, "e", [note("a", "stile", 0)])
    go(one.page, path)
    assert listed(one.page) == ["stile"]
    assert one.said == []
