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
