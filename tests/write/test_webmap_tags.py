"""Where the numbered tags go: readable at any size of the map. The rules are plain geometry, tried on random crowds."""

from __future__ import annotations

import numpy as np
import pytest

import reachmap
from reachmap.write import map_page
from tests import toy

SIZE, GAP = 28, 4
ROOM = {"left": 0, "top": 0, "right": 390, "bottom": 400}


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(map_page(toy.result(toy.channel(cell_m=1.0))), encoding="utf-8")
    return path


def boxes(points, spots):
    """Left, top, right, bottom of every tag that was placed, by its place in the order."""
    return {
        k: (x + s[0], y + s[1], x + s[0] + SIZE, y + s[1] + SIZE)
        for k, ((x, y), s) in enumerate(zip(points, spots, strict=True))
        if s
    }


def overlap(a, b) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


@pytest.mark.browser
def test_tags_never_overlap_and_stay_on_the_screen(offline, page_file):
    """Two hundred crowds of thirty lies: no two tags touch, none leaves the room, one may tell which point it is of."""
    page = offline(page_file, 390, 844).page
    rng = np.random.default_rng(3)
    for _ in range(200):
        spread = rng.uniform(20, 390)
        points = rng.uniform(0, spread, (30, 2)).round(1).tolist()
        spots = page.evaluate("([p, room]) => reachmap.placeTags(p, 28, room)", [points, ROOM])
        placed = boxes(points, spots)
        assert placed
        assert spots[0] is not None
        for k, box in placed.items():
            assert box[0] >= 0
            assert box[1] >= 0
            assert box[2] <= 390
            assert box[3] <= 400
            x, y = points[k]
            assert max(box[0] - x, x - box[2], box[1] - y, y - box[3]) <= GAP + 1e-6
            assert not any(overlap(box, other) for j, other in placed.items() if j != k)


@pytest.mark.browser
def test_the_more_important_tag_keeps_its_place(offline, page_file):
    """Adding less important lies never moves or hides the tag of a more important one."""
    page = offline(page_file, 390, 844).page
    rng = np.random.default_rng(4)
    points = rng.uniform(150, 230, (30, 2)).round(1).tolist()
    whole = page.evaluate("([p, room]) => reachmap.placeTags(p, 28, room)", [points, ROOM])
    for count in (1, 5, 12):
        assert page.evaluate("([p, room]) => reachmap.placeTags(p, 28, room)", [points[:count], ROOM]) == whole[:count]
    assert sum(1 for spot in whole if spot) < 30


@pytest.mark.browser
def test_tags_that_must_be_seen_are_placed_even_in_a_crowd_or_off_the_screen(offline, page_file):
    page = offline(page_file, 390, 844).page
    points = [[200, 200]] * 40 + [[-500, 50]]
    spots = page.evaluate("([p, room]) => reachmap.placeTags(p, 28, room, {must: 6})", [points, ROOM])
    assert all(spots[:6])
    assert spots[40] is None
    first = page.evaluate("([p, room]) => reachmap.placeTags(p, 28, room, {must: 1})", [[[-500, 50]], ROOM])
    assert first[0]


@pytest.mark.browser
def test_the_first_tags_rather_stand_off_than_on_other_marks(offline, page_file):
    """Where thirty lies crowd on the water of a phone; no other tag lies over their marks or their lines."""
    page = offline(page_file, 390, 844).page
    rng = np.random.default_rng(5)
    under = 0
    for _ in range(50):
        points = (190 + rng.uniform(-40, 40, (30, 2))).round(1).tolist()
        ask = "([p, room]) => reachmap.placeTags(p, 28, room, { must: 3, marked: p })"
        spots = page.evaluate(ask, [points, ROOM])
        placed = boxes(points, spots)
        for k, box in placed.items():
            assert not any(overlap(box, other) for j, other in placed.items() if j != k)
            for j, (x, y) in enumerate(points):
                covers = j != k and overlap(box, (x - 3, y - 3, x + 3, y + 3))
                assert not (covers and j < 3 <= k)
                under += covers and k < 3
        for k in range(3):
            left, top, right, bottom = placed[k]
            edge = np.clip(points[k], (left, top), (right, bottom))
            assert np.hypot(*(points[k] - edge)) < 3 * SIZE
            along = [(*at, *at) for at in np.linspace(edge, points[k], 10)[:-1]]
            assert not any(overlap(box, at) for j, box in placed.items() if j != k for at in along)
    # Beside its own point each of them would lie over several of the others.
    assert under < 0.2 * 150


@pytest.mark.browser
def test_on_paper_the_lies_of_the_order_have_their_numbers_and_those_without_are_named(offline, page_file):
    """On a map hardly larger than a tag, the order leading to the lie that is the last in rank."""
    page = offline(page_file, 1280, 800).page
    page.wait_for_selector("body[data-ready]")
    page.evaluate(
        """() => { const { D, state, map } = reachmapPage, last = state.ranked.at(-1);
        for (const stops of Object.values(D.orders)) stops[0].lie = last.n;
        for (const side of ['width', 'height']) map.getContainer().style.setProperty(side, '90px', 'important');
        map.invalidateSize({ animate: false }); }"""
    )
    ranked = page.evaluate("reachmapPage.state.ranked.map((lie) => lie.n)")
    tags = (
        "[...document.querySelectorAll('.lie-tag')].filter((tag) => !tag.hidden).map((tag) => Number(tag.textContent))"
    )
    assert ranked[-1] not in page.evaluate(tags)
    assert page.locator("#no-room").is_hidden()
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    shown = page.evaluate(tags)
    assert {*ranked[:3], ranked[-1]} <= {*shown}
    (left,) = {*ranked} - {*shown}
    assert page.locator("#no-room").inner_text() == f"No room on this print for the number of lie {left}."
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.locator("#no-room").is_hidden()


@pytest.mark.browser
@pytest.mark.parametrize("size", [(1280, 800), (390, 844), (844, 390)])
def test_a_line_leads_from_every_tag_to_its_own_lie(offline, page_file, size):
    page = offline(page_file, *size).page
    page.wait_for_selector("body[data-ready]")
    far = page.evaluate(
        """() => { const { map, lies } = reachmapPage, frame = map.getContainer().getBoundingClientRect();
        return [...document.querySelectorAll('.lie-tag')].filter((tag) => tag.offsetParent).map((tag) => {
          const at = map.latLngToContainerPoint(lies.get(Number(tag.textContent)).at);
          const to = new DOMMatrix(getComputedStyle(tag.querySelector('i')).transform);
          const { offsetLeft, offsetTop, style } = tag.querySelector('i'), box = tag.getBoundingClientRect();
          const long = parseFloat(style.width);
          const x = box.left + tag.clientLeft + offsetLeft + long * to.a - frame.left;
          const y = box.top + tag.clientTop + offsetTop + long * to.b - frame.top;
          return Math.hypot(x - at.x, y - at.y); }); }"""
    )
    assert len(far) >= 3
    assert max(far) < 2.5


@pytest.mark.browser
@pytest.mark.parametrize("size", [(1280, 800), (390, 844)])
def test_the_best_lies_have_a_tag_on_the_map_at_both_sizes(offline, page_file, size):
    """On the page itself: the three best are on the map, no two tags shown overlap."""
    page = offline(page_file, *size).page
    page.wait_for_selector("body[data-ready]")
    shown = page.evaluate(
        """() => [...document.querySelectorAll('.lie-tag')].filter((tag) => tag.offsetParent)
        .map((tag) => { const b = tag.getBoundingClientRect();
          return [tag.textContent, tag.classList.contains('best'), [b.left, b.top, b.right, b.bottom]]; })"""
    )
    best = page.evaluate("reachmapPage.state.ranked.slice(0, 3).map((lie) => String(lie.n))")
    assert {name for name, is_best, _ in shown if is_best} == set(best)
    for k, (_, _, a) in enumerate(shown):
        assert not any(overlap(a, b) for _, _, b in shown[k + 1 :])


@pytest.mark.browser
def test_all_places_to_stand_shown_at_once_take_no_lie_its_number(offline, sample_folder, tmp_path):
    path = tmp_path / "map.html"
    path.write_text(map_page(reachmap.analyse(sample_folder, scenes=["sunny"])), encoding="utf-8")
    page = offline(path, 1280, 800).page
    page.wait_for_selector("body[data-ready]")
    numbers = "document.querySelectorAll('.lie-tag:not([hidden])').length"
    before = page.evaluate(numbers)
    page.locator("#tab-show").click()
    page.locator("#extra-stances").check(force=True)
    page.wait_for_function("() => document.querySelectorAll('.stance').length > 10")
    assert page.evaluate(numbers) == before
