"""Whatever a user may type or load into the map page is text: shown as typed, never run."""

from __future__ import annotations

import json
from dataclasses import replace

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from reachmap.beat.messages import plain
from reachmap.write import map_page
from tests import toy

PAYLOADS = [
    "{{7*7}}",
    "{% raise %}",
    "{{cycler.__init__.__globals__.os}}",
    "<img src=x onerror='window.RAN=1'>",
    "<script>window.RAN=1</script>",
    "</script><script>window.RAN=1</script>",
    "<svg onload='window.RAN=1'>",
    "javascript:window.RAN=1",
    "'\"><b onclick='window.RAN=1'>x</b>",
    "${window.RAN=1}",
    "`${window.RAN=1}`",
    "\u202eevil\u202c",
    "<iframe srcdoc='<script>parent.RAN=1</script>'>",
    "<a href='javascript:window.RAN=1'>x</a>",
    "<!-- --><style>*{display:none}</style>",
    "&lt;b&gt;",
    "\u2028window.RAN=1",
    "<math><mi xlink:href='javascript:window.RAN=1'>",
    "@@reachmap-data@@",
    "]]>",
]
"""Template braces, markup, scripts in data, event handlers, addresses that run, marks of writing direction, our own."""

N = len(PAYLOADS)


def hostile_result():
    """The toy water with a payload in every field that comes from a file a user may have got from somebody."""
    base = toy.scenes()
    scenes = tuple(replace(base[k % 3], name=payload) for k, payload in enumerate(PAYLOADS))
    notes = gpd.GeoDataFrame(
        {"id": PAYLOADS, "text": PAYLOADS, "kind": PAYLOADS, "time": PAYLOADS, "replaces": [[p] for p in PAYLOADS]},
        geometry=[shapely.Point(3 * i - 30, 2) for i in range(N)],
        crs=toy.CRS_LOCAL,
    )
    beat = toy.beat(name="".join(PAYLOADS), notes=notes, scenes=scenes)
    for table in (beat.soundings, beat.cover, beat.shade):
        table["note"] = [PAYLOADS[k % N] for k in range(len(table))]
    beat.shade["kind"] = "".join(PAYLOADS)
    beat.soundings["line"] = [PAYLOADS[k % N] for k in range(len(beat.soundings))]
    made = toy.result(toy.channel(cell_m=1.0, beat=beat))
    # What the rooms say is ours, but it may quote the user: it has to be as safe.
    stances = made.visit.stances.assign(reason="".join(PAYLOADS))
    stances = pd.concat([stances.assign(lie=number) for number in made.lies.table.index])
    return replace(made, visit=replace(made.visit, stances=stances))


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(map_page(hostile_result()), encoding="utf-8")
    return path


def everything_pressed(page) -> None:
    """Press every button and mark there is, so that every text is shown in every way it can be."""
    for tab in page.locator("#tabs button").all():
        tab.click()
        for box in page.locator("#extras input:visible, #layers input:visible").all():
            box.check(force=True)
        for button in page.locator("#scenes button:visible, #best button:visible").all():
            button.click()
    page.evaluate("for (const mark of document.querySelectorAll('.leaflet-marker-icon')) mark.click()")
    page.evaluate("for (const node of document.querySelectorAll('a, b, img, svg, [onclick]')) node.click?.()")


@pytest.mark.browser
def test_nothing_in_a_beat_can_run(offline, page_file):
    """Twenty payloads in every field: nothing runs, and what is shown is shown letter for letter."""
    one = offline(page_file)
    page = one.page
    page.wait_for_selector("body[data-ready]", timeout=20000)
    lowest = page.locator("#tabs").bounding_box()
    assert lowest["y"] + lowest["height"] < page.viewport_size["height"] / 2, "a long name pushes the panel out"
    everything_pressed(page)
    assert page.evaluate("window.RAN") is None
    assert page.locator("#title").text_content() == page.title() == "".join(PAYLOADS)
    assert [button.text_content() for button in page.locator("#scenes button").all()] == PAYLOADS
    shown = page.locator("#note-list").text_content()
    place = page.locator("#place").text_content()
    for payload in PAYLOADS:
        # Notes hold one line each, without what turns its direction.
        assert plain(payload) in shown
        assert payload[1:] in place
    assert page.locator("main iframe, main img, main math, main script, main a").count() == 0
    assert one.said == []
    assert one.asked == []


@pytest.mark.browser
def test_nothing_in_a_loaded_notes_file_can_run(offline, page_file, tmp_path):
    """Notes of somebody else's, some of them no notes at all, loaded into the page."""
    good = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [toy.LON, toy.LAT + k / 1e5]},
            "properties": {"id": f"n{k}", "text": f"loaded {payload}", "kind": payload, "time": "", "style": payload},
        }
        for k, payload in enumerate(PAYLOADS)
    ]
    bad = [
        {"type": "Feature", "geometry": None, "properties": None},
        {"type": "Feature", "geometry": {"type": "Point", "coordinates": ["<b>", "x"]}, "properties": {"text": "bad"}},
        {"type": "Feature", "geometry": {"type": "LineString", "coordinates": []}, "properties": {"text": {"a": 1}}},
        {"__proto__": {"text": "polluted"}, "properties": {"__proto__": {"text": "polluted"}}},
    ]
    file = tmp_path / "notes.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [*good, *bad]}), encoding="utf-8")
    one = offline(page_file)
    page = one.page
    page.wait_for_selector("body[data-ready]", timeout=20000)
    page.locator("#note-file").set_input_files(file)
    page.locator("#note-list", has_text="loaded").wait_for(state="attached")
    everything_pressed(page)
    shown = page.locator("#note-list").text_content()
    for payload in PAYLOADS:
        assert plain(f"loaded {payload}") in shown
    assert "polluted" not in shown
    assert page.evaluate("[window.RAN, ({}).text]") == [None, None]
    file.write_text("<html>no notes</html>", encoding="utf-8")
    page.locator("#note-file").set_input_files(file)
    page.locator("#say", has_text="holds no notes").wait_for()
    assert one.said == []
    assert one.asked == []


def test_the_command_that_draws_runs_nothing(tmp_path, monkeypatch):
    """Template braces are not evaluated while the page is made: no folder appears, none of them is computed."""
    monkeypatch.chdir(tmp_path)
    payload = "{{cycler.__init__.__globals__.os.mkdir(dict(x=1)|join)}}{{7*7}}"
    beat = toy.beat(name=payload, scenes=tuple(replace(s, name=f"{s.name}{payload}") for s in toy.scenes()))
    page = map_page(toy.result(toy.channel(cell_m=1.0, beat=beat)))
    assert list(tmp_path.iterdir()) == []
    assert "{{7*7}}" in page
