"""The living map in a real browser with the network switched off."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from importlib.resources import files

import geopandas as gpd
import numpy as np
import pytest
import shapely

import reachmap
from reachmap.beat.model import Fish, Skyline, Water
from reachmap.beat.notes import merge_notes, read_notes, shown, write_notes
from reachmap.beat.notes_in import notes_of
from reachmap.light import (
    bed_terms,
    clarity_to_attenuation,
    eye_through_day,
    light_of_scenes,
    lux_through_day,
    shade_edge,
)
from reachmap.trout import hold, load_curves
from reachmap.trout.model import SCORE_WORDS
from reachmap.trout.reasons import MOON_LUX, moon_at_bed, night_words
from reachmap.write import map_page
from reachmap.write.webmap import SCRIPTS, to_json
from reachmap.write.webmap_data import page_data
from tests import toy
from tests.browser import anew

SIZES = [(1280, 800), (390, 844)]


@pytest.fixture(scope="module")
def result():
    """The toy water with real days of light: two in June, on which the sun stands alike, and a bare one in winter."""
    winter = replace(toy.scenes()[1], name="winter", when=datetime(2026, 12, 21, 9, 30, tzinfo=UTC), cloud=3)
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=(*toy.scenes(), winter)))
    return toy.result(ch, days=light_of_scenes(ch, ch.beat.scenes))


@pytest.fixture(scope="module")
def page_file(result, tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(map_page(result), encoding="utf-8")
    return path


def page_with(result, notes, folder):
    """The page of the toy water with notes of its own."""
    channel = replace(result.channel, beat=replace(result.channel.beat, notes=notes))
    path = folder / "map.html"
    path.write_text(map_page(replace(result, channel=channel)), encoding="utf-8")
    return path


def ready(offline, path, size):
    one = offline(path, *size)
    one.page.wait_for_selector("body[data-ready]", timeout=20000)
    return one


def quiet(one) -> None:
    assert one.said == []
    assert one.asked == []


def test_the_same_result_gives_the_same_bytes(result):
    assert map_page(result) == map_page(result)


def test_json_in_a_page_cannot_end_its_element():
    text = to_json(["</script><!-- & <b>", "\u2028"])
    assert not set("<>&\u2028") & set(text)


def test_the_script_keeps_to_its_rules():
    """Text goes in through textContent only, nothing is evaluated, modules stay short enough to read."""
    for name in SCRIPTS:
        text = files("reachmap.write").joinpath("page", name).read_text(encoding="utf-8")
        assert not re.search(
            r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function|fetch\(", text
        )
        assert len(text.splitlines()) <= 200, name


@pytest.mark.browser
@pytest.mark.parametrize("size", SIZES)
def test_it_opens_offline_and_says_the_caution(offline, page_file, size):
    one = ready(offline, page_file, size)
    assert one.page.locator("#caution").is_visible()
    assert "estimates" in one.page.locator("#caution").inner_text()
    assert one.page.locator("#best li").count() == 3
    quiet(one)


@pytest.mark.browser
@pytest.mark.parametrize("size", SIZES)
def test_a_click_shows_the_values_of_that_cell(offline, page_file, size, result):
    """What the page shows equals the arrays it was made from."""
    one = ready(offline, page_file, size)
    ch = result.channel
    place = one.page.evaluate(
        """() => { const {map} = reachmapPage; const r = document.getElementById('sheet').getBoundingClientRect();
        map.setZoom(map.getZoom(), {animate: false});
        const at = map.latLngToContainerPoint(map.getCenter());
        for (let dx = -120; dx < 120; dx += 3) for (let dy = -300; dy < 300; dy += 3) {
          const p = [at.x + dx, at.y + dy];
          const box = map.getContainer().getBoundingClientRect();
          const [x, y] = [box.x + p[0], box.y + p[1]];
          const hit = document.elementFromPoint(x, y);
          if (!hit || hit.closest('#sheet, .leaflet-marker-pane, .leaflet-control')) continue;
          const i = reachmapPage.painter.locate(map, map.containerPointToLatLng(p));
          if (i >= 0) return [x, y, i];
        } }"""
    )
    one.page.mouse.click(place[0], place[1])
    one.page.locator("#place dl").wait_for()
    shown = one.page.evaluate("reachmapPage.state.shown")
    cell = shown["cell"]
    assert cell == place[2]
    assert shown["depth"] == pytest.approx(float(ch["depth"][cell]), abs=6e-4)
    assert shown["speed"] == pytest.approx(float(ch["speed"][cell]), abs=6e-4)
    assert one.page.locator("#place").is_visible()
    assert one.page.locator("#place dl dt").count() >= 9
    quiet(one)


@pytest.mark.browser
def test_every_layer_paints_and_the_hour_recolours(offline, page_file):
    one = ready(offline, page_file, SIZES[0])
    canvas = "document.querySelector('.leaflet-now-pane canvas').toDataURL()"
    seen = set()
    one.page.locator("#tab-show").click()
    for radio in one.page.locator("#layers input").all():
        radio.check(force=True)
        seen.add(one.page.evaluate(canvas))
    assert len(seen) >= 6
    one.page.locator("#layers input").first.check(force=True)
    before = one.page.evaluate(canvas)
    one.page.evaluate("reachmapPage.set({step: 2})")
    assert one.page.evaluate(canvas) != before
    assert one.page.evaluate("reachmapPage.state.ms") < 500
    quiet(one)


@pytest.mark.browser
def test_the_page_scores_as_python_does(offline, page_file, result):
    """1,000 random cells under 50 random settings on three days: the greatest difference in score is at most 0.01."""
    one = ready(offline, page_file, SIZES[0])
    rng = np.random.default_rng(11)
    ch = result.channel
    curves = load_curves(None, ch.beat.fish, ch.beat.water.temperature_c)
    cells = rng.integers(0, ch.grid.n_wet, 1000)
    every, glow = np.arange(ch.grid.n_wet), 0.0
    days = [result.days[name] for name in ("sunny noon", "night", "winter")]
    worst, edges = 0.0, 0
    fishes = curves.tables()["fish"]
    for _ in range(50):
        entry = int(rng.integers(0, len(fishes)))
        fish = Fish(fishes[entry]["species"], fishes[entry]["length_m"])
        number, step, cloud = (int(rng.integers(0, most)) for most in (3, 144, 9))
        day = days[number]
        water = Water(
            round(float(rng.uniform(0.4, 6)), 1),
            "white from above",
            str(rng.choice(["stained", "clear", "average", "cloudy", "spate"])),
            ch.beat.water.temperature_c,
        )
        lux = lux_through_day(ch, day, cloud, water)
        eye = eye_through_day(lux, 10, fish.species)
        scene = replace(ch.beat.scenes[0], water=water, cloud=cloud)
        terms = bed_terms(day.sun[step], day.moon[step], cloud, glow)
        edge = shade_edge(ch.grid, day.sun_on(every)[step] / np.float32(255.0), terms)
        light = replace(
            toy.light(ch, scene),
            layers={"light_bed": lux[step], "shade_edge": edge, "eye_day": eye[step].astype(np.float32)},
        )
        want = hold(ch, light, toy.sight(ch, light), fish, curves)["hold"][cells]
        setting = {"day": number, "step": step, "cloud": cloud, "fish": entry}
        setting |= {"clarity": water.clarity_m, "colour": water.colour, "warmth": 0}
        got = one.page.evaluate(
            "([s, cells]) => { const h = reachmapPage.physics.score(s).hold; return cells.map((i) => h[i]); }",
            [setting, cells.tolist()],
        )
        worst = max(worst, float(np.abs(np.array(got) - want).max()))
        edges += int((edge[cells] > 0.2).sum())
    assert worst <= 0.01
    assert edges > 100
    quiet(one)


OWN_CURVES = """
[cover.depth_share]
value = 0.1
source = "test"
[cover.structure_share]
value = 0.3
source = "test"
[seam.contrast_full_m_s]
value = 0.9
source = "test"
[day.depth]
weight = 2.0
points = [[0.2, 0.2], [1.0, 1.0]]
source = "test"
"""


OWN_SCORE = """(n) => { const { physics, state, lies } = reachmapPage, { hold } = physics.score(state.setting);
return lies.cells(n).reduce((sum, i) => sum + hold[i], 0) / lies.cells(n).length; }"""
"""Mean score of a lie as the page works it out for what is set."""


@pytest.mark.browser
@pytest.mark.parametrize("own", ["", OWN_CURVES], ids=["packaged curves", "curves of one's own"])
def test_each_scene_of_the_sample_scores_on_the_page_as_in_its_list(offline, sample_folder, tmp_path, own):
    """A scene's button sets its day and its water too, so that sun, moon and fish are as in what is printed for it."""
    curves = tmp_path / "own.toml"
    curves.write_text(own, encoding="utf-8")
    beat = reachmap.read_beat(sample_folder)
    noon, overcast, night = beat.scenes
    when = noon.when.replace(month=1, day=15)
    winter = replace(overcast, name="winter", when=when, water=replace(noon.water, temperature_c=3.0))
    made = reachmap.analyse(replace(beat, scenes=(noon, overcast, winter, night)), curves=curves)
    path = tmp_path / "map.html"
    path.write_text(map_page(made), encoding="utf-8")
    one = ready(offline, path, SIZES[0])
    one.page.locator("#tab-sky").click()
    for name, table in made.lies.scenes.items():
        one.page.locator("#scenes button", has_text=name).click()
        assert f"{made.outlooks[name].scene.when:%d %B %Y, %H:%M}" in one.page.inner_text("#moment")
        shown = one.page.evaluate("reachmapPage.state.ranked.map((lie) => [lie.n, lie.score])")
        ranked = table[table["rank"] > 0].sort_values("rank")
        assert [number for number, _ in shown if number in ranked.index] == ranked.index.tolist()
        np.testing.assert_allclose([dict(shown)[number] for number in table.index], table["score"], atol=1e-6)
        # As the page itself works them out; and that is what it shows a step later.
        np.testing.assert_allclose([one.page.evaluate(OWN_SCORE, n) for n in table.index], table["score"], atol=0.01)
        one.page.evaluate("reachmapPage.set({ step: reachmapPage.state.setting.step + 1 })")
        later = dict(one.page.evaluate("reachmapPage.state.ranked.map((lie) => [lie.n, lie.score])"))
        assert later == pytest.approx({n: one.page.evaluate(OWN_SCORE, n) for n in table.index})
        one.page.locator("#scenes button", has_text=name).click()
        # Moonlit by the sentence is moonlit by the list, but for light on the very edge.
        clear = table[(np.log(table["light_lux"] / MOON_LUX)).abs() > 0.1]
        lines = one.page.evaluate("[...document.querySelectorAll('#all-lies li')].map((one) => one.textContent)")
        assert [number for number in clear.index if "moonlit" in lines[number - 1]] == [
            number for number, why in clear["why"].items() if "moonlit" in why
        ]
        best = table.index[table["rank"] == 1][0]
        one.page.evaluate(f"reachmapPage.place.lie({best})")
        told = one.page.locator("#place").inner_text().replace("\xa0", " ")
        assert f"It is in the top five in {int(100 * table.loc[best, 'sure'] + 1e-9)} % of draws." in told
        assert f"of draws. (as in “{name}”)" in told
        one.page.evaluate("document.querySelector('#place [aria-label=Close]').click()")
    assert len({day.date for day in made.days.values()}) == 3
    assert one.page.locator("#warmth option").all_inner_texts() == ["13\xa0C", "3\xa0C"]
    # The last one is the night's: light has a scale of its own, unless it is laid beside a day's.
    one.page.evaluate("document.getElementById('layer-light').click()")
    assert "very dark" in one.page.inner_text("#legend")
    assert "daylight" not in one.page.inner_text("#legend")
    one.page.evaluate("reachmapPage.state.kept = {...reachmapPage.state.setting, day: 0, step: 78}")
    one.page.locator("#compare").select_option("swipe")
    assert "daylight" in one.page.inner_text("#legend")
    one.page.locator("#compare").select_option("off")
    assert "One of 200 draws is the ranking anew with depth" in one.page.locator("#honest").text_content()
    # Any other hour of that day, and the same hour of the other one.
    moment = "document.getElementById('moment').textContent"
    one.page.locator("#day").select_option("0")
    assert one.page.evaluate(moment).startswith("30 July 2026, 02:00")
    one.page.locator("#day").select_option("2")
    one.page.evaluate("reachmapPage.set({step: 78})")
    assert one.page.evaluate(moment).startswith("31 July 2026, 13:00")
    quiet(one)


@pytest.mark.browser
def test_the_page_calls_a_score_what_the_log_is_judged_by(offline, page_file):
    """Each edge begins the next word."""
    page = ready(offline, page_file, SIZES[0]).page
    ask = """(scores) => { const { lies, state } = reachmapPage; return scores.map((score) =>
        lies.line({ ...state.ranked[0], score }, state.setting).split(': ')[0].split(', ')[1]); }"""
    for k, (high, word) in enumerate(SCORE_WORDS):
        after = SCORE_WORDS[min(k + 1, len(SCORE_WORDS) - 1)][1]
        assert page.evaluate(ask, [high - 0.001, high]) == [word, after]


@pytest.mark.browser
def test_the_page_calls_the_light_of_a_night_as_python_does(offline, page_file, result):
    """Every lie at every step with the sun down, on a midsummer, a full-moon and a winter day, under three skies."""
    page = ready(offline, page_file, SIZES[0]).page
    ch, seen, cells = result.channel, set(), result.lies.cells
    said = {"dark": "in the dark", "dim": "in dim light"}
    ask = """([setting, steps]) => steps.map((step) => { reachmapPage.set({ ...setting, step });
        return Object.fromEntries(reachmapPage.state.ranked.map((lie) =>
          [lie.n, reachmapPage.lies.line(lie, reachmapPage.state.setting).split(', ').pop()])); })"""
    water = replace(ch.beat.water, clarity_m=1.2)
    kd = clarity_to_attenuation(water)[0]
    for number, name in enumerate(("sunny noon", "night", "winter")):
        day = result.days[name]
        steps = [step for step, sun in enumerate(day.sun) if sun.altitude_deg < -1.0]
        for cloud in (0, 4, 8):
            lux = lux_through_day(ch, day, cloud, water)
            setting = {"day": number, "cloud": cloud, "clarity": water.clarity_m, "colour": water.colour}
            for step, told in zip(steps, page.evaluate(ask, [setting, steps]), strict=True):
                terms = bed_terms(day.sun[step], day.moon[step], cloud)
                for lie, own in cells.items():
                    share, whole = day.moon_share[step][day.columns(own)] / 255.0, float(lux[step][own].mean())
                    moon = moon_at_bed(terms, share, kd, ch["depth"][own])
                    # Where a hair would change the word either will do.
                    words = {
                        night_words(day.sun[step], whole * k, float(share.mean()), moon) for k in (0.97, 1.0, 1.03)
                    }
                    words |= {night_words(day.sun[step], whole, float(share.mean()) * k, moon) for k in (0.99, 1.01)}
                    assert told[str(lie)] in {said.get(word, word) for word in words}, (name, step, cloud, lie)
                    seen |= words if len(words) == 1 else set()
    assert seen == {"dark", "dim", "moonlit", "in the twilight"}


@pytest.mark.browser
def test_no_light_is_called_by_a_moon_that_is_not_up(offline, page_file, result):
    """On a moonless evening the light falls through all that a moon could give."""
    page, day = ready(offline, page_file, SIZES[0]).page, result.days["winter"]
    lie = result.lies.table.index[0]
    ask = """([setting, steps, lie]) => steps.map((step) => { reachmapPage.set({ ...setting, step });
        reachmapPage.place.lie(lie); return document.getElementById('place').innerText; })"""
    up = [(sun.altitude_deg > -8, moon.altitude_deg > -1) for sun, moon in zip(day.sun, day.moon, strict=True)]
    moonless = [step for step, bodies in enumerate(up) if not any(bodies)]
    seen = set()
    for told in page.evaluate(ask, [{"day": 2, "cloud": 1}, moonless, int(lie)]):
        ((lux, word),) = re.findall(r"Light at the bed\s+(?:under )?([\d.,]+)\xa0lux, ([^\n]*)", told)
        lux = float(lux.replace(",", ""))
        assert word == ("black" if lux < 2.5e-4 else "dark" if lux < 0.01 else "dim")
        seen.add(word)
    assert seen == {"dark", "dim"}


@pytest.mark.browser
def test_the_strip_of_hours_is_in_shade_where_hills_keep_all_the_sun_off(offline, tmp_path):
    """Every lie at every step with the sun up, in a valley whose south side hides it at noon in winter."""
    valley = Skyline(np.array([0.0, 150.0, 160.0, 200.0, 210.0]), np.array([0.0, 0.0, 20.0, 20.0, 0.0]))
    winter = replace(toy.scenes()[0], when=datetime(2026, 12, 21, 12, 0, tzinfo=UTC))
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=(winter,), skyline=valley))
    result = toy.result(ch, days=light_of_scenes(ch, ch.beat.scenes))
    path = tmp_path / "map.html"
    path.write_text(map_page(result), encoding="utf-8")
    page, day = ready(offline, path, SIZES[0]).page, result.days[winter.name]
    up = np.array([sun.altitude_deg > 0 for sun in day.sun])
    for lie, own in result.lies.cells.items():
        shown = np.array(page.evaluate("(n) => Array.from(reachmapPage.lies.shade(n, 0))", lie))
        wanted = day.sun_on(own).mean(axis=1) / 255
        np.testing.assert_allclose(shown[up], wanted[up], atol=0.005)
    # What is painted below the noon of a chosen lie: its shade, but none under a cloud that lets nobody see any.
    lower = """(cloud) => { reachmapPage.set({ cloud, step: 72 }); const strip = document.getElementById('sky-strip');
        const pen = strip.getContext('2d');
        return [2, strip.height - 2].map((y) => pen.getImageData(strip.width / 2, y, 1, 1).data.join()); }"""
    page.evaluate("(n) => reachmapPage.place.lie(n)", lie)
    assert [len(set(page.evaluate(lower, cloud))) for cloud in (1, 5, 6, 8)] == [2, 2, 1, 1]
    # Both occur, and shade in the middle of the day.
    lit = day.sun_share.any(axis=1)[up]
    assert lit[0]
    assert lit[-1]
    assert not lit.all()


def test_two_days_of_one_date_can_be_told_apart():
    noon = toy.scenes()[0]
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=(noon, replace(noon, name="bare", leaf_on=False))))
    data = page_data(toy.result(ch, days=light_of_scenes(ch, ch.beat.scenes)))
    assert [day["date"] for day in data["days"]] == ["20 June 2026", "20 June 2026, trees bare"]
    assert [scene["day"] for scene in data["scenes"]] == [0, 1]
    assert {"sky_clear", "sky_clear_bare"} <= set(data["layers"])


@pytest.mark.browser
def test_a_choice_of_days_is_offered_only_where_there_are_several(offline, tmp_path):
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=toy.scenes()[:2]))
    path = tmp_path / "map.html"
    path.write_text(map_page(toy.result(ch, days=light_of_scenes(ch, ch.beat.scenes))), encoding="utf-8")
    page = ready(offline, path, SIZES[0]).page
    page.locator("#tab-sky").click()
    assert not page.locator("#day-row").is_visible()


def begin_note(page, words: str) -> dict[str, float]:
    """Type words into the form of a new note on the map; gives the box of the map."""
    page.locator("#tab-notes").click()
    page.locator("#note-add").click()
    box = page.locator(".leaflet-container").bounding_box()
    page.mouse.click(box["x"] + box["width"] * 0.75, box["y"] + 60)
    page.locator("#note-text").fill(words)
    # The map moves under the form until it is all in view.
    page.wait_for_selector(".leaflet-pan-anim", state="detached")
    return box


@pytest.mark.browser
def test_a_note_is_kept_through_a_reload_and_downloads(offline, page_file):
    one = ready(offline, page_file, SIZES[0])
    page = one.page
    begin_note(page, "<b>otter</b> by the gate")
    page.locator("#note-keep").click()
    assert page.locator("#note-list li").count() == 1
    anew(page)
    page.locator("#tab-notes").click()
    assert "<b>otter</b> by the gate" in page.locator("#note-list").inner_text()
    with page.expect_download() as got:
        page.locator("#note-download").click()
    assert got.value.suggested_filename == "notes.geojson"
    quiet(one)


@pytest.mark.browser
@pytest.mark.parametrize("away", ["close", "elsewhere", "reload"])
def test_a_note_that_was_not_kept_by_its_button_is_kept_all_the_same(offline, page_file, away):
    one = ready(offline, page_file, SIZES[0])
    page = one.page
    box = begin_note(page, "heron")
    if away == "close":
        page.locator(".leaflet-popup-close-button").click()
    elif away == "elsewhere":
        page.mouse.click(box["x"] + box["width"] * 0.5, box["y"] + box["height"] - 60)
    if away != "reload":
        page.wait_for_selector("#note-text", state="detached")
    anew(page)
    page.locator("#tab-notes").click()
    assert page.locator("#note-list li").all_inner_texts() == ["note\nheron"]
    quiet(one)


@pytest.mark.browser
def test_a_tap_on_the_words_that_ask_for_it_reaches_the_map_and_they_go(offline, page_file):
    """On a phone they stand over the water."""
    one = ready(offline, page_file, SIZES[1])
    page = one.page
    page.locator("#tab-notes").click()
    page.locator("#note-add").click()
    box = page.locator("#say").bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.locator("#note-text").wait_for()
    assert page.locator("#say").text_content() == ""
    quiet(one)


@pytest.mark.browser
def test_a_note_asked_for_goes_to_the_lie_whose_number_is_touched(offline, page_file):
    """Any other mark, and a lie of the lists, ends the asking: no later touch of the water opens a form unasked."""
    one = ready(offline, page_file, SIZES[0])
    page = one.page
    ask = "document.getElementById('note-add').click()"
    asked = "[reachmapPage.state.adding, document.getElementById('note-add').getAttribute('aria-pressed')]"
    page.evaluate(ask)
    tag = page.locator(".lie-tag.best").first
    lie = page.evaluate("(n) => reachmapPage.lies.get(n).at", int(tag.inner_text()))
    tag.click()
    page.locator("#note-text").fill("rise")
    assert not page.locator("#place").is_visible()
    page.locator("#note-keep").click()
    kept = page.evaluate("JSON.parse(Object.values(localStorage)[0])[0].geometry.coordinates")
    assert kept == pytest.approx(lie[::-1], abs=1e-6)
    for mark in (".note-mark", ".stance", "#all-lies button"):
        if mark == ".stance":
            page.evaluate("reachmapPage.place.lie(1)")
        page.evaluate(ask)
        assert page.evaluate(asked) == [True, "true"]
        page.locator(mark).first.dispatch_event("click")
        assert page.evaluate(asked) == [False, "false"], mark
        page.keyboard.press("Escape")
    quiet(one)


COVERED = """() => [...document.querySelectorAll('#note-text, #note-keep, .note-form select')].flatMap((e) => {
const r = e.getBoundingClientRect();
const corners = [[r.left + 3, r.top + 3], [r.right - 3, r.bottom - 3]];
return [...corners, [r.left + r.width / 2, r.top + r.height / 2]]
  .filter(([x, y]) => document.elementFromPoint(x, y) !== e).map(([x, y]) => `${e.id} ${x} ${y}`);
})"""
"""Parts of the form of a note that something lies over."""


@pytest.mark.browser
@pytest.mark.parametrize("size", SIZES)
def test_nothing_lies_over_the_form_of_a_note_wherever_it_is(offline, page_file, size):
    one = ready(offline, page_file, size)
    page = one.page
    page.locator("#tab-notes").click()
    box = page.locator(".leaflet-container").bounding_box()
    for across in (0.1, 0.5, 0.8):
        for down in (0.3, 0.6, 0.82):
            page.locator("#note-add").click()
            page.mouse.click(box["x"] + box["width"] * across, box["y"] + box["height"] * down)
            page.locator("#note-text").wait_for()
            page.wait_for_selector(".leaflet-pan-anim", state="detached")
            assert page.evaluate(COVERED) == [], (across, down)
            page.locator(".leaflet-popup-close-button").click()
            page.wait_for_selector("#note-text", state="detached")
    assert page.locator("#legend").is_visible()
    quiet(one)


@pytest.mark.browser
def test_nothing_lies_over_the_form_of_a_note_when_the_keyboard_takes_half_the_screen(offline, page_file):
    page = ready(offline, page_file, (390, 844)).page
    page.locator("#tab-notes").click()
    page.evaluate(
        """() => { const { map, notes } = reachmapPage, { x, y } = map.getSize();
        notes.add(map.containerPointToLatLng([0.75 * x, 0.85 * y])); }"""
    )
    page.wait_for_selector(".leaflet-pan-anim", state="detached")
    page.set_viewport_size({"width": 390, "height": 480})
    middle = """(id) => { const b = document.getElementById(id).getBoundingClientRect();
    return document.elementFromPoint((b.left + b.right) / 2, (b.top + b.bottom) / 2)?.id === id; }"""
    page.wait_for_function(f"() => innerHeight === 480 && ['note-text', 'note-keep'].every({middle})")


@pytest.mark.browser
def test_the_drawer_of_a_phone_makes_room_for_a_note(offline, page_file):
    one = ready(offline, page_file, SIZES[1])
    page = one.page
    begin_note(page, "heron")
    page.locator("#note-keep").click()
    for button in ("#note-list button", "#note-add"):
        page.locator("#grip").click(position={"x": 190, "y": 8})
        assert page.locator("#sheet").get_attribute("data-state") == "full"
        page.locator(button).click()
        assert page.locator("#sheet").get_attribute("data-state") == "half"
        if button == "#note-list button":
            page.wait_for_selector(".leaflet-pan-anim", state="detached")
            page.wait_for_function(f"({COVERED})().length === 0")
            # Beside both buttons the word of its kind can still be read.
            assert page.locator(".note-form select").bounding_box()["width"] > 100
            page.locator(".leaflet-popup-close-button").click()
    quiet(one)


def notes_listed(page) -> list[str]:
    """What the list of notes says, once the page is open anew."""
    anew(page)
    page.locator("#tab-notes").click()
    return page.locator("#note-list li").all_inner_texts()


@pytest.mark.browser
def test_words_are_kept_as_they_are_typed_and_nothing_is_kept_of_none(offline, page_file):
    """A page that is killed gets no time to keep anything: what is stored is looked at while the form is open."""
    one = ready(offline, page_file, SIZES[0])
    page = one.page
    begin_note(page, "rise by\nthe  stone")
    stored = "JSON.parse(Object.values(localStorage)[0]).map((note) => note.properties.text)"
    assert page.evaluate(stored) == ["rise by the stone"]
    page.locator("#note-text").fill("")
    page.locator(".leaflet-popup-close-button").click()
    page.wait_for_selector("#note-text", state="detached")
    assert notes_listed(page) == []
    quiet(one)


@pytest.mark.browser
def test_letters_that_are_joined_or_parted_by_what_is_not_seen_stay_so(offline, page_file):
    """A Persian word, and a picture of two people; from the page into the beat and back."""
    words = "\u0645\u06cc\u200c\u0631\u0648\u062f \U0001f468\u200d\U0001f467"
    one = ready(offline, page_file, SIZES[0])
    begin_note(one.page, words)
    one.page.locator("#note-keep").click()
    with one.page.expect_download() as got:
        one.page.locator("#note-download").click()
    file = got.value.path().with_suffix(".geojson")
    write_notes(file, read_notes(got.value.path()))
    (note,) = notes_of(file)
    assert note["properties"]["text"] == words
    assert notes_listed(one.page) == [f"note\n{words}"]
    quiet(one)


@pytest.mark.browser
def test_a_note_opened_again_while_its_form_is_open_stays_one(offline, page_file):
    one = ready(offline, page_file, SIZES[0])
    page = one.page
    begin_note(page, "heron")
    for words in ("heron at dusk", "heron at dusk by the gate"):
        page.locator("#note-list button").click()
        page.locator("#note-text").fill(words)
    page.locator(".leaflet-popup-close-button").click()
    assert notes_listed(page) == ["note\nheron at dusk by the gate"]
    quiet(one)


@pytest.mark.browser
def test_two_windows_of_one_map_keep_the_notes_of_both(offline, page_file, tmp_path):
    one = ready(offline, page_file, SIZES[0])
    other = one.context.new_page()
    other.goto(page_file.as_uri())
    other.wait_for_selector("body[data-ready]")
    for page, words in ((one.page, "heron"), (other, "otter"), (one.page, "gate")):
        page.bring_to_front()
        begin_note(page, words)
        page.locator("#note-keep").click()
    assert sorted(notes_listed(other)) == ["note\ngate", "note\nheron", "note\notter"]
    begin_note(one.page, "kingfisher")
    write_notes(tmp_path / "notes.geojson", [])
    other.locator("#note-file").set_input_files(tmp_path / "notes.geojson")
    other.locator("#note-list", has_text="kingfisher").wait_for()
    other.locator("#note-list button", has_text="gate").click()
    other.locator("#note-text").fill("gate, shut")
    other.locator("#note-keep").click()
    with one.page.expect_download() as download:
        one.page.locator("#note-download").click()
    assert "gate, shut" in download.value.path().read_text(encoding="utf-8")
    one.page.locator("#note-list button", has_text="gate").click()
    assert one.page.locator("#note-text").input_value() == "gate, shut"
    one.page.locator("#note-text").fill("gate, open")
    one.page.locator("#note-keep").click()
    assert [words for words in notes_listed(one.page) if "gate" in words] == ["note\ngate, open"]
    quiet(one)


@pytest.mark.browser
def test_of_two_versions_of_a_note_only_the_one_asked_for_is_taken_back(offline, page_file):
    """Though another window has taken it back meanwhile."""
    one = ready(offline, page_file, SIZES[0])
    begin_note(one.page, "fish")
    one.page.locator("#note-keep").click()
    twins = """() => { const [key] = Object.keys(localStorage).filter((name) => name.startsWith('reachmap:notes'));
    const [note] = JSON.parse(localStorage[key]), { time } = note.properties;
    const made = (text, more) => ({ ...note, properties: { ...note.properties, text, replaces: [time], ...more } });
    const [small, late] = [made('fish, small', { time: `${time}1` }), made('fish, late', { time: `${time}2` })];
    const gone = made('fish, small', { time: `${time}3`, replaces: [`${time}1`], deleted: true });
    localStorage[key] = JSON.stringify([small, late]);
    return [key, JSON.stringify([late, gone])]; }"""
    kept = one.page.evaluate(twins)
    anew(one.page)
    one.page.locator("#tab-notes").click()
    one.page.evaluate("([key, notes]) => { localStorage[key] = notes; }", kept)
    one.page.locator("#note-list button", has_text="small").click()
    one.page.locator("#note-delete").click()
    assert notes_listed(one.page) == ["note\nfish, late"]
    quiet(one)


@pytest.mark.browser
def test_a_note_whose_file_is_loaded_while_its_form_is_open_can_be_deleted(offline, page_file, tmp_path):
    one = ready(offline, page_file, SIZES[0])
    page = one.page
    begin_note(page, "heron")
    page.locator("#note-keep").click()
    with page.expect_download() as download:
        page.locator("#note-download").click()
    download.value.save_as(tmp_path / "notes.geojson")
    page.locator("#note-list button").click()
    page.locator("#note-file").set_input_files(tmp_path / "notes.geojson")
    page.locator("#say", has_text="loaded").wait_for()
    if not page.locator("#note-delete").count():
        page.locator("#note-list button").click()
    page.locator("#note-delete").click()
    assert page.locator("#note-list li").count() == 0
    quiet(one)


@pytest.mark.browser
def test_buttons_that_make_room_for_a_note_are_there_again_over_no_tag(offline, page_file):
    """While one writes, neither they nor the line between two moments lie over the form."""
    page = ready(offline, page_file, SIZES[1]).page
    page.locator("#tab-sky").click()
    page.locator("#compare").select_option("swipe")
    over = "[...document.querySelectorAll('#legend, #where, #swipe, .swipe-line, .leaflet-control')]"
    begin_note(page, "heron")
    assert not page.evaluate(f"{over}.filter((one) => one.checkVisibility({{ checkVisibilityCSS: true }})).length")
    page.locator("#note-keep").click()
    assert page.evaluate(f"{over}.filter((one) => one.checkVisibility({{ checkVisibilityCSS: true }})).length") >= 4
    under = page.evaluate(
        f"""() => {{ const boxes = {over}.map((one) => one.getBoundingClientRect());
        const meet = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
        return [...document.querySelectorAll('.lie-tag:not([hidden], .best)')].map((tag) => tag.getBoundingClientRect())
          .filter((a) => boxes.some((b) => meet(a, b))); }}"""
    )
    assert not under


@pytest.mark.browser
def test_the_page_and_the_command_put_notes_together_alike(offline, page_file, tmp_path):
    """Among them two that say they replace each other, one taken back, an old copy and one edited apart."""
    told = [
        ("a", "t1", ["t2"], "round"), ("a", "t2", ["t1"], "and round"), ("b", "t1", [], "old"),
        ("b", "t2", ["t1"], "left"), ("b", "t3", ["t1"], "right"),
        ("c", "t1", [], "kept"), ("d", "t1", [], "gone"), ("d", "t2", ["t1"], ""),
    ]  # fmt: skip
    place = {"type": "Point", "coordinates": [toy.LON, toy.LAT]}
    notes = [
        {
            "type": "Feature",
            "geometry": place,
            "properties": {"id": n, "time": t, "replaces": r, "text": words, "kind": "note", "deleted": not words},
        }
        for n, t, r, words in told
    ]
    write_notes(tmp_path / "notes.geojson", notes)
    one = ready(offline, page_file, SIZES[0])
    one.page.locator("#tab-notes").click()
    one.page.locator("#note-file").set_input_files(tmp_path / "notes.geojson")
    one.page.locator("#note-list", has_text="kept").wait_for()
    listed = [text.removeprefix("note\n") for text in one.page.locator("#note-list li").all_inner_texts()]
    assert sorted(listed) == sorted(note["properties"]["text"] for note in shown(merge_notes(notes)))
    assert len(listed) == 5
    quiet(one)


FOREIGN = [
    ({"TEXT ": "gate"}, [-2.300000012345, 54.6]),
    ({"Name": '\U0001f41f h\xe4\xdf \x7f "log"', "note": "a jam\nin spate", "kind": "Hazard"}, [1, 5e-7, 9]),
    ({"TEXT ": "x" * 3000, "kind": "Catch", "date": "2026-06-01"}, [-0.00001234567, -1e-9]),
    ({"note": "a\\b", "cmt": "b"}, [179.99999999, 2.5]),
]
"""Notes without an id, of columns no map writes: what stands with each, and where."""


@pytest.mark.browser
def test_notes_without_an_id_are_the_same_notes_on_the_page_and_in_the_beat(offline, result, tmp_path):
    """A beat's own file loaded on its map, where one was changed, brings none anew; others are named alike."""
    points = [(said, {"type": "Point", "coordinates": at}) for said, at in FOREIGN]
    features = [{"type": "Feature", "properties": said, "geometry": point} for said, point in points]
    file = tmp_path / "notes.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    read = notes_of(file)
    own = gpd.GeoDataFrame.from_features(read[:3], crs=4326).to_crs(result.channel.beat.crs)
    one = ready(offline, page_with(result, own, tmp_path), SIZES[0])
    page = one.page
    page.locator("#tab-notes").click()
    page.locator("#note-list button", has_text="gate").click()
    page.locator("#note-text").fill("stile")
    page.locator("#note-keep").click()
    for _ in range(2):
        page.locator("#note-file").set_input_files(file)
        page.locator("#say", has_text="4 notes loaded").wait_for()
        assert page.locator("#note-list li").count() == 4
        with page.expect_download() as got:
            page.locator("#note-download").click()
        given = [note["properties"] for note in read_notes(got.value.path())]
        told = {note["properties"]["id"]: note["properties"]["text"] for note in read}
        assert {said["id"]: said["text"] for said in given} == {**told, read[0]["properties"]["id"]: "stile"}
        write_notes(file, read)
    quiet(one)


@pytest.mark.browser
def test_a_copy_of_a_note_with_more_figures_is_that_note(offline, page_file, tmp_path):
    """As a beat's file that the command wrote has it, in full."""
    notes = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [toy.LON + east, toy.LAT, 9.0]},
            "properties": {"id": "a", "time": "", "text": "gate", "kind": "note"},
        }
        for east in (0, 1e-9)
    ]
    write_notes(tmp_path / "notes.geojson", notes)
    one = ready(offline, page_file, SIZES[0])
    one.page.locator("#tab-notes").click()
    one.page.locator("#note-file").set_input_files(tmp_path / "notes.geojson")
    one.page.locator("#say", has_text="loaded").wait_for()
    assert one.page.locator("#note-list li").count() == 1
    quiet(one)


@pytest.mark.browser
def test_what_of_a_file_came_in_is_told(offline, page_file, tmp_path):
    one = ready(offline, page_file, SIZES[0])
    point = {"type": "Feature", "properties": {"text": "gate"}, "geometry": {"type": "Point", "coordinates": [1, 50]}}
    line = {**point, "geometry": {"type": "LineString", "coordinates": [[1, 50], [2, 50]]}}
    nowhere = {**point, "geometry": None}
    wordless = {**point, "properties": None, "geometry": {"type": "Point", "coordinates": [1, 51]}}
    came = "1 note loaded and put together with those here."
    for features, told in (
        ([point], came),
        ([point, line], f"{came} 1 line, area or thing without a place was left out."),
        ([line, nowhere], "No note came in. 2 lines, areas or things without a place were left out."),
        ([point, wordless], "2 notes loaded and put together with those here."),
        ([], "That file holds no notes. Choose a notes.geojson downloaded from a map."),
    ):  # fmt: skip
        file = {"type": "FeatureCollection", "features": features}
        (tmp_path / "notes.geojson").write_text(json.dumps(file), encoding="utf-8")
        one.page.locator("#note-file").set_input_files(tmp_path / "notes.geojson")
        one.page.wait_for_function("told => document.getElementById('say').textContent === told", arg=told)
    quiet(one)


@pytest.mark.browser
@pytest.mark.parametrize("column", ["type", "Kind", "class"])
def test_what_a_page_gives_back_of_a_file_with_another_name_for_the_kind_can_be_read(
    offline, page_file, tmp_path, column
):
    """Two columns that mean the kind would be refused."""
    one = ready(offline, page_file, SIZES[0])
    place = {"type": "Point", "coordinates": [-2.31, 54.62]}
    feature = {"type": "Feature", "properties": {"name": "big one", column: "catch"}, "geometry": place}
    file = tmp_path / "notes.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), encoding="utf-8")
    one.page.locator("#tab-notes").click()
    one.page.locator("#note-file").set_input_files(file)
    one.page.locator("#say", has_text="1 note loaded").wait_for()
    with one.page.expect_download() as got:
        one.page.locator("#note-download").click()
    (note,) = notes_of(got.value.path())
    assert (note["properties"]["kind"], note["properties"]["text"]) == ("catch", "big one")
    quiet(one)


@pytest.mark.browser
def test_a_note_without_a_time_is_edited_and_taken_back_for_good(offline, result, tmp_path):
    """As those of a table or of waypoints are; the map's file still holds them when it is opened anew."""
    notes = gpd.GeoDataFrame(
        {"id": ["a", "b"], "text": ["gate", "log jam"], "kind": "note", "time": "", "deleted": False},
        geometry=[shapely.Point(2.0, 1.0), shapely.Point(6.0, 1.0)],
        crs=result.channel.beat.crs,
    )
    notes["replaces"] = [[], []]
    one = ready(offline, page_with(result, notes, tmp_path), SIZES[0])
    page = one.page
    page.locator("#tab-notes").click()
    page.locator("#note-list button").first.click()
    page.locator("#note-text").fill("stile")
    page.locator("#note-keep").click()
    assert sorted(notes_listed(page)) == ["note\nlog jam", "note\nstile"]
    page.locator("#note-list button", has_text="log jam").click()
    page.locator("#note-delete").click()
    assert notes_listed(page) == ["note\nstile"]
    quiet(one)


@pytest.mark.browser
def test_controls_have_names_and_are_large_enough_for_a_thumb(offline, page_file):
    one = ready(offline, page_file, SIZES[1])
    bad = one.page.evaluate(
        """() => [...document.querySelectorAll('button, select, input')].filter((e) => e.offsetParent).filter((e) => {
        const named = e.getAttribute('aria-label') || e.textContent.trim() || (e.labels && e.labels.length);
        const tall = e.getBoundingClientRect().height;
        return !named || (e.matches('button, select') && tall < 40 && !e.closest('.leaflet-control'));
        }).map((e) => e.outerHTML.slice(0, 120))"""
    )
    assert bad == []
    assert one.page.evaluate("document.documentElement.lang") == "en"


def test_the_page_names_no_host_unless_tiles_are_asked_for(result):
    """Without --imagery no picture may come from anywhere; with it the policy opens to that one host only."""
    plain, with_tiles = map_page(result), map_page(result, imagery=True)
    assert "openstreetmap" not in plain
    assert "img-src data: blob:;" in plain
    assert "img-src data: blob: https://tile.openstreetmap.org;" in with_tiles
    assert with_tiles.count("connect-src 'none'") == plain.count("connect-src 'none'") == 1


@pytest.mark.browser
def test_background_tiles_are_credited_and_the_page_works_without_them(offline, result, tmp_path):
    """With the network off: only the tiles' host is asked, the rest works, the switch takes tiles and credit away."""
    path = tmp_path / "map.html"
    path.write_text(map_page(result, imagery=True), encoding="utf-8")
    one = ready(offline, path, SIZES[0])
    assert "OpenStreetMap contributors" in one.page.locator(".leaflet-control-attribution").inner_text()
    assert one.page.locator("#best li").count() == 3
    # The first tiles may be asked for only after the page is ready.
    with one.page.expect_event("requestfailed"):
        one.page.reload()
    assert one.asked
    assert all(address.startswith("https://tile.openstreetmap.org/") for address in one.asked)
    assert all("net::ERR" in said for said in one.said)
    one.page.locator("#tab-show").click()
    one.page.locator("#extra-imagery").uncheck(force=True)
    assert not one.page.locator(".leaflet-control-attribution").is_visible()
    assert one.page.locator(".imagery").count() == 0
