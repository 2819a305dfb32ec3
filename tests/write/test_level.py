"""Every page of a beat at another level says so: its depths are others, and so are its lies."""

from __future__ import annotations

from dataclasses import replace

import pytest

import reachmap
from reachmap.write import card_page, map_page, summarise
from reachmap.write.hours import hours_page, hours_text
from reachmap.write.summary import level_words


@pytest.fixture(scope="module")
def raised(sample_folder):
    return reachmap.analyse(sample_folder, stage_m=0.15, scenes=["sunny"])


@pytest.mark.parametrize("write", [summarise, card_page, map_page, hours_text, hours_page])
def test_the_level_is_said_and_only_where_it_is_another(raised, sample_folder, write):
    assert "water 0.15 m above the survey's level" in write(raised).replace("&#x27;", "'")
    at_survey = replace(raised, channel=replace(raised.channel, stage_m=0.0))
    assert "the survey's level" not in write(at_survey).replace("&#x27;", "'")


def test_the_level_that_carries_another_flow_is_said_too(sample_folder):
    low = reachmap.analyse(sample_folder, flow_m3_s=3.0, scenes=["sunny"])
    assert low.channel.stage_m < -0.02
    assert level_words(low.channel) == f"water {-low.channel.stage_m:.2f} m below the survey's level"
    assert " m3/s, water" in summarise(low)


@pytest.mark.browser
def test_the_page_says_it_in_the_units_chosen(raised, offline, tmp_path):
    """0.15 m is 0.5 ft, by definition of the foot of 0.3048 m."""
    path = tmp_path / "map.html"
    path.write_text(map_page(raised), encoding="utf-8")
    one = offline(path, 1280, 800)
    one.page.wait_for_selector("body[data-ready]", timeout=20000)
    assert "water 0.15\xa0m above the survey's level" in one.page.locator("#moment").inner_text()
    one.page.evaluate("document.getElementById('units').click()")
    assert "water 0.5\u00a0ft above the survey's level" in one.page.locator("#moment").inner_text()
    assert one.said == one.asked == []
