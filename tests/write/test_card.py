"""The card: everything it sends one to is in its sketch, two small pages, nothing a user typed runs."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime

import ephem
import numpy as np
import pandas as pd
import pytest
import shapely

import reachmap
from reachmap.beat.model import Water
from reachmap.visit.worth import ranked
from reachmap.write import card_page, map_page
from reachmap.write.card import LETTER
from reachmap.write.hours import hours_page, hours_text
from reachmap.write.summary import summarise
from reachmap.write.webmap_data import page_data
from tests import toy


def test_the_card_shows_the_lies_and_the_cautions_escaped():
    made = toy.result(toy.channel(cell_m=1.0, beat=toy.beat(name="<script>x</script>")))
    page = card_page(made)
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    for caution in made.visit.cautions:
        assert caution.text.split(";")[0] in page


@pytest.fixture(scope="module")
def sample_result(sample_folder):
    return reachmap.analyse(sample_folder)


def test_every_lie_the_card_sends_one_to_is_in_its_sketch(sample_result):
    page = card_page(sample_result)
    texts = re.findall(
        r"<text x='([\d.-]+)' y='([\d.-]+)'[^>]*font-size='([\d.]+)' font-weight='bold'[^>]*>(\d+)<", page
    )
    drawn = {int(number) for *_, number in texts}
    at, high = np.array([[float(x), float(y)] for x, y, *_ in texts]), float(texts[0][2])
    apart = np.abs(at[:, None] - at[None])[~np.eye(len(at), dtype=bool)]
    assert ((apart[:, 0] > 1.3 * high) | (apart[:, 1] > 0.95 * high)).all(), "one number covers another"
    high_and_wide = [(LETTER * len(number) * high / 2, high / 2) for *_, number in texts]
    boxes = [shapely.box(x - w, -y - h, x + w, -y + h) for (x, y), (w, h) in zip(at, high_and_wide, strict=True)]
    patches = shapely.union_all(sample_result.lies.table.loc[sorted(drawn)].geometry.to_numpy())
    assert max(box.intersection(patches).area / box.area for box in boxes) < 0.05, "a number hides a lie"
    order = re.search(r"<h2>In this order</h2><p>(.*?)</p>", page)[1]
    named = {int(n) for n in re.findall(r"(?:lie|Lie) (\d+)", order)}
    assert len(named) > 5
    assert named | {int(n) for n in re.findall(r"<b>Lie (\d+)", page)} == drawn


def test_the_card_of_a_day_sends_nobody_to_where_they_would_stand_in_the_dark(sample_result):
    """Of a lie where one finds no place at its hour the scene's own is tried."""
    told = re.findall(r"<b>Lie (\d+)", card_page(sample_result))
    assert "in the dark" not in "".join(re.findall(r"<li value.*?</li>", card_page(sample_result)))
    stances = sample_result.visit.stances
    by_day = stances[~stances["dark"] & stances["lie"].isin([int(n) for n in told])]
    assert set(by_day["lie"]) == {int(n) for n in told}
    order = sample_result.visit.order.set_index("lie")["step"]
    times = {lie: f"{sample_result.day.times[step]:%H:%M}" for lie, step in order.items()}
    other = {row.when for row in by_day.itertuples() if row.when != times.get(row.lie, "13:00")}
    assert other == {"13:00"}, "no lie here needs another hour than its own, so this shows nothing"


def test_the_card_sends_nobody_to_where_they_would_stand_on_another_date(sample_result):
    """Though it comes first, as that of another scene's may."""
    stances = sample_result.visit.stances
    winter = stances.assign(dates="2026-12-21", reason="in the low sun of winter")
    both = pd.concat([winter, stances], ignore_index=True)
    pages = [
        card_page(replace(sample_result, visit=replace(sample_result.visit, stances=own))) for own in (both, stances)
    ]
    assert pages[0] == pages[1]


def test_a_stance_for_another_hour_than_that_of_the_order_says_which(sample_result):
    """At the order's own hour one's shadow may fall on the lie from there."""
    lines = dict(re.findall(r"<b>Lie (\d+),(.*?)</li>", card_page(sample_result)))
    stances = sample_result.visit.stances.query("not dark").drop_duplicates("lie").set_index("lie")["when"]
    steps = sample_result.visit.order.set_index("lie")["step"]
    met = {lie: f"{sample_result.day.times[step]:%H:%M}" for lie, step in steps.items()}
    other = {number for number in lines if stances[int(number)] != met.get(int(number), "13:00")}
    assert 0 < len(other) < len(lines)
    assert {number for number, line in lines.items() if re.search(r", at 13:00\.", line)} == other
    assert not any(re.search(r", at \d", line) for number, line in lines.items() if number not in other)


def test_who_begins_at_dusk_is_told_where_to_stand_in_the_dark_where_it_will_be_dark(sample_folder):
    """On the shortest day an hour before civil dusk: the last lies are met after it."""
    made = reachmap.analyse(sample_folder, moment=reachmap.Moment(datetime(2026, 12, 21, 15, 40), 2))
    dusk = f"{made.day.events['civil_dusk']:%H:%M}"
    order = made.visit.order.set_index("lie")["when"]
    lines = dict(re.findall(r"<b>Lie (\d+),(.*?)</li>", card_page(made)))
    late = {int(number) for number in lines if order.get(int(number), "15:40") > dusk}
    assert late
    assert late != {int(number) for number in lines}
    assert {int(number) for number, line in lines.items() if "in the dark" in line} == late


def test_where_no_place_to_stand_is_found_the_card_says_so(sample_result):
    only_dark = sample_result.visit.stances.query("dark")
    page = card_page(replace(sample_result, visit=replace(sample_result.visit, stances=only_dark)))
    assert page.count("No place to stand was found by daylight.") == len(re.findall(r"<li value", page)) > 0


def test_an_order_that_does_not_begin_at_the_scenes_hour_says_how_its_hours_were_come_to(sample_result):
    """Else an hour at dawn on the card of a scene at 13:00 would be a riddle."""
    words, begin = "At the hours that suit most of them", sample_result.visit.order["when"].iloc[0]
    assert f"{words}: {begin} lie" in card_page(sample_result)
    assert f"{words}:\n{begin}" in hours_text(sample_result)
    assert f"<p>{words}.</p>" in hours_page(sample_result)
    scene = sample_result.first[1].scene
    order = sample_result.visit.order.assign(step=lambda o: o["step"] - o["step"].iloc[0])
    begun = order.assign(step=order["step"] + sample_result.day.step_of(scene.when))
    orders = {**sample_result.visit.orders, scene.name: begun}
    asked = replace(sample_result, visit=replace(sample_result.visit, orders=orders))
    for page in (card_page(asked), hours_text(asked), hours_page(asked)):
        assert words not in page


def test_an_order_that_midnight_cuts_short_says_what_it_leaves_out(sample_folder, sample_result):
    """Begun at 23:20, with twenty minutes and more for each lie."""
    made = reachmap.analyse(sample_folder, moment=reachmap.Moment(datetime(2026, 7, 30, 23, 20), 1))
    table = made.lies.scenes[made.first[0]]
    best = set(table.index[table["rank"].between(1, 8)])
    late = sorted(best - set(made.visit.order["lie"]))
    assert len(late) > 1
    for page in (card_page(made), hours_text(made), hours_page(made), map_page(made)):
        words = re.search(r"Lies ([\d, ]+ and \d+) are left out, as it would be past midnight", page)
        assert sorted(int(number) for number in re.findall(r"\d+", words[1])) == late
        assert "that suit most of them" not in page
    for page in (card_page(sample_result), hours_text(sample_result)):
        assert "midnight" not in page


def test_without_a_lane_the_card_says_nothing_of_the_drift(sample_result):
    """Neither that it is even nor that it drags."""
    lanes = sample_result.visit.lanes
    even, none = lanes.assign(crosses_seam=False), lanes[:0]
    pages = [card_page(replace(sample_result, visit=replace(sample_result.visit, lanes=own))) for own in (even, none)]
    assert ["Drift even, no seam to cross" in page for page in pages] == [True, False]
    assert not any("Drag to expect" in page for page in pages)


def test_the_card_tells_no_cast_to_where_a_stone_stands(sample_result):
    """Of the best lie, all of whose lanes are shut; one shut lane of another says nothing."""
    lanes = sample_result.visit.lanes
    best, other = ranked(sample_result.lies, sample_result.first[0])[:2]
    shut = (lanes["lie"] == best) | ((lanes["lie"] == other) & (lanes["lane"] == 1))
    assert (lanes["lie"] == other).sum() > 1
    leads = dict.fromkeys(("lead_m", "lead_least_m", "lead_most_m"), np.nan)
    own = lanes.assign(shut_by=lanes["shut_by"].where(~shut, "boulder"))
    own.loc[shut, [*leads]] = np.nan
    pages = [
        card_page(replace(sample_result, visit=replace(sample_result.visit, lanes=kept)))
        for kept in (own, own[own["lie"] == best], lanes)
    ]
    told = f"<li>Cast in from the side at lie {best}: a boulder close above</li>"
    assert [told in page for page in pages] == [True, True, False]
    assert ["m above the lie</li>" in page for page in pages] == [True, False, True]
    assert not any("nan" in page for page in pages)


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ("white from above", "clear to 1 m"),
        ("dark from above", "clear to 1 m by a dark boot (1.81 m by a white cup)"),
        ("dark sideways", "clear to 1 m for a dark thing sideways (1.43 m by a white cup)"),
    ],
)
def test_a_clarity_not_judged_by_a_white_thing_is_told_as_judged_and_as_the_page_has_it(how, says):
    """A white thing vanishes 8.7 / 4.8 times as deep as a dark one, whatever the water; sideways goes by Kd / c too."""
    scene = replace(toy.scenes()[0], water=Water(1.0, how, "clear"))
    result = toy.result(toy.channel(1.0, beat=toy.beat(scenes=(scene,))))
    assert f">Water clear, {says}<" in card_page(result)
    assert f", water {says})" in summarise(result)
    shown = page_data(result)["scenes"][0]["clarity_m"]
    assert shown == pytest.approx(float(re.findall(r"[\d.]+", says)[-1]), abs=0.005)


@pytest.mark.parametrize(("units", "unit_m", "word"), [("metric", 1.0, "m"), ("imperial", 0.3048, "ft")])
def test_the_card_rounds_what_it_tells_once(sample_result, units, unit_m, word):
    """To a tenth of the unit printed; the foot by definition."""
    beat = replace(sample_result.channel.beat, units=units)
    page = card_page(replace(sample_result, channel=replace(sample_result.channel, beat=beat)))
    visit, top = sample_result.visit, [int(number) for number in re.findall(r"<b>Lie (\d+)", page)]
    leads = visit.lanes[visit.lanes["lie"].isin(top)]["lead_m"] / unit_m
    seen = [visit.seen["sunny noon"][number]["range_m"] / unit_m for number in top]
    assert f"Cast {leads.min():.1f} to {leads.max():.1f} {word} above the lie" in page
    assert re.findall(rf"It sees the fly at ([\d.]+) {word}", page) == [f"{length:.1f}" for length in seen]
    ends = dict.fromkeys((f"{min(seen):.1f}", f"{max(seen):.1f}"))
    assert f"Fly seen at {' to '.join(ends)} {word}" in page


@pytest.mark.browser
@pytest.mark.parametrize("high", [0.36, 0.7, 1.1, 3.0, 8.0])
def test_the_card_of_the_sample_prints_on_two_small_pages(browser, sample_result, tmp_path, high):
    """Of a river that runs west to east, one that runs south to north, and what lies between."""
    path = tmp_path / "card.html"
    path.write_text(card_page(_as_high(sample_result, high)), encoding="utf-8")
    page = browser.new_page()
    page.goto(path.as_uri())
    data = page.pdf(prefer_css_page_size=True)
    page.close()
    assert data.count(b"/Type /Page\n") + data.count(b"/Type /Page ") == 2


def _as_high(result, share):
    """The same with an outline so many times as high as wide."""
    beat = result.channel.beat
    x0, y0, x1, y1 = beat.outline.bounds
    outline = shapely.affinity.scale(beat.outline, yfact=share * (x1 - x0) / (y1 - y0), origin=(x0, y0))
    return replace(result, channel=replace(result.channel, beat=replace(beat, outline=outline)))


@pytest.mark.parametrize(
    ("when", "cloud", "says"),
    [
        (
            datetime(2026, 10, 10, 21, 30),
            0,
            ["hardly a fly in this light", "Hardly a fly seen", "No moon on the water"],
        ),
        (datetime(2026, 7, 30, 13), 0, ["It sees the fly at 1.", "Fly seen at 1.", "Sun on "]),
        (datetime(2026, 7, 30, 21), 0, ["Sun too low to tell its shade"]),
        (datetime(2026, 7, 30, 21), 8, ["No sun on the water"]),
        (datetime(2026, 7, 30, 21, 40), 0, ["No sun on the water"]),
        (datetime(2026, 7, 30, 13), 8, ["It sees the fly at 1.", "Fly seen at 1.", "No sun on the water"]),
        (datetime(2026, 7, 31, 2), 0, ["It sees the fly at 0.", "Fly seen at 0.", "Moon on "]),
        (datetime(2026, 7, 31, 2), 8, ["No moon on the water"]),
    ],
)
def test_the_card_tells_the_light_of_its_hour(sample_folder, when, cloud, says):
    """On 10 October 2026 the moon is new, on 29 July full (ephem); on 30 July the sun sets at 21:13."""
    new, full = ephem.next_new_moon("2026/10/5"), ephem.next_full_moon("2026/7/20")
    assert [moon.datetime().date() for moon in (new, full)] == [date(2026, 10, 10), date(2026, 7, 29)]
    page = card_page(reachmap.analyse(sample_folder, moment=reachmap.Moment(when, cloud)))
    for words in says:
        assert words in page
    assert "0.0 m for" not in page
    assert ("Flies: " in page) == ("Fly seen at" in page), "of a fly that is hardly seen no colours are told"
