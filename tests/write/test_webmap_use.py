"""Using the map page: the hour, comparing, units, position, lanes, gravel, printing, a coarser copy, the keyboard."""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from pyproj import Transformer

from reachmap.beat.warmth import printed_celsius, printed_fahrenheit
from reachmap.light import clarity_to_attenuation, light_of_scenes
from reachmap.run import analyse
from reachmap.visit.wading import cautions
from reachmap.write import card_page, map_page, webmap_data
from tests import toy
from tests.browser import anew
from tests.channel.rivers import beat

PHONE = (390, 844)
PICTURE = "document.querySelector('.leaflet-now-pane canvas').toDataURL()"
SIGNS = "document.querySelector('.leaflet-signs-pane canvas').toDataURL()"
CROSSING = (12.0, 1.8)
"""Where the lane made here meets the toy's seam, which lies along y = 1.8 m."""


@pytest.fixture(scope="module")
def result():
    """The toy water with spawning gravel at its head, a scene in the season, and a lane across a seam."""
    october = replace(toy.scenes()[0], name="October", when=datetime(2026, 10, 20, 12, tzinfo=UTC))
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=(*toy.scenes(), october)))
    made = toy.result(ch, days=light_of_scenes(ch, ch.beat.scenes))
    lane = made.visit.lanes.assign(crosses_seam=True)
    lane = gpd.GeoDataFrame(lane.drop(columns="geometry"), geometry=[shapely.LineString([(12, 0.9), (12, 4)])])
    redd = (ch.grid.x < -50).astype(np.float32)
    harder = {"wading_dark": np.minimum(made.visit.layers["wading"] + 1, 3)}
    visit = replace(made.visit, lanes=lane.set_crs(toy.CRS_LOCAL), layers={**made.visit.layers, **harder, "redd": redd})
    return replace(made, visit=visit)


@pytest.fixture(scope="module")
def page_file(result, tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(map_page(result), encoding="utf-8")
    return path


def ready(offline, path, size=(1280, 800)):
    one = offline(path, *size)
    one.page.wait_for_selector("body[data-ready]", timeout=20000)
    return one


@pytest.mark.browser
def test_the_hour_moves_by_key_and_by_itself(offline, page_file):
    """One arrow key is one step of ten minutes; the day plays until stopped; the strip says the hour."""
    page = ready(offline, page_file).page
    step = page.evaluate("reachmapPage.state.setting.step")
    before = page.evaluate(PICTURE)
    page.locator("#hour").focus()
    for _ in range(30):
        page.keyboard.press("ArrowRight")
    page.wait_for_function("step => reachmapPage.state.setting.step === step", arg=step + 30)
    page.wait_for_function(f"before => {PICTURE} !== before", arg=before)
    hour = page.evaluate("reachmapPage.D.days[0].times[reachmapPage.state.setting.step]")
    page.locator("#moment", has_text=hour).wait_for()
    assert page.locator("#hour").get_attribute("aria-valuetext") == hour
    page.locator("#play").click()
    page.wait_for_function("step => reachmapPage.state.setting.step > step", arg=step + 30)
    assert page.locator("#play").get_attribute("aria-label") == "Stop"
    page.locator("#play").click()
    stopped = page.evaluate("reachmapPage.state.setting.step")
    page.wait_for_timeout(500)
    assert page.evaluate("reachmapPage.state.setting.step") == stopped


@pytest.mark.browser
def test_another_day_is_shown_at_the_same_hour_by_the_clock(offline, tmp_path):
    """In 2026 the clocks of the toy's zone go forward on 29 March at 1 h and back on 25 October at 2 h."""
    days = [datetime(2026, 6, 20, 12, tzinfo=UTC), datetime(2026, 3, 29, 12, tzinfo=UTC)]
    days.append(datetime(2026, 10, 25, 12, tzinfo=UTC))
    scenes = tuple(replace(toy.scenes()[0], name=f"{when:%B}", when=when) for when in days)
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=scenes))
    path = tmp_path / "map.html"
    path.write_text(map_page(toy.result(ch, days=light_of_scenes(ch, scenes))), encoding="utf-8")
    page = ready(offline, path).page
    page.locator("#tab-sky").click()
    for day, hour, told in (
        (1, "13:00", "13:00"),
        (2, "13:00", "13:00"),
        (2, "23:50", "23:50"),
        (1, "23:50", "23:50"),
        (1, "01:10", "00:50"),
        (1, "01:40", "02:00"),
    ):
        page.evaluate("(hour) => reachmapPage.set({day: 0, step: reachmapPage.D.days[0].times.indexOf(hour)})", hour)
        page.locator("#day").select_option(str(day))
        assert f", {told} ·" in page.locator("#moment").inner_text()


@pytest.mark.browser
def test_two_moments_lie_side_by_side_or_as_their_difference(offline, page_file):
    page = ready(offline, page_file).page
    page.locator("#tab-sky").click()
    page.locator("#keep-moment").click()
    kept = page.evaluate(PICTURE)
    page.evaluate("reachmapPage.set({step: 3})")
    page.locator("#compare").select_option("swipe")
    assert page.evaluate("document.querySelector('.leaflet-kept-pane canvas').toDataURL()") == kept
    assert page.evaluate(PICTURE) != kept
    lines = []
    for value in ("250", "750"):
        page.evaluate("(v) => { const s = document.getElementById('swipe'); s.value = v; s.oninput?.(); }", value)
        page.locator("#swipe").dispatch_event("input")
        line = page.locator(".swipe-line").bounding_box()["x"]
        clip = page.evaluate("reachmapPage.map.getPane('now').style.clip")
        lines.append((line, clip))
    assert lines[0][0] < lines[1][0]
    assert lines[0][1] != lines[1][1]
    assert "kept" in page.locator("#legend").inner_text()
    page.locator("#compare").select_option("change")
    assert "much better" in page.locator("#legend").inner_text()
    page.evaluate("reachmapPage.set({...reachmapPage.state.kept})")
    same = page.evaluate(
        """() => { const c = document.querySelector('.leaflet-now-pane canvas');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data, out = new Set();
        for (let i = 0; i < d.length; i += 4) if (d[i + 3]) out.add([d[i], d[i + 1], d[i + 2]].join());
        return [...out]; }"""
    )
    middle = page.evaluate("reachmap.ramps.change.stops[2]")
    paper = [int(middle[k : k + 2], 16) for k in (1, 3, 5)]
    plain = [colour for colour in same if np.abs(np.subtract([int(v) for v in colour.split(",")], paper)).max() <= 3]
    assert plain, "nothing changed, so the water is the colour of no change"


@pytest.mark.browser
def test_gone_back_to_the_map_shows_one_moment_and_says_so(offline, page_file, tmp_path):
    page = ready(offline, page_file).page
    page.locator("#tab-sky").click()
    page.locator("#compare").select_option("swipe")
    (tmp_path / "elsewhere.html").touch()
    page.goto((tmp_path / "elsewhere.html").as_uri())
    page.go_back()
    page.wait_for_selector("body[data-ready]")
    # The browser puts what was chosen back once all is loaded.
    page.wait_for_load_state("load")
    page.evaluate("reachmapPage.refresh()")
    assert page.evaluate("[reachmapPage.state.compare, document.getElementById('compare').value]") == ["off", "off"]


@pytest.mark.browser
def test_units_switch_and_are_remembered(offline, page_file):
    """1 m = 3.2808 ft, by definition of the foot of 0.3048 m."""
    page = ready(offline, page_file).page
    page.locator("#tab-sky").click()
    metres = float(page.locator("#clarity-out").inner_text().split()[0])
    page.locator("#tab-more").click()
    page.locator("#units").click()
    anew(page)
    page.locator("#tab-sky").click()
    feet, unit = page.locator("#clarity-out").inner_text().split()
    assert unit == "ft"
    assert float(feet) == pytest.approx(metres / 0.3048, abs=0.05 / 0.3048 + 0.05)  # both are told with one digit
    page.locator("#tab-more").click()
    page.locator("#units").click()
    page.locator("#tab-sky").click()
    assert page.locator("#clarity-out").inner_text().split() == [f"{metres:.1f}", "m"]


@pytest.mark.browser
def test_a_chosen_lie_says_what_to_do(offline, page_file, result):
    """Where to stand, where the fly lands and how long it is seen; the last and the eye follow the hour."""
    page = ready(offline, page_file).page
    page.evaluate("reachmapPage.place.lie(1)")
    panel = page.locator("#place")
    text = panel.inner_text().replace("\u00a0", " ")
    assert "Kneel on the bank, low sun behind the fish; 9 m away (worked out for 12:10)." in text
    assert "Cast 2.0 m above it (1.4 m to 4.0 m by how fast the fly sinks); a seam crosses there: mend." in text
    cells, sight = result.lies.cells[1], result.first[1].sight
    seconds = sight["sighting_range"][cells] / np.maximum(result.channel["drift_speed"][cells], 0.01)
    assert "Flies: at 1 m white and green show light; red fades (as in “sunny noon”)" in text
    # The angle in minutes that a trout resolves, over a metre: L tan(MAR).
    mar = result.curves.eyes.mar_arcmin(result.channel.beat.fish)
    assert f"{1000 * np.tan(np.radians(mar / 60)):.1f} mm" in text
    said = re.search(r"The fish sees the fly at ([\d.]+) m, for ([\d.]+) s", text)
    assert float(said[2]) == pytest.approx(seconds.mean(), rel=0.15)
    assert "day eye" in text
    page.evaluate("reachmapPage.set({step: 0, cloud: 8})")
    text = panel.inner_text()
    assert "night eye" in text
    assert "hardly a fly in this light" in text
    assert "no place was found for the dark" in text
    assert "Flies" not in text


@pytest.mark.browser
@pytest.mark.parametrize("size", [(1280, 800), PHONE])
def test_a_closer_look_shows_the_lie_and_where_to_stand(offline, page_file, size):
    page = ready(offline, page_file, size).page
    zoom = page.evaluate("reachmapPage.map.getZoom()")
    page.evaluate("reachmapPage.place.lie(1)")
    page.locator("#closer").click()
    assert page.evaluate("reachmapPage.map.getZoom()") >= zoom
    covered = page.evaluate(
        """() => [...document.querySelectorAll('.stance')].map((mark) => {
        const box = mark.getBoundingClientRect(), x = box.x + box.width / 2, y = box.y + box.height / 2;
        const top = document.elementFromPoint(x, y);
        return !mark.contains(top) && !top.closest('.lie-tag'); })"""
    )
    assert covered == [False]
    assert page.locator("#place").is_visible()


@pytest.mark.browser
def test_no_sun_is_spoken_of_with_the_sun_down(offline, page_file, result):
    """By night and in the twilight: the sky is clear or not, and it is the sky that moves fish, not the sun."""
    page = ready(offline, page_file).page
    page.evaluate("document.getElementById('layer-cloud').click()")
    dusk = next(k for k, sun in enumerate(result.day.sun) if k > 72 and -3 < sun.altitude_deg < -1)
    for step, cloud in itertools.product((0, dusk), range(9)):
        page.evaluate(f"reachmapPage.set({{step: {step}, cloud: {cloud}}})")
        words = page.inner_text("#moment") + page.inner_text("#legend") + page.locator("#cloud-out").text_content()
        assert "sun" not in words
        assert "undefined" not in words
    page.evaluate("reachmapPage.set({step: 72, cloud: 1})")
    assert "sunny" in page.inner_text("#moment")
    assert "sun moves fish in" in page.inner_text("#legend")


@pytest.mark.browser
def test_of_a_sun_too_low_to_tell_its_shade_no_lie_is_in_it_or_out(offline, page_file, result):
    page = ready(offline, page_file).page
    low, high = (
        next(k for k, sun in enumerate(result.day.sun) if k > 72 and least < sun.altitude_deg < most)
        for least, most in ((-0.5, 2.9), (4.0, 8.0))
    )
    for step, told in ((low, False), (high, True)):
        page.evaluate(f"reachmapPage.set({{step: {step}, cloud: 1}})")
        words = page.inner_text("#best")
        assert ("in shade now" in words or "in the sun now" in words) == told
        assert ("under a low sun" in words) != told


def said(page):
    """What the panel says of the chosen lie."""
    return page.locator("#place").inner_text().replace("\u00a0", " ")


@pytest.mark.browser
def test_a_chosen_lie_shows_its_lanes_and_stances_without_any_switch(offline, page_file):
    page = ready(offline, page_file).page
    drawn = "document.querySelectorAll('.stance').length"
    assert page.evaluate(drawn) == 0
    page.evaluate("reachmapPage.place.lie(1)")
    assert page.evaluate(drawn) == 1
    page.evaluate("reachmapPage.place.lie(2)")
    assert page.evaluate(drawn) == 0
    page.locator("#place button[aria-label=Close]").click()
    page.locator("#tab-show").click()
    page.locator("#extra-stances").check(force=True)
    assert page.evaluate(drawn) == 1
    page.evaluate("reachmapPage.place.lie(1)")
    assert page.evaluate(drawn) == 1


@pytest.mark.browser
def test_where_to_stand_after_dark_is_told_after_dark(offline, tmp_path, result):
    by_day = result.visit.stances
    by_night = by_day.assign(
        dark=True, how="standing", reason="in the dark", when="23:40", geometry=by_day.translate(6)
    )
    both = gpd.GeoDataFrame(pd.concat([by_day, by_night]), crs=by_day.crs)
    path = tmp_path / "map.html"
    seen = {**result.visit.seen, "night": {1: {"colours_at_m": 0.42, "colours": {"black": "shows dark"}}}}
    visit = replace(result.visit, stances=both, seen=seen)
    path.write_text(map_page(replace(result, visit=visit)), encoding="utf-8")
    page = ready(offline, path).page
    places = []
    for step, stand, fly in (
        (72, "Kneel on the bank, low sun", "red fades (as in “sunny noon”)"),
        (0, "Stand on the bank, in the dark; 9 m away (worked", "Flies: at 0.4 m black shows dark (as in “night”)"),
    ):
        page.evaluate(f"reachmapPage.set({{step: {step}}}); reachmapPage.place.lie(1)")
        assert stand in said(page)
        assert fly in said(page)
        assert "no place was found" not in said(page)
        (box,) = page.evaluate(f"[...document.querySelectorAll('.stance')].map({BOX})")
        places.append(box[0])
    assert places[1] > places[0]
    page.evaluate("reachmapPage.set({cloud: 8})")
    assert "hardly a fly in this light" in said(page)
    assert "Flies" not in said(page), "of a fly that is hardly seen no colours are told"


@pytest.mark.browser
def test_after_dark_wading_is_harder_on_the_map_too(offline, page_file, result):
    page = ready(offline, page_file).page
    easy = int(np.flatnonzero(result.visit.layers["wading"] == 1)[0])
    pictures = []
    for step, word in ((72, "usual care"), (0, "strong care")):
        page.evaluate(f"reachmapPage.set({{step: {step}}})")
        page.evaluate(f"reachmapPage.place.cell(reachmapPage.map.getCenter(), {easy})")
        assert word in page.locator("#place").inner_text()
        pictures.append(page.evaluate(SIGNS))
    assert pictures[0] != pictures[1]


@pytest.mark.browser
@pytest.mark.parametrize(
    ("guessed", "told"),
    [
        ({"speed_relative": True}, "speed is a guess"),
        ({"depth_guessed": True}, "depth is a guess"),
        ({"speed_relative": True, "depth_guessed": True}, "depth and speed are a guess"),
    ],
)
def test_of_a_guess_no_care_is_enough_and_every_number_of_it_is_labelled(offline, tmp_path, guessed, told):
    made = toy.result(toy.channel(cell_m=1.0, **guessed))
    wading = np.resize(np.float32([1, 2, 3]), made.channel.grid.n_wet)
    visit = replace(made.visit, layers={**made.visit.layers, "wading": wading})
    path = tmp_path / "map.html"
    path.write_text(map_page(replace(made, visit=visit)), encoding="utf-8")
    page = ready(offline, path).page
    facts = """Object.fromEntries([...document.querySelectorAll('#place dt')]
        .map((one) => [one.textContent, one.nextSibling.textContent]))"""
    for cell, words in enumerate((f"not known: {told}", f"not known: {told}", "do not wade")):
        page.evaluate("(cell) => reachmapPage.place.cell(reachmapPage.map.getCenter(), cell)", cell)
        spot = page.evaluate(facts)
        assert spot["Wading"] == words
        for name in ("Current, mean", "At its nose", "Drift beside it", "For"):
            assert spot[name].endswith(" by guess") == ("speed_relative" in guessed), name
        assert spot["Depth"].endswith(" by guess") == ("depth_guessed" in guessed)
        assert spot["Known"].endswith("but for the speed") == (told == "speed is a guess")
    page.evaluate("reachmapPage.place.lie(1)")
    assert page.evaluate(facts)["At its nose"].endswith(" by guess") == ("speed_relative" in guessed)
    assert f"Where one can wade is not known, with dots or without: {told}." in page.locator("#signs").text_content()
    page.locator("#tab-show").click()
    for layer, guess in (("depth", "depth_guessed"), ("speed", "speed_relative")):
        page.locator(f"#layer-{layer}").check(force=True)
        assert ("By guess" in page.inner_text("#legend")) == (guess in guessed)


@pytest.mark.browser
def test_what_cannot_be_seen_at_night_in_a_spate_is_told_in_words(offline, page_file):
    """Not as a fly seen at 0.0 m for 0.0 s in 0.0000024 lux."""
    page = ready(offline, page_file).page
    page.evaluate("reachmapPage.set({step: 0, cloud: 8, clarity: 0.2, colour: 'spate'})")
    deepest = "reachmapPage.U.layers.depth.reduce((best, d, i, all) => (d > all[best] ? i : best), 0)"
    page.evaluate(f"reachmapPage.place.cell(reachmapPage.map.getCenter(), {deepest})")
    text = said(page)
    assert "hardly a fly in this light" in text
    assert "under 0.0001 lux, black" in text
    assert not re.search(r"\b0\.0 (m|s)\b|0\.0000", text)


@pytest.mark.browser
def test_temperatures_are_printed_as_elsewhere(offline, result, tmp_path):
    warm = [19.7778, 19.7222, 22.5, 22.25, 20.0, 13.0]
    noon = result.first[1]
    waters = [replace(noon.scene.water, temperature_c=celsius) for celsius in warm]
    scenes = [replace(noon.scene, name=f"{water.temperature_c}", water=water) for water in waters]
    outlooks = {scene.name: replace(noon, light=replace(noon.light, scene=scene)) for scene in scenes}
    tables = dict.fromkeys(outlooks, result.lies.scenes[result.first[0]])
    same = {
        name: dict.fromkeys(outlooks, next(iter(getattr(result.visit, name).values()))) for name in ("orders", "seen")
    }
    lies, visit = replace(result.lies, scenes=tables), replace(result.visit, **same)
    made = replace(result, outlooks=outlooks, lies=lies, visit=visit, days=dict.fromkeys(outlooks, result.day))
    path = tmp_path / "map.html"
    path.write_text(map_page(made), encoding="utf-8")
    page = ready(offline, path).page
    told = page.locator("#warmth option")
    assert told.all_text_contents() == [f"{printed_celsius(celsius):g}\xa0C" for celsius in warm]
    page.evaluate("document.getElementById('units').click()")
    assert told.all_text_contents() == [f"{printed_fahrenheit(celsius)}\xa0F" for celsius in warm]


@pytest.mark.browser
def test_in_feet_nothing_is_left_in_metres(offline, page_file):
    """Metres beside feet in one panel would be read as feet by the water."""
    one = ready(offline, page_file)
    one.page.evaluate("reachmapPage.place.lie(1)")
    for button in ("keep-moment", "units"):
        one.page.evaluate("(id) => document.getElementById(id).click()", button)
    words = one.page.locator(".stance").get_attribute("title").replace("\u00a0", " ")
    assert "30 ft away" in words, "9 m"
    words += one.page.evaluate("document.getElementById('kept').textContent").replace("\u00a0", " ")
    assert re.search(r"Kept: .* clarity 8\.\d ft, clear", words), "2.5 m"
    for n in one.page.evaluate("reachmapPage.D.lies.map((lie) => lie.n)"):
        one.page.evaluate(f"reachmapPage.place.lie({n})")
        words += one.page.locator("#place").inner_text().replace("\u00a0", " ")
    words += one.page.evaluate(
        "document.getElementById('cautions').textContent + document.getElementById('honest').textContent"
    )
    assert " ft deep" in words
    assert " mph" in words
    assert not re.search(r"\d (m|m/s|m2|C|cm)\b", words)
    assert one.said == one.asked == []


@pytest.mark.browser
def test_a_slider_tells_by_voice_what_it_shows(offline, page_file):
    """The clarity in the units chosen, the sky in words."""
    page = ready(offline, page_file).page
    for _ in range(2):
        for name in ("cloud", "clarity"):
            shown = page.locator(f"#{name}-out").text_content()
            assert page.locator(f"#{name}").get_attribute("aria-valuetext") == shown
        page.evaluate("document.getElementById('units').click()")
    assert " of 8, " in page.locator("#cloud").get_attribute("aria-valuetext")


@pytest.mark.browser
def test_where_am_i_tells_how_far_the_lie_is(offline, page_file, result):
    """Distance by plane geometry in the beat's own metres; the switch forgets the position again."""
    one = offline(page_file, *PHONE)
    one.context.grant_permissions(["geolocation"])
    one.context.set_geolocation({"latitude": toy.LAT, "longitude": toy.LON, "accuracy": 5})
    page = one.page
    page.wait_for_selector("body[data-ready]")
    page.locator("#best button").first.click()
    lie = result.lies.table.loc[page.evaluate("reachmapPage.state.chosen")]
    page.locator("#where").click()
    page.locator("#place dt", has_text="From you").wait_for()
    told = page.evaluate(
        "[...document.querySelectorAll('#place dt')].find((t) => t.textContent === 'From you').nextSibling.textContent"
    )
    assert float(told.split()[0]) == pytest.approx(np.hypot(lie["x"], lie["y"]), abs=1.0)
    assert page.locator(".here").count() == 1
    page.locator("#where").click()
    assert page.locator(".here").count() == 0
    assert one.asked == []


@pytest.mark.browser
@pytest.mark.parametrize("size", [(1280, 800), PHONE])
def test_where_am_i_shows_where_i_am(offline, page_file, size):
    """With the map zoomed in on the far end."""
    one = ready(offline, page_file, size)
    page = one.page
    one.context.grant_permissions(["geolocation"])
    one.context.set_geolocation({"latitude": toy.LAT, "longitude": toy.LON - 50 / 65000, "accuracy": 5})
    page.evaluate("reachmapPage.map.setView(reachmapPage.shapes.bounds.getNorthEast(), 21, {animate: false})")
    page.locator("#where").click()
    page.locator("#say", has_text="away").wait_for()
    assert "not on this beat" not in page.locator("#say").inner_text()
    here, frame = (page.evaluate(f"({BOX})(document.querySelector('{name}'))") for name in (".here", ".folium-map"))
    assert frame[0] <= here[0] < here[2] <= frame[2]
    assert frame[1] <= here[1] < here[3] <= frame[3]
    assert one.said == []


@pytest.mark.browser
def test_from_far_off_the_map_stays_and_says_so(offline, page_file):
    """In km or miles: 1 mile is 1609.344 m by definition, and 10 degrees of latitude are 1111 to 1113 km."""
    one = ready(offline, page_file)
    page = one.page
    one.context.grant_permissions(["geolocation"])
    one.context.set_geolocation({"latitude": toy.LAT + 10, "longitude": toy.LON, "accuracy": 30})
    before = page.evaluate("reachmapPage.map.getCenter().toString()")
    for feet, far, unit in ((False, 1112, "km"), (True, 691, "miles")):
        if feet:
            page.evaluate("document.getElementById('units').click()")
        page.locator("#where").click()
        page.locator("#say", has_text=unit).wait_for()
        told = page.locator("#say").inner_text().replace("\u00a0", " ")
        assert told.startswith("You are not on this beat. Lie ")
        assert int(re.search(rf"is (\d+) {unit} away", told)[1]) == pytest.approx(far, abs=1.5)
        page.locator("#where").click()
    assert page.evaluate("reachmapPage.map.getCenter().toString()") == before
    assert one.said == []


@pytest.mark.browser
def test_a_refused_position_is_said(offline, page_file):
    one = ready(offline, page_file, PHONE)
    one.context.clear_permissions()
    one.page.locator("#where").click()
    one.page.locator("#say", has_text="not given").wait_for()
    assert one.page.locator("#where").get_attribute("aria-pressed") == "false"


@pytest.mark.browser
def test_a_position_lost_for_a_while_is_waited_for(offline, page_file):
    """Under trees or a high bank, say; only a refusal ends the watch."""
    one = ready(offline, page_file, PHONE)
    page = one.page
    page.evaluate("""latitude => {
        navigator.geolocation.watchPosition = (found, lost) => Object.assign(window, { found, lost }) && 7;
        navigator.geolocation.clearWatch = (watch) => { window.cleared = watch; };
        window.find = (longitude) => found({ coords: { latitude, longitude, accuracy: 8 } });
        }""", toy.LAT)  # fmt: skip
    watched = "[document.getElementById('where').getAttribute('aria-pressed'), window.cleared ?? null]"
    page.locator("#where").click()
    for code in (2, 3):
        page.evaluate("code => lost({ code })", code)
        assert page.locator("#say").inner_text() == "No position just now; waiting."
        assert page.evaluate(watched) == ["true", None]
        page.evaluate(f"find({toy.LON + code * 1e-4})")
        assert page.evaluate("reachmapPage.state.here.lng") == toy.LON + code * 1e-4
        assert page.locator(".here").count() == 1
    page.evaluate("lost({ code: 1 })")
    assert page.locator("#say").inner_text() == "The position was not given."
    assert page.evaluate(watched) == ["false", 7]
    assert page.locator(".here").count() == 0
    assert one.said == []


@pytest.mark.browser
def test_a_lane_is_ringed_where_it_crosses_a_seam(offline, page_file):
    """The crossing of two straight lines, known by hand."""
    page = ready(offline, page_file).page
    lat, lng = page.evaluate("reachmapPage.D.shapes.lanes[0].seams")[0]
    x, y = Transformer.from_crs(4326, toy.CRS_LOCAL, always_xy=True).transform(lng, lat)
    assert (x, y) == pytest.approx(CROSSING, abs=0.02)
    page.locator("#tab-show").click()
    assert "crosses a seam" in page.locator("#signs").inner_text()
    count = "document.querySelectorAll('.leaflet-overlay-pane path').length"
    before = page.evaluate(count)
    page.locator("#extra-lanes").check(force=True)
    assert page.evaluate(count) == before + 3, "the lane over its pale edge, and the ring"
    other = page.evaluate("reachmapPage.D.lies.find((lie) => lie.n !== reachmapPage.D.shapes.lanes[0].lie).n")
    page.evaluate("(n) => reachmapPage.place.lie(n)", other)
    assert page.evaluate(count) == before, "with another lie chosen its lanes only are drawn, and it has none"
    page.evaluate("reachmapPage.place.lie(reachmapPage.D.shapes.lanes[0].lie)")
    assert page.evaluate(count) == before + 3


@pytest.mark.browser
def test_a_lane_that_a_stone_shuts_tells_no_cast_to_it(offline, result, tmp_path):
    """One of three, then all of them."""
    one = result.visit.lanes.iloc[[0]].assign(crosses_seam=False)
    none = dict.fromkeys(("lead_m", "lead_least_m", "lead_most_m"), np.nan)
    shut = one.assign(lane=3, shut_by="boulder", shut_within_m=1.5, **none)
    lanes = pd.concat([one, one.assign(lane=2, lead_m=2.4, lead_least_m=1.6), shut])
    lanes = lanes.set_geometry(lanes.geometry.translate(yoff=2.0))  # clear of the seam
    text = {}
    for name, kept in (("some", lanes), ("all", lanes.iloc[2:])):
        path = tmp_path / f"{name}.html"
        visit = replace(result.visit, lanes=kept.set_crs(toy.CRS_LOCAL, allow_override=True))
        path.write_text(map_page(replace(result, visit=visit)), encoding="utf-8")
        page = ready(offline, path).page
        page.evaluate("reachmapPage.place.lie(reachmapPage.D.shapes.lanes[0].lie)")
        text[name] = page.locator("#place").inner_text().replace("\u00a0", " ")
    span = "2.0 m to 2.4 m above it (1.4 m to 4.0 m by how fast the fly sinks)"
    assert f"Cast {span}, on 2 of 3 lanes side by side; a boulder is too near above the rest of it." in text["some"]
    near = "there is a boulder within 1.5 m above it, too near for the fly to sink on its way"
    assert f"Cast in from the side: {near}." in text["all"]


@pytest.mark.browser
def test_a_place_to_stand_is_shown_on_its_own_dates_only(offline, result, tmp_path):
    """As the sun stands elsewhere on others."""
    one = result.visit.stances
    stances = pd.concat([one, one.assign(how="standing", when="11:40", dates="2026-10-20", reason="high sun")])
    path = tmp_path / "map.html"
    path.write_text(map_page(replace(result, visit=replace(result.visit, stances=stances))), encoding="utf-8")
    page = ready(offline, path).page
    page.evaluate("reachmapPage.place.lie(1)")
    for scene, told in (("sunny noon", "Kneel on the bank, low sun"), ("October", "Stand on the bank, high sun")):
        one = page.evaluate("name => reachmapPage.D.scenes.find((one) => one.name === name)", scene)
        page.evaluate("([day, step]) => reachmapPage.set({ day, step })", [one["day"], one["step"]])
        assert told in page.locator("#place").inner_text().replace("\u00a0", " ")
        assert page.locator(".leaflet-marker-pane .stance").count() == 1


def signs_in_cells(page, grid) -> np.ndarray:
    """Of every cell the pixel of the signs over it that covers most, red, green, blue and opacity (n_wet, 4)."""
    to_wgs = Transformer.from_crs(toy.CRS_LOCAL, 4326, always_xy=True)
    half = grid.cell_m / 2
    west, north = to_wgs.transform(grid.x - half, grid.y + half)
    east, south = to_wgs.transform(grid.x + half, grid.y - half)
    corners = np.column_stack([north, west, south, east]).tolist()
    return np.array(
        page.evaluate(
            """(corners) => { const c = document.querySelector('.leaflet-signs-pane canvas'), map = reachmapPage.map;
            const pen = c.getContext('2d'), box = c.getBoundingClientRect(), ratio = c.width / box.width;
            const frame = map.getContainer().getBoundingClientRect();
            const all = pen.getImageData(0, 0, c.width, c.height).data;
            const at = (lat, lon) => { const p = map.latLngToContainerPoint([lat, lon]);
              return [(p.x + frame.left - box.left) * ratio, (p.y + frame.top - box.top) * ratio]; };
            return corners.map(([n, w, s, e]) => {
              const [x0, y0] = at(n, w), [x1, y1] = at(s, e);
              let best = [0, 0, 0, 0];
              for (let y = Math.ceil(y0 + 1); y < y1 - 1; y++) for (let x = Math.ceil(x0 + 1); x < x1 - 1; x++) {
                const k = 4 * (y * c.width + x);
                if (all[k + 3] > best[3]) best = [...all.slice(k, k + 4)];
              }
              return best; }); }""",
            corners,
        )
    )


@pytest.fixture(scope="module")
def deep_page(result, tmp_path_factory):
    """A map on which only a rectangle of the water is not to be waded, and which cells those are."""
    grid = result.channel.grid
    deep = (grid.x > 20) & (grid.y > 0)
    layers = {**result.visit.layers, "wading": np.where(deep, 3, 1).astype(np.float32), "redd": np.zeros_like(grid.x)}
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(map_page(replace(result, visit=replace(result.visit, layers=layers))), encoding="utf-8")
    return path, deep


def luminance(colours: np.ndarray) -> np.ndarray:
    """Relative luminance of sRGB colours 0-255 (..., 3), as WCAG 2 defines it."""
    c = colours / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722]


@pytest.mark.browser
@pytest.mark.parametrize("closer", [0, 1.75])
def test_the_sign_not_to_wade_stands_out_on_every_colour_of_the_water(offline, result, deep_page, closer):
    """Light and dark of it 3:1 apart, as WCAG 2.2 asks of graphics (1.4.11), by day and as printed in grey, over the
    darkest water too; half of the water, at the least, is not painted over."""
    path, deep = deep_page
    page = ready(offline, path).page
    grid = result.channel.grid
    middle = Transformer.from_crs(toy.CRS_LOCAL, 4326).transform(grid.x[deep].mean(), grid.y[deep].mean())
    pixels = page.evaluate(
        """([middle, closer]) => { const {map} = reachmapPage, c = map.getPane('signs').querySelector('canvas');
        map.setView(middle, map.getZoom() + closer, {animate: false});
        const at = map.latLngToLayerPoint(middle).subtract(L.DomUtil.getPosition(c));
        return [...c.getContext('2d').getImageData(at.x - 60, at.y - 15, 120, 30).data]; }""",
        [middle, closer],
    )
    signs = np.array(pixels, float).reshape(-1, 4)
    assert (signs[:, 3] < 64).mean() > 0.5
    ramps = page.evaluate("reachmap.ramps")
    for colour in {stop for ramp in ramps.values() for stop in ramp["stops"]}:
        water = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)])
        for under in (water, np.full(3, water @ [0.2126, 0.7152, 0.0722])):
            share = signs[:, 3:] / 255
            seen = luminance(signs[:, :3] * share + under * (1 - share))
            dark, light = np.percentile(seen, [8, 92])
            assert (light + 0.05) / (dark + 0.05) >= 3, colour


@pytest.mark.browser
def test_the_sign_not_to_wade_lies_over_its_cells_from_far_and_near(offline, result, deep_page):
    """At the whole reach, closer, and after a push of the map: lines on the water that is too deep, none beside it."""
    grid = result.channel.grid
    path, deep = deep_page
    page = ready(offline, path).page
    moves = (
        "",
        "map.setView(map.getCenter(), map.getZoom() + 1.75, {animate: false})",
        "map.panBy([130, -40], {animate: false})",
    )
    places = np.column_stack(Transformer.from_crs(toy.CRS_LOCAL, 4326).transform(grid.x, grid.y)).tolist()
    for move in moves:
        page.evaluate(f"(() => {{ const map = reachmapPage.map; {move} }})()")
        seen = page.evaluate(
            """(places) => { const map = reachmapPage.map, {x, y} = map.getSize();
            return places.map((place) => { const at = map.latLngToContainerPoint(place);
              return at.x > 20 && at.y > 20 && at.x < x - 20 && at.y < y - 20; }); }""",
            places,
        )
        covered = signs_in_cells(page, grid)[:, 3] > 60
        assert covered[deep & seen].mean() > 0.9
        assert not covered[~deep & seen].any()
        assert (deep & seen).sum() > 30


@pytest.mark.browser
def test_spawning_gravel_is_grey_in_season_and_says_to_keep_off(offline, page_file, result):
    page = ready(offline, page_file).page
    grid = result.channel.grid
    cell = int(np.flatnonzero(grid.x < -50)[0])
    for scene, season in (("sunny noon", False), ("October", True)):
        page.evaluate(
            f"[...document.querySelectorAll('#scenes button')].find((b) => b.textContent === '{scene}').click()"
        )
        grey = np.array([max(s[:3]) - min(s[:3]) < 6 and s[0] > 100 and s[3] > 200 for s in signs_in_cells(page, grid)])
        assert (grey[grid.x < -50].mean() > 0.95) == season
        assert not grey[grid.x > -40].any()
        page.evaluate("(i) => reachmapPage.place.cell(reachmapPage.map.getCenter(), i)", cell)
        assert ("keep off" in page.locator("#place").inner_text()) == season
    page.locator("#tab-show").click()
    assert "spawn" in page.locator("#signs").inner_text()


@pytest.mark.browser
def test_the_whole_reach_is_printed_with_date_legend_and_cautions(offline, page_file, tmp_path):
    """By Chromium's printer and poppler: the words on the sheet, the whole reach in the map, the screen as before."""
    page = ready(offline, page_file).page
    page.evaluate("reachmapPage.map.setZoom(reachmapPage.map.getZoom() + 2, {animate: false})")
    zoom = page.evaluate("reachmapPage.map.getZoom()")
    page.evaluate(
        """addEventListener('beforeprint', () => { const b = reachmapPage.map.getBounds();
        window.whole = b.contains(reachmapPage.shapes.bounds); })"""
    )
    sheet = tmp_path / "sheet.pdf"
    page.pdf(path=sheet, format="A4")
    assert page.evaluate("window.whole") is True
    assert page.evaluate("reachmapPage.map.getZoom()") == zoom
    tool = shutil.which("pdftotext")
    assert tool, "poppler-utils is needed"
    text = subprocess.run([tool, str(sheet), "-"], capture_output=True, text=True, check=True).stdout
    for words in ("Toy water", "20 June 2026", "best water", "Best lies now", "test every step", "Local rules"):
        assert words in text
    assert "Signs on the map" in text
    assert "Draw on top" not in text
    subprocess.run(
        ["pdftoppm", "-gray", "-png", "-r", "60", "-f", "1", "-l", "1", str(sheet), str(tmp_path / "sheet")], check=True
    )
    with rasterio.open(next(tmp_path.glob("sheet*.png"))) as picture:
        upper = picture.read(1)[: picture.height // 3]
    # The water takes a sixth of the map's height and most of its width; it is grey, neither paper nor ink.
    assert ((upper > 70) & (upper < 235)).mean() > 0.05


@pytest.mark.browser
def test_on_paper_every_cell_has_the_grey_of_the_word_its_score_is_called_by(offline, page_file):
    page = ready(offline, page_file).page
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    found = page.evaluate(
        """() => { const { D, U, physics, state } = reachmapPage, { hold } = physics.score(state.setting);
        const told = (name) => [...document.querySelectorAll(`#legend ${name}`)];
        const greys = told('.steps i').map((box) => Number(box.style.background.match(/\\d+/)[0]));
        const words = told('.step-words span').map((one) => one.textContent);
        const layers = document.querySelectorAll('.leaflet-now-pane canvas'), pairs = new Set();
        U.tiles.forEach(({ w, h, cells, pixels }, k) => {
          const { data } = layers[k].getContext('2d').getImageData(0, 0, w, h);
          cells.forEach((i, j) => {
            const [, word] = D.score_words.find(([top]) => hold[i] < top) || D.score_words.at(-1);
            pairs.add(`${words[greys.indexOf(data[4 * pixels[j]])]} / ${word}`); }); });
        return [...pairs]; }"""
    )
    assert len(found) >= 3
    assert all(painted == called for painted, called in (pair.split(" / ") for pair in found))


@pytest.mark.browser
def test_a_note_being_written_leaves_the_sheet_its_legend_and_its_water(offline, page_file):
    page = ready(offline, page_file).page
    page.evaluate("reachmapPage.notes.add(reachmapPage.map.getCenter())")
    page.locator("#note-text").fill("heron")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    assert page.locator("#legend").is_visible()
    assert page.locator(".leaflet-popup").count() == 0
    assert page.locator("#note-list li").count() == 1


def printed(page, folder, name: str) -> tuple[str, np.ndarray]:
    """The words of the printed sheets, and the first as a picture (3, rows, columns), by poppler."""
    sheet = folder / f"{name}.pdf"
    page.pdf(path=sheet, format="A4")
    text = subprocess.run(["pdftotext", str(sheet), "-"], capture_output=True, text=True, check=True).stdout
    subprocess.run(["pdftoppm", "-png", "-r", "96", "-singlefile", str(sheet), str(folder / name)], check=True)
    with rasterio.open(folder / f"{name}.png") as picture:
        return " ".join(text.split()), picture.read()[:3].astype(int)


@pytest.mark.browser
def test_a_note_and_a_place_to_stand_can_be_told_apart_on_paper(offline, page_file, tmp_path):
    """The note's sheet keeps its colour and lines; the key names the signs that are on the paper, and only those."""
    page = ready(offline, page_file).page
    lines, stand, lanes = "Small lined sheets", "White drops", "lanes to drift"
    text, _ = printed(page, tmp_path, "bare")
    assert not any(words in text for words in (lines, stand, lanes))
    north = "reachmapPage.shapes.bounds.getNorth() + 1e-4"
    page.evaluate(f"reachmapPage.notes.add({{...reachmapPage.map.getCenter(), lat: {north}}})")
    page.locator("#note-text").fill("heron")
    page.locator("#note-keep").click()
    text, picture = printed(page, tmp_path, "note")
    assert lines in text
    assert stand not in text
    cream = (np.abs(picture - np.array([255, 251, 224])[:, None, None]) < 3).all(axis=0)
    assert cream.sum() > 150
    rows, columns = np.nonzero(cream)
    inside = picture[:, rows.min() : rows.max(), columns.min() : columns.max()]
    assert (inside.max(axis=0) < 120).sum() > 15, "its lines"
    page.evaluate("reachmapPage.place.lie(1)")
    text, _ = printed(page, tmp_path, "lie")
    assert stand in text
    assert lanes in text
    page.locator("#tab-show").click()
    page.evaluate("document.querySelector('#place [aria-label=Close]').click()")
    assert stand in page.locator("#signs").inner_text(), "on the screen one may still choose a lie"


@pytest.mark.browser
def test_a_comparison_names_the_other_moment_with_its_fish_and_temperature(offline, tmp_path):
    """On the screen where it was kept, on paper in the legend too."""
    noon = toy.scenes()[0]
    cold = replace(noon, name="cold", when=noon.when.replace(hour=7), water=replace(noon.water, temperature_c=6.0))
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=(noon, cold)))
    path = tmp_path / "map.html"
    path.write_text(map_page(toy.result(ch, days=light_of_scenes(ch, (noon, cold)))), encoding="utf-8")
    page = ready(offline, path).page
    page.locator("#tab-sky").click()
    page.locator("#scenes button", has_text="cold").click()
    page.locator("#fish").select_option("1")
    page.locator("#keep-moment").click()
    kept = " ".join(page.locator("#moment").text_content().split())
    fish = page.locator("#fish option").nth(1).text_content().replace("\u00a0", " ")
    assert kept.endswith(f" · 6 C · {fish}")
    assert " ".join(page.locator("#kept").text_content().split()) == f"Kept: {kept}."
    page.locator("#scenes button", has_text=noon.name).click()
    for way, told in (("change", "Now against the moment you kept"), ("swipe", "Left of the line: the kept moment")):
        page.locator("#compare").select_option(way)
        assert kept not in page.inner_text("#legend")
        text, _ = printed(page, tmp_path, way)
        assert f"{told}, {kept}." in text.replace("\u00a0", " ")
        page.evaluate("dispatchEvent(new Event('afterprint'))")


@pytest.mark.browser
def test_a_browser_that_does_not_say_when_it_has_printed_shows_the_screen_again_on_a_touch(offline, page_file):
    """Chromium without a window says only that it begins."""
    page = ready(offline, page_file, PHONE).page
    zoom = page.evaluate("reachmapPage.map.getZoom()")
    page.locator("#tab-more").click()
    page.locator("#print").click()
    assert page.evaluate("document.documentElement.hasAttribute('data-printing')")
    page.mouse.click(200, 830)
    assert not page.evaluate("document.documentElement.hasAttribute('data-printing')")
    assert page.evaluate("document.documentElement.scrollWidth") == PHONE[0]
    assert page.evaluate("reachmapPage.map.getZoom()") == zoom


@pytest.mark.browser
def test_a_large_reach_carries_a_coarser_copy_and_says_so(offline, result, tmp_path, monkeypatch):
    """With room for a quarter of the cells: cells twice as large, each the mean of its four."""
    monkeypatch.setattr(webmap_data, "MOST_CELLS", result.channel.grid.n_wet // 3)
    path = tmp_path / "map.html"
    path.write_text(map_page(result), encoding="utf-8")
    page = ready(offline, path).page
    data = page.evaluate("({n: reachmapPage.D.n, cell: reachmapPage.D.cell_m, shown: reachmapPage.D.shown})")
    assert data == {"n": result.channel.grid.n_wet // 4, "cell": 2, "shown": data["shown"]}
    page.locator("#tab-more").click()
    assert "Shown in cells of 2 m; worked out in cells of 1 m." in page.locator("#honest").inner_text().replace(
        "\xa0", " "
    )
    depth = np.array(page.evaluate("Array.from(reachmapPage.U.layers.depth)")) / 1000
    grid, fine = result.channel.grid, result.channel["depth"]
    rows, cols = grid.cells
    first = (rows // 2 == rows.min() // 2) & (cols // 2 == cols.min() // 2)
    assert depth[0] == pytest.approx(fine[first].mean(), abs=6e-4)
    # In a scene a lie has its own score and place.
    page.locator("#tab-sky").click()
    for name, scores in result.lies.scenes.items():
        page.locator("#scenes button", has_text=name).click()
        shown = page.evaluate("reachmapPage.state.ranked.map((lie) => [lie.n, lie.score])")
        assert dict(shown) == pytest.approx(scores["score"].to_dict(), abs=1e-6)
        assert shown[0][0] == scores["rank"].where(scores["rank"] > 0).idxmin()


@pytest.mark.browser
def test_the_keyboard_reaches_everything(offline, page_file):
    """Tabs by arrow keys; a lie by Tab and Enter; the caution stands in the strip without a press."""
    page = ready(offline, page_file, PHONE).page
    page.locator("#tab-lies").focus()
    page.keyboard.press("ArrowRight")
    assert page.locator("#part-sky").is_visible()
    assert page.evaluate("document.activeElement.id") == "tab-sky"
    page.keyboard.press("ArrowLeft")
    page.locator("#best button").first.focus()
    page.keyboard.press("Enter")
    assert page.locator("#place").is_visible()
    assert page.locator("#caution").is_visible()
    for state in ("closed", "half", "full"):
        page.evaluate("(s) => { document.getElementById('sheet').dataset.state = s; }", state)
        box = page.locator("#caution").bounding_box()
        assert box["y"] + box["height"] <= PHONE[1]


@pytest.mark.browser
def test_all_grave_cautions_at_once_leave_room_for_the_best_lie(offline, tmp_path):
    """Guessed water of 21 degrees in the season of redds, by day and after dark, when a light is asked for too."""
    warm = replace(toy.scenes()[0].water, temperature_c=21.0)
    november = tuple(replace(scene, when=scene.when.replace(month=11), water=warm) for scene in toy.scenes())
    ch = toy.channel(cell_m=1.0, depth_guessed=True, beat=toy.beat(scenes=november))
    made = toy.result(ch, days=light_of_scenes(ch, november))
    told = cautions(ch, november)
    path = tmp_path / "map.html"
    path.write_text(map_page(replace(made, visit=replace(made.visit, cautions=told))), encoding="utf-8")
    page = ready(offline, path, PHONE).page
    words = page.locator("#caution").inner_text().replace("\u00a0", " ")
    for few in ("a guess", "21 C", "Local rules", "test every step", "No fish", "clean gravel"):
        assert few in words
    assert "light" not in words
    tabs, best = (page.evaluate(f"({BOX})(document.querySelector('{name}'))") for name in ("#tabs", "#best li"))
    assert best[3] - 6 <= tabs[1]
    page.locator("#tab-sky").click()
    page.locator("#scenes button", has_text="night").click()
    assert "carry a light" in page.locator("#caution").inner_text()


@pytest.mark.browser
def test_the_strip_warns_of_the_water_and_the_season_of_the_day_that_is_set(offline, tmp_path):
    """Of the warmest of a day, though another hour is set, and of any where nobody knows how warm it is."""
    noon = toy.scenes()[0]
    told = [
        ("hot", 7, 12, 22.0),
        ("cool", 4, 12, 8.0),
        ("morning", 7, 6, 15.0),
        ("redds", 11, 12, 8.0),
        ("?", 4, 8, None),
    ]
    scenes = tuple(
        replace(
            noon,
            name=name,
            when=datetime(2026, month, 30, hour, tzinfo=UTC),
            water=replace(noon.water, temperature_c=c),
        )
        for name, month, hour, c in told
    )
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=scenes))
    made = toy.result(ch, days=light_of_scenes(ch, scenes))
    path = tmp_path / "map.html"
    visit = replace(made.visit, cautions=cautions(ch, scenes))
    path.write_text(map_page(replace(made, visit=visit)), encoding="utf-8")
    page = ready(offline, path).page
    page.locator("#tab-sky").click()

    def warned() -> tuple[str, bool]:
        words = page.inner_text("#caution").replace("\u00a0", " ")
        assert "Local rules" in words
        return "".join(re.findall(r"[^.]*let the fish be", words)).strip(), "Spawning season" in words

    hot = "Water of 22 C: let the fish be"
    for name, warm, season in (
        ("hot", hot, False),
        ("cool", "", False),
        ("morning", "Warmest that day, 22 C: let the fish be", False),
        ("redds", "", True),
        ("?", "Warmest scene, 22 C: let the fish be", False),
    ):
        page.locator("#scenes button", has_text=name).click()
        assert warned() == (warm, season), name
    page.locator("#scenes button", has_text="cool").click()
    page.locator("#warmth").select_option("0")
    assert warned() == (hot, False)


@pytest.mark.browser
def test_the_order_to_fish_in_is_on_the_page_and_leads_to_hour_and_lie(offline, page_file, result):
    page = ready(offline, page_file, PHONE).page
    (stop,) = result.visit.order.itertuples()
    line = page.locator("#order button")
    assert line.inner_text().split("\n") == [str(stop.lie), f"{stop.when} {stop.why}"]
    first = result.first[0]
    assert first in page.locator("#order-of").inner_text()
    began = result.visit.order["step"].iloc[0], result.day.step_of(result.first[1].scene.when)
    assert ("suit most" in page.locator("#order-of").inner_text()) == (began[0] != began[1])
    page.locator("#tab-sky").click()
    page.locator("#scenes button", has_text="night").click()
    page.locator("#tab-lies").click()
    line.click()
    first = result.first[1].scene
    assert f"{first.when:%d %B %Y}, {result.day.times[stop.step]:%H:%M}" in page.inner_text("#moment")
    assert page.locator("#place h2").inner_text().startswith(f"Lie {stop.lie},")
    assert page.evaluate("reachmapPage.state.setting.cloud") == first.cloud


@pytest.mark.browser
def test_a_scenes_name_written_from_right_to_left_turns_nothing_around_it(offline, tmp_path):
    """What follows the name in the order's line, the reason's and that of the flies stands to the right of it."""
    scene = replace(toy.scenes()[0], name="\u0638\u0647\u0631 \u0645\u0634\u0645\u0633 7")
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=(scene,)))
    path = tmp_path / "map.html"
    path.write_text(map_page(toy.result(ch, days=light_of_scenes(ch, (scene,)))), encoding="utf-8")
    page = ready(offline, path).page
    page.evaluate("reachmapPage.place.lie(1)")
    names = page.locator("#order-of bdi, #place bdi")
    assert names.all_text_contents() == [scene.name] * 3
    starts = names.evaluate_all(
        """(all) => all.map((one) => { const range = new Range(), next = one.nextSibling; range.setStart(next, 0);
        range.setEnd(next, 1); return range.getBoundingClientRect().left - one.getBoundingClientRect().right; })"""
    )
    assert all(abs(gap) < 2 for gap in starts)


@pytest.mark.browser
def test_after_dark_the_order_is_that_of_the_night(offline, tmp_path, result):
    night = pd.DataFrame({"lie": [2, 1], "when": ["23:30", "23:52"], "why": ["dark then"] * 2, "step": [141, 143]})
    orders = {**result.visit.orders, "night": night}
    path = tmp_path / "map.html"
    path.write_text(map_page(replace(result, visit=replace(result.visit, orders=orders))), encoding="utf-8")
    page = ready(offline, path).page
    assert page.locator("#order button").count() == len(result.visit.order)
    page.locator("#tab-sky").click()
    page.locator("#scenes button", has_text="night").click()
    page.locator("#tab-lies").click()
    assert [text.split("\n")[1] for text in page.locator("#order button").all_inner_texts()] == [
        "23:30 dark then", "23:52 dark then"
    ]  # fmt: skip
    assert "night" in page.locator("#order-of").inner_text()
    page.locator("#order button").nth(1).click()
    assert page.evaluate("reachmapPage.state.setting.step") == 143
    assert page.locator("#place h2").inner_text().startswith("Lie 1,")


@pytest.mark.browser
def test_an_order_stays_while_one_follows_it_and_so_does_the_focus(offline, tmp_path, result):
    """From a night into the morning, whose hour would have a day's order; and from other water into the night's."""
    night = pd.DataFrame({"lie": [2, 1], "when": ["23:30", "06:00"], "why": ["dark then"] * 2, "step": [141, 36]})
    path = tmp_path / "map.html"
    orders = {**result.visit.orders, "night": night}
    path.write_text(map_page(replace(result, visit=replace(result.visit, orders=orders))), encoding="utf-8")
    page = ready(offline, path).page
    page.evaluate("reachmapPage.set({day: reachmapPage.D.scenes.find((s) => s.name === 'night').day, step: 3})")
    page.evaluate("reachmapPage.set({clarity: 0.6})")
    page.locator("#tab-lies").click()
    assert "water set now is another" in page.locator("#order-of").inner_text()
    focus = "[document.activeElement.closest('#order') !== null, document.activeElement.innerText.split('\\n')[1]]"
    for stop in (1, 0, 1):
        page.locator("#order button").nth(stop).press("Enter")
        assert page.evaluate("reachmapPage.state.setting.step") == night["step"][stop]
        assert page.evaluate(focus) == [True, f"{night['when'][stop]} dark then"]
        assert "night" in page.locator("#order-of").inner_text()
        assert "another" not in page.locator("#order-of").inner_text()
    page.evaluate("reachmapPage.set({cloud: 7})")
    assert "night" in page.locator("#order-of").inner_text()
    page.evaluate("reachmapPage.set({step: 37})")
    assert result.first[0] in page.locator("#order-of").inner_text()


@pytest.mark.browser
def test_a_lie_is_told_of_by_day_in_a_days_words_and_after_dark_in_a_nights(offline, page_file, result):
    """At every step of the first day; a sentence of the other kind would say dark in the sun."""
    page = ready(offline, page_file, PHONE).page
    dark = {name: outlook.light.sun.altitude_deg < -6 for name, outlook in result.outlooks.items()}
    assert {*dark.values()} == {True, False}
    for step in range(0, len(result.day.times), 4):
        page.evaluate("(step) => { reachmapPage.set({ day: 0, step }); reachmapPage.place.lie(1); }", step)
        told = re.search(r"as in “(.*?)”", said(page))[1]
        assert dark[told] == (result.day.sun[step].altitude_deg < -6), result.day.times[step]
        scene = result.outlooks[told].scene
        own = scene.when == result.day.times[step]
        assert result.lies.scenes[told].loc[1, "why" if own else "lasting"] in said(page)
    name = result.first[0]
    page.evaluate("reachmapPage.set({ day: 0, step: reachmapPage.D.scenes[0].step })")
    assert result.lies.scenes[name].loc[1, "why"] in said(page)


@pytest.mark.browser
def test_a_scene_of_its_own_water_has_its_own_words(offline, tmp_path):
    """Two scenes of one hour and sky: reason and flies are those of the water set, the order says whose it is."""
    noon = toy.scenes()[0]
    spate = replace(noon, name="spate noon", water=replace(noon.water, clarity_m=0.4, colour="spate"))
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=(noon, spate)))
    made = toy.result(ch, days=light_of_scenes(ch, (noon, spate)))
    outlooks = {
        name: replace(one, light=replace(one.light, beam_attenuation_per_m=clarity_to_attenuation(one.scene.water)[1]))
        for name, one in made.outlooks.items()
    }
    words = {
        name: table.assign(why=f"why in {name}", lasting=f"lasting in {name}")
        for name, table in made.lies.scenes.items()
    }
    path = tmp_path / "map.html"
    path.write_text(map_page(replace(made, outlooks=outlooks, lies=replace(made.lies, scenes=words))), encoding="utf-8")
    page = ready(offline, path).page
    page.evaluate("reachmapPage.place.lie(1)")
    assert f"Flies: at 1 m white and green show light; red fades (as in “{noon.name}”)" in said(page)
    assert "another" not in page.inner_text("#order-of")
    page.locator("#tab-sky").click()
    for scene in (spate, noon):
        page.locator("#scenes button", has_text=scene.name).click()
        assert f"why in {scene.name}. (as in “{scene.name}”)" in said(page)
        assert ("Flies" in said(page)) == (scene is noon)
    # Between them a sentence without the light, of the water that is nearer.
    for clarity, nearest in ((0.5, spate), (2.4, noon)):
        page.evaluate("(clarity) => reachmapPage.set({ clarity })", clarity)
        assert f"lasting in {nearest.name}." in said(page)
        assert "Flies" not in said(page)
        assert page.locator("#order-of").text_content().endswith("; the water set now is another.")


@pytest.mark.browser
def test_what_was_worked_out_for_the_beats_fish_says_so_when_another_is_set(offline, page_file):
    """Reason, flies and order; how sure the rank is was drawn for the beat's fish and is left out."""
    page = ready(offline, page_file).page
    page.evaluate("for (const lie of reachmapPage.D.lies) for (const name in lie.why) lie.sure[name] = 30")
    page.evaluate("reachmapPage.place.lie(1)")
    own = page.evaluate("[...document.querySelectorAll('#fish option')][0].textContent").removesuffix(" (this beat)")
    for fish, told in ((0, ""), (3, f" for {own}"), (0, "")):
        page.evaluate("(fish) => reachmapPage.set({ fish })", fish)
        assert set(re.findall(r"\(as in “.*?”(.*?)\)", said(page))) == {told.replace("\u00a0", " ")}
        assert ("% of draws" in said(page).replace("\u00a0", " ")) == (fish == 0)
        assert page.locator("#order-of").text_content().endswith(f"2026{told}.")


@pytest.mark.browser
def test_a_finger_need_not_hit_a_mark_or_slider_exactly(offline, browser, page_file):
    """Under a finger a note, a lie's number and a place to stand reach farther than they look, over free ground; with a
    mouse they are as large as they look."""
    finger = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}, has_touch=True, is_mobile=True)
    pages = finger.new_page(), offline(page_file, *PHONE).page
    for page, reached in zip(pages, (True, False), strict=True):
        page.goto(page_file.as_uri())
        page.wait_for_selector("body[data-ready]")
        page.evaluate("reachmapPage.place.lie(1)")
        page.locator("#closer").click()
        page.evaluate("reachmapPage.notes.add(reachmapPage.map.getBounds().pad(-0.25).getSouthWest())")
        page.keyboard.type("heron")
        page.keyboard.press("Escape")
        page.wait_for_selector("#note-text", state="detached")
        page.wait_for_selector(".leaflet-pan-anim", state="detached")
        for mark in (".lie-tag:not([hidden])", ".note-mark", ".stance"):
            hit = page.evaluate(
                """(name) => [...document.querySelectorAll(name)].some((mark) => {
                const b = mark.getBoundingClientRect(), [x, y] = [(b.left + b.right) / 2, (b.top + b.bottom) / 2];
                return [[18, 0], [-18, 0], [0, 18], [0, -18]].some(([dx, dy]) =>
                  document.elementFromPoint(x + dx, y + dy)?.closest(name) === mark); })""",
                mark,
            )
            assert hit == reached, mark
        box = page.locator("#place [aria-label=Close]").bounding_box()
        assert min(box["width"], box["height"]) >= 44
        page.locator("#tab-sky").click()
        for slider in ("#cloud", "#clarity"):
            assert page.locator(slider).bounding_box()["height"] >= 44
    finger.close()


@pytest.mark.browser
def test_the_drawer_follows_a_finger_that_drags_its_grip(browser, page_file):
    """Wherever on it the finger lies; the touch after that is one of the map again."""
    finger = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}, has_touch=True, is_mobile=True)
    page = finger.new_page()
    page.goto(page_file.as_uri())
    page.wait_for_selector("body[data-ready]")
    touch = finger.new_cdp_session(page)

    def drag(x, y, down):
        for kind, places in (("touchStart", [0]), ("touchMove", [*range(0, down, down // 10)]), ("touchEnd", [])):
            for far in places or [None]:
                points = [] if far is None else [{"x": x, "y": y + far}]
                touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    for down, inside, state in ((200, 5, "closed"), (-200, 38, "half"), (-200, 5, "full"), (200, 38, "half")):
        box = page.locator("#grip").bounding_box()
        drag(box["x"] + box["width"] / 2, box["y"] + inside, down)
        page.wait_for_function("state => document.getElementById('sheet').dataset.state === state", arg=state)
    page.wait_for_timeout(600)  # Chromium takes a touch right after a drag for a part of it
    tag = page.locator(".lie-tag.best").first
    tag.tap()
    page.wait_for_function("n => reachmapPage.state.chosen === n", arg=int(tag.inner_text()))
    finger.close()


@pytest.mark.browser
def test_the_focus_stays_among_the_best_lies_while_the_day_plays(offline, page_file):
    """Whichever of them stands first at an hour."""
    page = ready(offline, page_file).page
    page.locator("#best button").last.focus()
    firsts = page.evaluate(
        """() => { const { D, state, set } = reachmapPage, seen = new Set(), best = document.getElementById('best');
        for (let step = 0; step < D.days[0].times.length; step += 3) {
          set({ step });
          seen.add(state.ranked.slice(0, 3).map((lie) => lie.n).join());
          if (!best.contains(document.activeElement)) return [];
        }
        return [...seen]; }"""
    )
    assert len(firsts) > 1


@pytest.mark.browser
@pytest.mark.parametrize("size", [(1280, 800), PHONE])
def test_no_tag_lies_over_a_place_to_stand_that_is_told_of(offline, page_file, result, size):
    page = ready(offline, page_file, size).page
    for lie in result.lies.table.index:
        page.evaluate("(n) => { reachmapPage.place.lie(n); document.getElementById('closer')?.click(); }", int(lie))
        page.wait_for_selector(".leaflet-pan-anim", state="detached")
        stances = page.evaluate(f"[...document.querySelectorAll('.stance')].map({BOX})")
        tags = page.evaluate(f"[...document.querySelectorAll('.lie-tag:not([hidden])')].map({BOX})")
        for a in stances:
            assert not any(a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3] for b in tags), lie


@pytest.mark.browser
def test_one_hand_is_enough_on_a_phone(offline, page_file):
    """What is pressed often lies in the lower two thirds, and nothing makes the page scroll sideways."""
    page = ready(offline, page_file, PHONE).page
    for name in ("#tabs button", "#hour", "#play", "#where", ".leaflet-control-zoom a", "#best button"):
        for one in page.locator(name).all():
            box = one.bounding_box()
            assert box["y"] > PHONE[1] * 0.25, name
            assert box["height"] >= 44, name
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= PHONE[0] + 2
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
    tabs, best = (page.evaluate(f"({BOX})(document.querySelector('{name}'))") for name in ("#tabs", "#best"))
    assert best[3] <= tabs[1], "all three of the best lies are on the screen"


SHORT = [(1280, 700), (390, 664), (375, 553), (844, 390), (667, 320)]
"""Windows of little height: a laptop, phones with the bars of their browser, phones laid on their side."""

BOX = "(one) => { const b = one.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]; }"


@pytest.mark.browser
@pytest.mark.parametrize("size", SHORT)
def test_a_low_window_still_shows_the_water_and_the_best_lie(offline, page_file, size):
    """At first glance, without a touch: the reach fills more than half the room the map has from left to right, all
    cautions of the strip are on the screen, and so is the best lie, but for the lowest window."""
    page = ready(offline, page_file, size).page
    reach = page.evaluate(f"({BOX})(document.querySelector('path.edge'))")
    frame = page.evaluate(f"({BOX})(document.querySelector('.folium-map'))")
    assert reach[2] - reach[0] > 0.5 * (frame[2] - frame[0])
    assert reach[3] <= frame[3]
    caution = page.evaluate(f"({BOX})(document.querySelector('#caution'))")
    assert caution[3] <= size[1]
    if size[1] < 350:
        return
    best = page.evaluate(f"({BOX})(document.querySelector('#best li'))")
    tabs = page.evaluate(f"({BOX})(document.querySelector('#tabs'))")
    below = tabs[1] if tabs[1] > size[1] / 2 and tabs[3] <= size[1] + 1 else size[1]
    assert best[3] - 6 <= below


@pytest.mark.browser
@pytest.mark.parametrize("size", [(320, 256), (390, 420)])
def test_enlarged_four_times_every_part_can_be_reached(offline, page_file, size):
    """1280 x 1024 at 400 % is 320 x 256 (WCAG 2.2, 1.4.10): what each tab opens is seen below the tabs, also
    where one comes from far down in another; so is the caution above them."""
    page = ready(offline, page_file, size).page
    seen = """(one) => { const b = one.getBoundingClientRect(), y = Math.min(b.top + 8, (b.top + b.bottom) / 2);
    return one.contains(document.elementFromPoint(b.left + 8, y)); }"""
    for tab, name in (
        ("lies", "#best li"),
        ("sky", "#scenes"),
        ("show", "#layers .choice"),
        ("notes", "#note-add"),
        ("more", "#units"),
    ):
        page.locator(f"#tab-{tab}").click()
        tabs = page.evaluate(f"({BOX})(document.getElementById('tabs'))")
        assert 0 <= tabs[1] < tabs[3] <= size[1]
        assert page.evaluate(f"({BOX})(document.querySelector('#part-{tab} h2'))")[1] >= tabs[3] - 1
        page.locator(name).first.scroll_into_view_if_needed()
        assert page.evaluate(f"({seen})(document.querySelector('{name}'))"), tab
        page.evaluate("document.getElementById('sheet').scrollTop = 1e5")
    page.locator("#caution").scroll_into_view_if_needed()
    assert page.evaluate(f"({seen})(document.getElementById('caution'))")


@pytest.mark.browser
@pytest.mark.parametrize("size", [*SHORT, PHONE, (1280, 800)])
def test_no_tag_or_arrow_lies_under_a_button_the_scale_or_the_legend(offline, page_file, size):
    """But the three best, which are always there."""
    page = ready(offline, page_file, size).page
    covers = page.evaluate(f"[...document.querySelectorAll('#legend, #where, .leaflet-control')].map({BOX})")
    seen = page.evaluate(f"[...document.querySelectorAll('.lie-tag:not([hidden], .best), .current')].map({BOX})")
    for a in seen:
        assert not any(a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3] for b in covers)


@pytest.mark.browser
def test_the_buttons_to_come_closer_move_out_from_under_the_legend_when_the_phone_is_turned(offline, page_file):
    page = ready(offline, page_file, (844, 390)).page
    for size in (PHONE, (844, 390)):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        page.wait_for_function(
            """width => { const [a, b] = ['#legend', '.leaflet-control-zoom']
                .map((name) => document.querySelector(name).getBoundingClientRect());
            const apart = a.right <= b.left || b.right <= a.left || a.bottom <= b.top || b.bottom <= a.top;
            return innerWidth === width && apart; }""",
            arg=size[0],
        )


@pytest.mark.browser
def test_on_a_phone_laid_on_its_side_a_tapped_lie_is_told_at_once(offline, page_file):
    page = ready(offline, page_file, (844, 390)).page
    page.evaluate("reachmapPage.place.lie(reachmapPage.D.lies[0].n)")
    place = page.evaluate(f"({BOX})(document.querySelector('#place'))")
    tabs = page.evaluate(f"({BOX})(document.querySelector('#tabs'))")
    assert tabs[1] <= 1
    assert tabs[3] <= place[1] + 1 < 100


@pytest.mark.browser
@pytest.mark.parametrize(
    ("lat", "lon", "told"),
    [
        (65.0, -20.0, ["sun down", "sun up"]),
        (70.0, -20.0, ["sun up all day"]),
        (66.45, 0.0, ["sun up all day"]),
        (-70.0, -20.0, ["no sun all day"]),
        (-66.0, -20.0, ["sun up", "sun down"]),
        (54.6, -20.0, ["sun up", "sun down"]),
        (60.0, -37.5, ["sun up", "sun down"]),
    ],
)
def test_sunrise_and_sunset_never_lie_over_one_another(offline, tmp_path, lat, lon, told):
    """Where a summer night or a winter day lasts an hour or two, where there is none, and with sunset at 23:55."""
    when = datetime(2026, 6, 30, 12, tzinfo=UTC)
    scenes = tuple(replace(scene, when=when) for scene in toy.scenes()[:1])
    ch = toy.channel(cell_m=1.0, beat=toy.beat(scenes=scenes, lat=lat, lon=lon, time_zone="UTC"))
    path = tmp_path / "map.html"
    path.write_text(map_page(toy.result(ch, days=light_of_scenes(ch, scenes))), encoding="utf-8")
    page = ready(offline, path, (1280, 800)).page
    words = page.locator("#strip-words span")
    assert [re.sub(r" \d\d:\d\d$", "", text) for text in words.all_inner_texts()] == told
    for width, height in ((1280, 800), PHONE):
        # The words are laid along the strip by the page's style alone, which follows the window.
        page.set_viewport_size({"width": width, "height": height})
        boxes = [word.bounding_box() for word in words.all()]
        strip = page.locator("#sky-strip").bounding_box()
        for box in boxes:
            assert box["x"] >= strip["x"] - 12
            assert box["x"] + box["width"] <= strip["x"] + strip["width"] + 12
        for left, right in itertools.pairwise(boxes):
            assert left["x"] + left["width"] < right["x"]


@pytest.mark.browser
def test_where_no_lie_stands_out_the_page_says_so(offline, tmp_path):
    made = analyse(beat(shapely.box(0, 0, 120, 16)), cell_m=1.0)
    assert len(made.lies.table) == 0
    path = tmp_path / "map.html"
    path.write_text(map_page(made), encoding="utf-8")
    assert "No lie stands out" in card_page(made)
    assert "No day was" not in card_page(made)
    one = ready(offline, path, PHONE)
    assert "No lie stands out here" in one.page.locator("#sheet-body").inner_text()
    assert not one.page.locator("#part-lies h2").first.is_visible()
    assert one.said == []
