"""The living map held against the rules of the axe accessibility engine, against sunlight and other kinds of eyes."""

from __future__ import annotations

import itertools
import re
import shutil

import colorspacious
import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from click.testing import CliRunner

from reachmap.cli import main
from reachmap.many import map_many

SIZES = [(1280, 800), (390, 844)]


def findings(page, options: dict | None = None) -> list[str]:
    """Everything axe-core finds wrong with the page as it stands, of whatever impact."""
    found = Axe().run(page, options=options).response["violations"]
    return [
        f"{one['impact']} {one['id']}: {node['html'][:160]} {node['failureSummary']}"
        for one in found
        for node in one["nodes"]
    ]


def opened(offline, page_file, size, dark: bool):
    """The page with its panel full, a lie chosen, everything drawn on the map and two moments compared."""
    one = offline(page_file, *size)
    page = one.page
    page.wait_for_selector("body[data-ready]", timeout=20000)
    page.evaluate("(on) => document.documentElement.toggleAttribute('data-dark', on)", dark)
    page.evaluate("document.getElementById('sheet').dataset.state = 'full'")
    page.locator("#best button").first.click()
    page.locator("#tab-show").click()
    for box in page.locator("#extras input").all():
        box.check(force=True)
    page.locator("#tab-sky").click()
    page.locator("#compare").select_option("swipe")
    return one


@pytest.mark.browser
@pytest.mark.parametrize(("size", "dark"), [(SIZES[0], True), (SIZES[1], False)])
def test_no_finding_in_any_part(offline, page_file, size, dark):
    """Part by part, then with a note being written on the map."""
    one = opened(offline, page_file, size, dark)
    page = one.page
    for tab in page.locator("#tabs button").all():
        tab.click()
        assert findings(page) == []
    page.evaluate("reachmapPage.notes.add(reachmapPage.map.getCenter())")
    page.wait_for_selector("#note-text")
    assert findings(page) == []
    assert one.said == []
    assert one.asked == []


def pages_of(folder, out):
    """Every page without a script that the commands write about a beat, by name."""
    for command, option in (("hours", "--picture"), ("sheet", "--out"), ("learn", "--out")):
        done = CliRunner().invoke(main, [command, str(folder), option, str(out / f"{command}.html")])
        assert done.exit_code == 0, done.output
    map_many([folder], out, jobs=1)
    names = "hours.html", "sheet.html", "learn.html", "index.html", f"{folder.name}/card.html"
    return {name: out / name for name in names}


@pytest.fixture(scope="module")
def plain_pages(tmp_path_factory, sample_folder):
    """Those of the sample, its name and a scene's made long and unbroken."""
    root = tmp_path_factory.mktemp("pages")
    folder, out = root / "beat", root / "out"
    out.mkdir()
    shutil.copytree(sample_folder, folder)
    told = (folder / "beat.toml").read_text(encoding="utf-8")
    for name in re.findall(r'^name = "(.*)"', told, re.MULTILINE)[:2]:
        told = told.replace(f'"{name}"', f'"{name.replace(" ", "")}{"W" * 40}"')
    (folder / "beat.toml").write_text(told, encoding="utf-8")
    return pages_of(folder, out)


@pytest.mark.browser
@pytest.mark.parametrize("size", SIZES)
def test_no_finding_at_all_on_a_page_without_script(offline, plain_pages, size):
    for name, path in plain_pages.items():
        page = offline(path, *size).page
        assert findings(page) == [], name


@pytest.mark.browser
def test_a_long_unbroken_name_pushes_no_page_sideways(offline, plain_pages):
    """That of the beat and that of a scene, on a phone."""
    for name, path in plain_pages.items():
        page = offline(path, *SIZES[1]).page
        assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[1][0], name


@pytest.mark.browser
@pytest.mark.parametrize("dark", [False, True])
def test_words_can_be_read_in_sunlight(offline, page_file, dark):
    """Every word stands out by 7 to 1, the enhanced contrast of WCAG 2.2 (success criterion 1.4.6)."""
    page = opened(offline, page_file, SIZES[1], dark).page
    page.evaluate("for (const part of document.querySelectorAll('.part')) part.hidden = false")
    assert findings(page, {"runOnly": ["color-contrast-enhanced"]}) == []


@pytest.mark.browser
def test_colours_set_by_the_system_leave_the_legend_and_the_states(offline, page_file):
    page = offline(page_file, *SIZES[1]).page
    page.emulate_media(forced_colors="active")
    page.wait_for_selector("body[data-ready]", timeout=20000)
    colours = """(name) => [...document.querySelectorAll(name)].map((one) => getComputedStyle(one))
    .map(({ backgroundColor: back, borderTopColor: edge, borderTopWidth: wide }) => `${back} ${edge} ${wide}`)"""
    assert len(set(page.evaluate(colours, ".steps i"))) == 5
    assert not {*page.evaluate(colours, ".lie-tag.best")} & {*page.evaluate(colours, ".lie-tag:not(.best)")}
    grip, sheet = (page.evaluate(colours, name)[0].split(")")[0] for name in ("#grip span", "#sheet"))
    assert grip != sheet
    page.evaluate("reachmapPage.place.lie(reachmapPage.state.ranked[0].n)")
    for one, state in (
        ("#scenes button", "aria-pressed"),
        ("#best button", "aria-pressed"),
        ("#tabs button", "aria-selected"),
    ):
        on, off = ({*page.evaluate(colours, f"{one}[{state}='{value}']")} for value in ("true", "false"))
        assert on, one
        assert off, one
        assert on.isdisjoint(off), one


def contrast(one: str, other: str) -> float:
    """Of two colours as a browser computes them, by WCAG 2.2."""
    seen = []
    for colour in (one, other):
        c = np.array([float(v) for v in re.findall(r"[\d.]+", colour)[:3]]) / 255
        seen.append(np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722])
    return (max(seen) + 0.05) / (min(seen) + 0.05)


@pytest.mark.browser
@pytest.mark.parametrize("dark", [False, True])
def test_lines_and_the_focus_stand_out_on_every_colour_of_the_water(offline, page_file, dark):
    """By 3 to 1, as WCAG 2.2 asks of graphics (1.4.11): outlines of lies, lanes, seams and the ring of a tapped spot by
    themselves or by the pale line under them; the focus of a tag by the ground it lies on; trees beside the page."""
    page = opened(offline, page_file, SIZES[0], dark).page
    page.evaluate("reachmapPage.place.cell(reachmapPage.map.getCenter(), 0)")
    water = page.evaluate(
        """['day', 'night', 'depth', 'light', 'gloom', 'speed', 'sure', 'change'].flatMap((ramp) =>
        reachmap.classColours(ramp, 5)).map((colour) => `rgb(${colour.join(',')})`)"""
    )
    pairs = page.evaluate(
        """[...document.querySelectorAll('.leaflet-overlay-pane path.halo')].map((halo) =>
        [halo, halo.nextElementSibling].map((path) => ({
          d: path.getAttribute('d'), of: path.getAttribute('class') || '',
          colour: getComputedStyle(path).stroke, wide: Number(path.getAttribute('stroke-width')) })))"""
    )
    lies = page.locator(".lie-line").count()
    assert sum("lie-line" in line["of"] for _, line in pairs) == lies > 3
    assert sum("spot" in line["of"] for _, line in pairs) == 1
    seams, lanes = (page.evaluate(f"reachmapPage.D.shapes.{name}.length") for name in ("seams", "lanes"))
    assert len(pairs) >= lies + 1 + seams + lanes
    for halo, line in pairs:
        assert halo["d"] == line["d"]
        assert halo["wide"] >= line["wide"] + 3
        assert all(max(contrast(one["colour"], on) for one in (halo, line)) >= 3 for on in water)
    back = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert contrast(page.evaluate("getComputedStyle(document.querySelector('path.shade')).stroke"), back) >= 3
    tag = page.locator(".lie-tag.best").first
    page.keyboard.press("Tab")
    tag.focus()
    ring, ground = tag.evaluate("(one) => [getComputedStyle(one).outlineColor, getComputedStyle(one).boxShadow]")
    assert ground.startswith(back)
    assert ground.endswith("7px")
    assert contrast(ring, back) >= 3


@pytest.mark.browser
def test_of_a_chosen_lie_one_line_is_said_aloud_and_only_when_it_changes(offline, page_file):
    page = offline(page_file, *SIZES[0]).page
    page.wait_for_selector("body[data-ready]", timeout=20000)
    page.evaluate(
        """() => { window.said = []; for (const part of document.querySelectorAll('#sheet [aria-live]'))
        if (part.id !== 'moment') new MutationObserver(() => said.push(part.textContent)).observe(part,
          { childList: true, subtree: true, characterData: true }); }"""
    )
    page.evaluate("reachmapPage.place.lie(1)")
    for _ in range(2):
        page.evaluate("reachmapPage.set({ step: reachmapPage.state.setting.step + 1 })")
    page.evaluate("reachmapPage.place.cell(reachmapPage.map.getCenter(), 0)")
    page.locator("#place [aria-label=Close]").click()
    said = page.evaluate("said")
    assert said[0].startswith("Lie 1: ")
    assert said[-2].startswith("This spot: ")
    assert "wading: " in said[-2]
    assert said[-1] == ""
    assert max(map(len, said)) < 150
    assert all(one != other for one, other in itertools.pairwise(said))


EYES = {"usual": None, "protan": "protanomaly", "deutan": "deuteranomaly", "tritan": "tritanomaly"}
"""Kinds of colour vision; the last three without one kind of cone, simulated by the matrices of Machado, Oliveira &
Fernandes 2009 (IEEE Trans. Vis. Comput. Graph. 15:1291) at severity 1.0, as the library colorspacious has them."""

APART = 8.0
"""Distance in CAM02-UCS (Luo, Cui & Li 2006; about 1 is just noticed side by side) that classes which can lie apart
on a map must keep. Assumed."""


def as_seen(colours: np.ndarray, eyes: str | None) -> np.ndarray:
    """CAM02-UCS of colours (n, 3) 0-255 to one kind of eyes."""
    seen = colours / 255
    if eyes:
        space = {"name": "sRGB1+CVD", "cvd_type": eyes, "severity": 100}
        seen = np.clip(colorspacious.cspace_convert(seen, space, "sRGB1"), 0, 1)
    return colorspacious.cspace_convert(seen, "sRGB1", "CAM02-UCS")


@pytest.mark.browser
@pytest.mark.parametrize("eyes", EYES)
def test_legend_classes_stay_apart_for_every_kind_of_eyes(offline, page_file, eyes):
    """Any two classes of a legend, not only neighbours, as the page itself colours them."""
    page = offline(page_file, *SIZES[0]).page
    page.wait_for_selector("body[data-ready]", timeout=20000)
    ramps = page.evaluate(
        """() => Object.fromEntries(Object.entries(reachmap.ramps)
        .map(([name, r]) => [name, reachmap.classColours(name, r.words ? r.words.length : 5)]))"""
    )
    assert len(ramps) == 8
    for name, colours in ramps.items():
        seen = as_seen(np.array(colours, float), EYES[eyes])
        gap = np.linalg.norm(seen[:, None] - seen[None], axis=2)[np.triu_indices(len(seen), 1)]
        assert gap.min() >= APART, name
        if name != "change":
            steps = np.diff(seen[:, 0])
            assert np.all(steps < -5) or np.all(steps > 5), f"{name}: lightness must run one way, for other eyes"


@pytest.mark.browser
def test_the_classes_of_every_legend_run_one_way_in_the_greys_of_print(offline, page_file):
    """Better and worse among them: a grey stands for one class only, and the printed legend shows that of the water."""
    page = offline(page_file, *SIZES[0]).page
    page.wait_for_selector("body[data-ready]", timeout=20000)
    greys = page.evaluate(
        "Object.fromEntries(Object.keys(reachmap.ramps).map((name) => [name, reachmap.classGreys(name)]))"
    )
    assert len(greys) == 8
    for name, ramp in greys.items():
        lightness = as_seen(np.repeat(np.array(ramp, float)[:, None], 3, axis=1), None)[:, 0]
        steps = np.diff(lightness)
        assert np.all(steps < -APART) or np.all(steps > APART), name
    page.locator("#tab-show").click()
    page.locator("#layer-cloud").check(force=True)
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    shown = "[...document.querySelectorAll('.steps i')].map((step) => step.style.background)"
    assert page.evaluate(shown) == [f"rgb({v}, {v}, {v})" for v in greys["change"]]
    water = page.evaluate(
        """[...new Set([...document.querySelectorAll('canvas.water')].flatMap((canvas) =>
        [...new Uint32Array(canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data.buffer)]))]"""
    )
    assert {v & 255 for v in water if v >> 24} <= set(greys["change"])
