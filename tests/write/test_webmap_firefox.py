"""The living map in Firefox, another engine than the one it was drawn up in, with the network switched off."""

from __future__ import annotations

import numpy as np
import pytest

SETTINGS = [
    {"day": 0, "step": 75, "cloud": 1, "clarity": 2.5, "colour": "clear", "fish": 0, "warmth": 0},
    {"day": 1, "step": 126, "cloud": 6, "clarity": 1.1, "colour": "cloudy", "fish": 1, "warmth": 0},
    {"day": 1, "step": 3, "cloud": 0, "clarity": 4.0, "colour": "stained", "fish": 0, "warmth": 0},
]


@pytest.fixture
def page(firefox, page_file):
    firefox.open(page_file)
    firefox.wait("return Boolean(document.body.dataset.ready)")
    return firefox


@pytest.mark.firefox
def test_it_opens_offline_and_every_part_can_be_reached(page):
    assert page.run("return document.querySelectorAll('#best li').length") == 3
    assert "estimates" in page.run("return document.getElementById('caution').textContent")
    for part in ("lies", "sky", "show", "notes", "more"):
        page.run(f"document.getElementById('tab-{part}').click()")
        assert page.run(f"return document.getElementById('part-{part}').offsetHeight") > 0
    painted = page.run(
        """const c = document.querySelector('.leaflet-now-pane canvas');
        return c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some((v) => v > 0)"""
    )
    assert painted


@pytest.mark.firefox
@pytest.mark.browser
def test_both_engines_find_the_same_scores(page, offline, page_file):
    other = offline(page_file).page
    other.wait_for_selector("body[data-ready]", timeout=20000)
    for setting in SETTINGS:
        here = page.run("return Array.from(reachmapPage.physics.score(arguments[0]).hold)", setting)
        there = other.evaluate("(s) => Array.from(reachmapPage.physics.score(s).hold)", setting)
        np.testing.assert_allclose(here, there, atol=1e-5)


@pytest.mark.firefox
def test_a_note_with_markup_is_text_and_survives_a_reload(page, page_file):
    page.run("reachmapPage.notes.add(reachmapPage.map.getCenter())")
    page.run("document.getElementById('note-text').value = '<img src=x onerror=\"window.RAN=1\">'")
    page.run("document.getElementById('note-keep').click()")
    page.open(page_file)
    page.wait("return Boolean(document.body.dataset.ready)")
    assert "<img src=x" in page.run("return document.getElementById('note-list').textContent")
    assert page.run("return window.RAN === undefined")
