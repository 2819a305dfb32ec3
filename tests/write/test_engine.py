"""Whoever reads a list of lies is told where another engine than the ordinary one scored them."""

from __future__ import annotations

from dataclasses import replace

import pytest

import reachmap
from reachmap.write import card_page, map_page, summarise
from reachmap.write.hours import hours_text

ENGINE, ON_THE_PAGE = "scored by the energy engine", "so the best lies here may be others"


@pytest.fixture(scope="module")
def by_energy(sample_folder):
    return reachmap.analyse(sample_folder, engine="energy", scenes=["sunny"])


@pytest.fixture(scope="module")
def ordinary(sample_folder):
    return reachmap.analyse(sample_folder, scenes=["sunny"])


@pytest.mark.parametrize("write", [summarise, card_page, map_page, hours_text])
def test_the_engine_is_named_where_it_is_another(by_energy, ordinary, write):
    assert ENGINE in write(by_energy)
    assert ENGINE not in write(ordinary)


def test_an_amount_of_food_nobody_measured_is_called_assumed(by_energy):
    said = "the energy engine, with an assumed amount of food"
    assert said in summarise(by_energy)
    entries = dict(by_energy.curves.entries)
    for name in ("energy.drift_items_m3", "energy.item_j"):
        entries[name] = {**entries[name], "source": "nets in the drift, May 2026"}
    measured = replace(by_energy, curves=replace(by_energy.curves, entries=entries))
    assert said not in summarise(measured)


@pytest.mark.browser
def test_the_page_says_beside_its_best_lies_that_it_scores_otherwise(by_energy, ordinary, offline, tmp_path):
    for made, said in ((by_energy, True), (ordinary, False)):
        path = tmp_path / f"{said}.html"
        path.write_text(map_page(made), encoding="utf-8")
        one = offline(path, 390, 844)
        one.page.wait_for_selector("body[data-ready]", timeout=20000)
        assert one.page.locator("#scored").is_visible() is said
        assert (ON_THE_PAGE in one.page.locator("#part-lies").inner_text()) is said
        assert one.said == one.asked == []
