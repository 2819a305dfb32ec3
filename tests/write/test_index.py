"""The page over many beats: names beside the dots, none over another, whatever they are."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.write import index_page
from reachmap.write.index import LETTER, LINE, WIDE


def outcome(title, lat, lon):
    best = {"scene": "noon", "rank": 1, "lie": 1, "kind": "prime", "score": 0.5}
    best |= {"why": "deep", "when": "2026-10-10T18:30+01:00", "lat": lat, "lon": lon}
    return {
        "title": title,
        "out": "a",
        "message": "",
        "told": "",
        "units": "metric",
        "scenes": ["noon"],
        "best": [best],
    }


def names(page):
    found = re.findall(
        r"<text x='([\d.]+)' y='([\d.]+)' font-size='12' text-anchor='middle' fill='currentColor'>(.*?)<", page
    )
    return [(float(x), float(y), word) for x, y, word in found]


def test_a_name_stands_beside_its_dot():
    page = index_page(
        [outcome("Upper <beat>", 54.0, -2.0), outcome("L" * 60, 54.1, -1.9), outcome("here too", 54.0, -2.0)]
    )
    shown = names(page)
    assert [word for *_, word in shown] == ["Upper &lt;beat&gt;", "L" * 33 + "…"]
    assert page.count("<circle") == 3
    assert f"<title>{'L' * 60}</title>" in page
    assert "<beat>" not in page


def test_a_beat_without_a_lie_is_linked_too():
    poor = {**outcome("Flat <water>", 54.2, -2.0), "out": "flat water", "best": []}
    page = index_page([outcome("Upper beat", 54.0, -2.0), poor])
    assert "2 beats" in page
    assert "<h2>No lie stands out</h2><ul><li><a href='flat%20water/map.html'>Flat &lt;water&gt;</a></li></ul>" in page
    assert "No lie stands out" not in index_page([outcome("Upper beat", 54.0, -2.0)])


def test_a_beat_without_a_lie_in_one_scene_is_named_below_the_others_of_that_scene():
    night = {"scene": "night", "when": "2026-10-10T23:30+01:00"}
    upper, lower = outcome("Upper beat", 54.0, -2.0), outcome("Lower <beat>", 54.2, -2.0)
    both = {"scenes": ["noon", "night", "dusk"]}
    one = {**upper, **both, "best": [*upper["best"], upper["best"][0] | night]}
    page = index_page([one, lower | both, outcome("Noon only", 54.1, -2.0)])
    noon, at_night, dusk = page.split("<h2>")[1:]
    assert [part.split("</h2>")[0] for part in (noon, at_night, dusk)] == ["noon", "night", "dusk"]
    assert "No lie" not in noon
    assert "</table><p>No lie stands out then: <a href='a/map.html'>Lower &lt;beat&gt;</a></p>" in at_night
    assert "Noon only" not in at_night
    assert dusk.startswith("dusk</h2><p>No lie stands out then: ")
    assert dusk.count("<a ") == 2


def test_another_level_and_engine_are_told_beside_the_name():
    told = {"told": "water 0.20 m <above> the survey's level; scored by the energy engine"}
    beside = "</a> (water 0.20 m &lt;above&gt; the survey&#x27;s level; scored by the energy engine)<"
    for one in (outcome("Upper beat", 54.0, -2.0), {**outcome("Flat water", 54.2, -2.0), "best": []}):
        assert beside in index_page([one | told])
        assert "</a><" in index_page([one])


def test_a_beat_in_feet_is_told_in_feet():
    """0.7 m is 2.3 ft and 0.5 m/s 1.1 mph, by definition of the foot of 0.3048 m and the mile of 5280 ft."""
    one = outcome("Upper beat", 54.0, -2.0)
    one["best"][0]["why"] = "0.7 m deep, 0.5 m/s past it"
    for units, why in (("metric", "0.7 m deep, 0.5 m/s past it"), ("imperial", "2.3 ft deep, 1.1 mph past it")):
        assert f"prime: {why}<" in index_page([{**one, "units": units}])


def test_beats_on_either_side_of_the_180th_meridian_lie_side_by_side():
    """A degree of longitude at 45 degrees south is 111.2 km x cos(45) = 78.6 km."""
    page = index_page([outcome("west of it", -45.0, 179.5), outcome("east of it", -45.0, -179.5)])
    at = {word: x for x, _, word in names(page)}
    assert at["west of it"] < at["east of it"]
    length, unit = re.search(r">(\d+) (km)</text>", page).groups()
    assert (int(length), unit) == (20, "km")
    dots = [float(x) for x in re.findall(r"<circle cx='([\d.]+)'", page)]
    bar = float(re.search(r"<path class='bar' fill='none' d='M[\d.]+ [\d.]+h([\d.]+)'", page)[1])
    assert (dots[1] - dots[0]) / bar * 20 == pytest.approx(78.6, rel=0.01)


@given(
    st.lists(
        st.tuples(st.text("abc ", min_size=1, max_size=40), st.floats(50, 51), st.floats(-3, -2)),
        min_size=2,
        max_size=30,
    )
)
def test_no_name_covers_another_or_leaves_the_sketch(beats):
    boxes = []
    for x, y, word in names(index_page([outcome(*beat) for beat in beats])):
        wide = LETTER * len(word)
        left = x - wide / 2
        assert left >= -1
        assert left + wide <= WIDE + 1
        assert all(abs(y - other) > LINE - 0.2 or left > b - 0.2 or left + wide < a + 0.2 for a, b, other in boxes)
        boxes.append((left, left + wide, y))
    assert boxes


@pytest.mark.browser
def test_letters_take_no_more_room_than_is_kept_for_them(browser):
    page = browser.new_page()
    page.set_content(index_page([outcome("Tarrowby Water, Mill Shed beat", 54.0, -2.0), outcome("b", 54.1, -1.9)]))
    wide = page.evaluate("document.querySelector('text').getComputedTextLength()")
    page.close()
    assert wide < LETTER * len("Tarrowby Water, Mill Shed beat")
