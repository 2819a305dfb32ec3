"""The living map held against the rules of the axe accessibility engine, and its words against sunlight."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

from reachmap.light import light_through_day
from reachmap.write import map_page
from tests import toy

SIZES = [(1280, 800), (390, 844)]

SERIOUS = ("serious", "critical")
"""Impacts, in the words of axe-core, that no page of ours may have."""


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    ch = toy.channel(cell_m=1.0)
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(map_page(toy.result(ch, day=light_through_day(ch, toy.NOON.date()))), encoding="utf-8")
    return path


def findings(page) -> list[str]:
    """Everything serious axe-core says about the page as it stands."""
    found = Axe().run(page).response["violations"]
    return [
        f"{one['impact']} {one['id']}: {node['html'][:160]} {node['failureSummary']}"
        for one in found
        if one["impact"] in SERIOUS
        for node in one["nodes"]
    ]


@pytest.mark.browser
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("dark", [False, True])
def test_no_serious_finding_with_every_panel_open(offline, page_file, size, dark):
    """As it opens; then in full, with a lie chosen, everything drawn, two moments compared and a note being written."""
    one = offline(page_file, *size)
    page = one.page
    page.wait_for_selector("body[data-ready]", timeout=20000)
    if dark:
        page.evaluate("document.documentElement.toggleAttribute('data-dark', true)")
    assert findings(page) == []
    page.evaluate("document.getElementById('sheet').dataset.state = 'full'")
    page.locator("#best button").first.click()
    for tab in page.locator("#tabs button").all():
        tab.click()
        for box in page.locator("#extras input:visible").all():
            box.check(force=True)
        assert findings(page) == []
    page.locator("#tab-sky").click()
    page.locator("#compare").select_option("swipe")
    assert findings(page) == []
    page.evaluate("reachmapPage.notes.add(reachmapPage.map.getCenter())")
    page.wait_for_selector("#note-text")
    assert findings(page) == []
    assert one.said == []
    assert one.asked == []
