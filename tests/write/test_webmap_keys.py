"""The map page by keyboard alone: marks, the middle of the map, notes, and where the focus goes."""

from __future__ import annotations

import pytest

FOCUS = "document.activeElement.id || document.activeElement.getAttribute('aria-label') || document.activeElement.title"


@pytest.fixture
def page(offline, page_file):
    one = offline(page_file)
    one.page.wait_for_selector("body[data-ready]", timeout=20000)
    yield one.page
    assert one.said == one.asked == []


def write_note(page, words: str) -> None:
    """A note in the middle of the map, kept by key."""
    page.evaluate("reachmapPage.notes.add(reachmapPage.map.getCenter())")
    page.keyboard.type(words)
    page.locator("#note-keep").press("Enter")
    page.wait_for_selector("#note-text", state="detached")


@pytest.mark.browser
@pytest.mark.parametrize("key", ["Enter", "Space"])
def test_a_mark_does_by_key_what_it_does_by_touch(page, key):
    write_note(page, "heron")
    page.locator(".lie-tag.best").first.press(key)
    assert page.locator("#place h2").inner_text().startswith("Lie ")
    page.evaluate("reachmapPage.place.lie(1)")
    page.locator(".stance").press(key)
    assert page.locator("#say").inner_text().startswith("Kneel for lie 1:")
    page.locator(".note-mark").press(key)
    assert page.locator("#note-text").input_value() == "heron"


@pytest.mark.browser
def test_enter_on_the_map_tells_about_the_spot_in_its_middle_under_a_cross(page):
    page.evaluate("reachmapPage.map.setView(reachmapPage.D.lies[0].at, 20, {animate: false})")
    page.keyboard.press("Tab")
    page.locator(".folium-map").focus()
    cross = "getComputedStyle(document.querySelector('.folium-map'), '::after').content"
    assert page.evaluate(cross) == '""'
    page.keyboard.press("Enter")
    middle = "reachmapPage.painter.locate(reachmapPage.map, reachmapPage.map.getCenter())"
    assert page.evaluate(f"reachmapPage.state.cell === {middle}")
    assert "This spot" in page.locator("#place").inner_text()
    page.evaluate("document.querySelector('#place [aria-label=Close]').click()")
    page.locator(".leaflet-control-zoom-in").press("Enter")
    assert not page.locator("#place").is_visible(), "a button on the map is not the map"
    page.locator("#hour").focus()
    assert page.evaluate(cross) == "none"


@pytest.mark.browser
def test_a_note_is_placed_written_and_left_by_keys(page):
    """Escape ends asking for its place, and its form, without losing a word."""
    page.locator("#tab-notes").click()
    page.locator("#note-add").press("Enter")
    assert "Enter puts the note there" in page.locator("#say").inner_text()
    page.keyboard.press("Escape")
    assert page.locator("#note-add").get_attribute("aria-pressed") == "false"
    assert page.locator("#say").text_content() == ""
    page.locator("#note-add").press("Enter")
    page.keyboard.press("ArrowUp")
    page.wait_for_selector(".leaflet-pan-anim", state="detached")
    lat, lng = page.evaluate("Object.values(reachmapPage.map.getCenter())")
    page.keyboard.press("Enter")
    assert page.evaluate(FOCUS) == "note-text"
    page.keyboard.type("rise")
    page.keyboard.press("Escape")
    page.wait_for_selector("#note-text", state="detached")
    assert page.locator("#note-list li").all_inner_texts() == ["note\nrise"]
    kept = page.evaluate("JSON.parse(Object.values(localStorage)[0]).at(-1).geometry.coordinates")
    assert kept == pytest.approx([lng, lat], abs=1e-6)


@pytest.mark.browser
def test_the_focus_goes_back_to_where_one_came_from(page):
    """Not to the top of the page: after a note's form, after the words about a lie, and through a step of the hour."""
    write_note(page, "heron")
    page.locator("#tab-notes").click()
    page.locator("#note-list button").press("Enter")
    page.locator("#note-keep").press("Enter")
    assert page.evaluate("document.activeElement.closest('#note-list') !== null")
    page.locator(".note-mark").press("Enter")
    page.keyboard.press("Escape")
    assert page.evaluate(FOCUS) == "note: heron"
    page.locator("#note-list button").press("Enter")
    page.locator("#note-delete").press("Enter")
    assert page.evaluate(FOCUS) == "note-add"
    page.locator("#tab-lies").click()
    page.locator("#all-lies button").first.press("Enter")
    page.locator("#closer").focus()
    page.evaluate("reachmapPage.set({step: 70})")
    assert page.evaluate(FOCUS) == "closer"
    page.locator("#place [aria-label=Close]").press("Enter")
    assert page.evaluate("document.activeElement.closest('#all-lies') !== null")
