"""The hours of a day: the words, the picture, another date, and what to do under cloud."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from pvlib.solarposition import sun_rise_set_transit_spa

from reachmap.ask import hours_on_beat, on_day
from reachmap.beat import read_beat
from reachmap.beat.model import Water
from reachmap.cli import main
from reachmap.run import analyse
from reachmap.visit import plan_visit
from reachmap.visit.worth import ranked
from reachmap.write.card import card_page
from reachmap.write.hours import DULL, LEFT, STEP, WORDS, eye_word, hours_page, hours_picture, hours_text, if_clouded
from reachmap.write.model import Result
from tests import toy


@pytest.fixture(scope="module")
def october(sample_folder):
    beat = read_beat(sample_folder)
    return [analyse(on_day(beat, "sunny", date(2026, 10, 10), cloud)) for cloud in (1, 8)]


def test_the_day_is_the_days_own(october):
    """Sunrise and sunset of the other day against pvlib's SPA, which takes refraction and the sun's rim as usual."""
    day, beat = october[0].day, october[0].channel.beat
    noon = pd.DatetimeIndex([pd.Timestamp("2026-10-10 12:00", tz=beat.time_zone)])
    true = sun_rise_set_transit_spa(noon, beat.lat, beat.lon)
    assert f"{day.times[0]:%d %b}" == "10 Oct"
    for name in ("sunrise", "sunset"):
        assert abs((true[name].iloc[0] - day.events[name]).total_seconds()) < 90
    assert f"sun up {day.events['sunrise']:%H:%M}" in hours_picture(october[0], 6)
    assert any("Spawning" in caution.text for caution in october[0].visit.cautions)


def test_the_text_has_table_eye_order_cloud_and_cautions(october):
    text = hours_text(october[0], 60, 6, october[1])
    rows = re.findall(r"^\d\d:00 +0\..*$", text, re.M)
    assert len(rows) == 24
    assert rows[0].endswith("night")
    assert rows[12].endswith("day")
    share = [int(x) for x in re.search(r"If it clouds over, at 13:00 (\d+) % .* instead of (\d+) %", text).groups()]
    assert share[0] > share[1]
    assert "Local rules" in text
    order = re.findall(r"^(\d\d:\d\d)  lie (\d+)", text, re.M)
    assert [t for t, _ in order] == sorted(t for t, _ in order)
    assert [int(n) for _, n in order] == sorted(int(n) for _, n in order)
    assert "loses shade" not in text


def lit_all_over(made: Result) -> Result:
    name, one = made.first
    layers = {**one.light.layers, "sun_share": np.ones_like(one.light["sun_share"])}
    return replace(made, outlooks={name: replace(one, light=replace(one.light, layers=layers))})


def bare(made: Result) -> Result:
    """The same with no lie that stands out."""
    scenes = {name: table.assign(rank=0) for name, table in made.lies.scenes.items()}
    return replace(made, lies=replace(made.lies, scenes=scenes))


def test_the_advice_under_cloud_is_one_that_can_be_followed(october):
    """Nobody stays with lies that don't stand out, nor leaves a shade that isn't there."""
    clear, clouded = october
    assert "%: leave the shade and cover water. Best then: lie " in if_clouded(clear, clouded)
    assert "%: cover water. Best then: lie " in if_clouded(lit_all_over(clear), clouded)
    assert "%: stay with the best lies. Best then: lie " in if_clouded(clear, clear)
    assert "%. Best then: nothing that stands out." in if_clouded(bare(clear), bare(clear))
    assert "%. Best then: nothing that stands out." in if_clouded(clear, bare(clouded))
    assert "%. Best then: lie " in if_clouded(bare(clear), clear)


def test_the_card_speaks_of_the_rest_in_shade_where_there_is_one(october):
    assert re.search(r"Sun on \d?\d % of the water, the rest in shade<", card_page(october[0]))
    assert "Sun on 100 % of the water<" in card_page(lit_all_over(october[0]))


def test_the_picture_shows_eye_shade_and_moments(october):
    picture = hours_picture(october[0], 6)
    assert picture.count("font-size='8'") == 6
    assert "url(#switching)" in picture
    assert "moon down" in picture
    page = hours_page(october[0], october[1])
    assert "http" not in page.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")


@pytest.mark.parametrize("cloud", [1, 5, 6, 8])
def test_the_picture_marks_shade_only_under_a_sky_that_throws_any(october, cloud):
    made, _ = october
    outlooks = {
        name: replace(one, light=replace(one.light, scene=replace(one.scene, cloud=cloud)))
        for name, one in made.outlooks.items()
    }
    assert ("height='2'" in hours_picture(replace(made, outlooks=outlooks))) == (cloud < 6)


@pytest.mark.parametrize("day", [date(2026, 3, 29), date(2026, 10, 25), date(2026, 6, 20)])
def test_moments_stand_at_their_hour_even_if_the_clocks_change(sample_folder, day):
    """Each line beside the label of its two hours; in Britain on the last Sundays of March and October they change."""
    result = analyse(on_day(read_beat(sample_folder), "sunny", day, 1))
    picture = hours_picture(result)
    words = re.findall(r"<path d='M([\d.]+) \d+V\d+'[^>]*/><text [^>]*>[a-z ]+ (\d\d):(\d\d)</text>", picture)
    axis = dict(re.findall(r"<text x='(\d+)' y='\d+' font-size='7'>(\d\d)</text>", picture))
    assert len(words) >= 3
    for at, hour, minute in words:
        left = max(float(x) for x in axis if float(x) <= float(at))
        begun = result.day.times[round((left - LEFT) / STEP)]
        told = datetime(day.year, day.month, day.day, int(hour), int(minute), tzinfo=begun.tzinfo)
        passed_min = (told.timestamp() - begun.timestamp()) / 60
        assert (float(at) - left) / STEP == pytest.approx(passed_min / 10, abs=0.15)


def judged(result: Result, least_score: float) -> Result:
    """The same day if no lie stood out at the scene's hour, elsewhere only those that score so much; in warm water."""
    scenes = {name: table.assign(rank=0) for name, table in result.lies.scenes.items()}
    lies = replace(result.lies, scenes=scenes, report={**result.lies.report, "least_score": least_score})
    outlooks = {
        name: replace(one, light=replace(one.light, scene=replace(one.scene, water=Water(temperature_c=21.0))))
        for name, one in result.outlooks.items()
    }
    return replace(result, lies=lies, visit=plan_visit(result.channel, outlooks, lies, result.days, result.curves))


def test_where_none_stands_out_at_the_hour_of_the_scene_other_hours_are_told(october):
    best = judged(october[0], 0.6).visit.hours.max().sort_values(ascending=False)
    least = float(best.iloc[3])
    made, want = judged(october[0], least), [str(n) for n in best.index[:4]]
    text, page = hours_text(made, count=30), hours_page(made, count=30)
    for told in (text, page, card_page(made)):
        assert "No lie stands out at 13:00, the hour of the scene; these do at others of its day." in told
        assert "let the fish be" in told
    assert re.search(r"^time +([\d ]+?) +eye$", text, re.M)[1].split() == want
    assert set(re.findall(r"^\d\d:\d\d  lie (\d+)", text, re.M)) <= set(want)
    assert len(made.visit.order)
    assert "No lie " not in (page + card_page(made)).replace("No lie stands out at 13:00", "")
    assert "these do at others" not in hours_text(october[0]) + hours_page(october[0])


def test_where_none_stands_out_all_day_the_cautions_are_told_even_so(october):
    made = judged(october[0], 1.1)
    text = hours_text(made, clouded=october[1])
    assert "No lie of the beat's own scenes stands out on this day, so there are no hours to show; at another" in text
    assert "try lies --when." in text
    assert "In this order" not in text
    for told in (text, hours_page(made)):
        assert "let the fish be" in told
        assert "Local rules" in told
    assert "If it clouds over" in text
    for page, times in ((hours_page(made), 2), (card_page(made), 1)):
        assert page.count("No lie of the beat's own scenes stands out on this day; at another hour others") == times
    assert "No lie stands out at this hour." in card_page(made)


def test_lies_have_the_numbers_of_the_map(sample_folder):
    """A guide who holds the map finds the lie of that number there, in any scene and on any day."""
    beat = read_beat(sample_folder)
    mapped = analyse(beat).lies
    overcast, none = hours_on_beat(beat, "overcast")
    assert none is None
    autumn, clouded = hours_on_beat(beat, day=date(2026, 10, 10))
    for result in (overcast, autumn, clouded):
        assert result.lies.table.iloc[: len(mapped.table)].equals(mapped.table)
    assert len(overcast.lies.table) == len(mapped.table)
    for result in (overcast, autumn, clouded):
        assert result.lies.table.loc[result.visit.order["lie"], "along_m"].is_monotonic_decreasing, "not upstream"
    # A low sun brings up others; where they are is said.
    new = sorted(n for n in autumn.visit.order["lie"] if n > len(mapped.table))
    assert new
    text = hours_text(autumn, clouded=clouded)
    assert "Not on the map" in text
    assert all(f"lie {n}: {autumn.lies.table.loc[n, 'kind']} water" in text for n in new)
    assert "Not on the map" not in hours_text(overcast)


def test_lies_of_a_cloudy_day_that_the_map_lacks_are_told_apart(october):
    clear, clouded = october
    best = sorted(ranked(clouded.lies, clouded.first[0])[:3])
    for known, new in ((best[-1], []), (best[0], best[1:])):
        lies = replace(clouded.lies, report={**clouded.lies.report, "known_before": known})
        words = if_clouded(clear, replace(clouded, lies=lies))
        assert sorted(int(n) for n in re.findall(r"lie (\d+)[ ,]", words)) == best
        assert sorted(int(n) for n in re.findall(r"lie (\d+) \(not on the map\)", words)) == new
        assert ("add a scene of this day and sky to beat.toml" in words) == bool(new)


def test_light_in_the_order_is_that_of_the_hour(sample_folder):
    """Under full cloud nobody sees a shadow; by night the moon counts, not the sun; by day it is as the day has it."""
    beat = read_beat(sample_folder)
    results = {name: hours_on_beat(beat, name)[0] for name in ("sunny", "overcast", "night")}
    for name, result in results.items():
        order, day = result.visit.order, result.day
        assert len(order)
        assert (order["step"] < len(day.times) - 1).all()
        for row in order.itertuples():
            words = row.why.split("; ")
            assert not any(word.startswith(("loses shade", "in shade from", "in the shade")) for word in words)
            assert "edge of the shade" not in row.why
            then = [word for word in words if word.endswith(" then")]
            if name == "overcast":
                assert not then
            elif name == "night":
                cells = day.columns(result.lies.cells[row.lie])
                lit = day.moon_share[row.step][cells].mean() >= 127.5
                assert then in (["dim then"], ["dark then"], *([["moonlit then"]] if lit else []))
            elif day.sun[row.step].altitude_deg > 5:
                lit = day.sun_on(result.lies.cells[row.lie])[row.step].mean() >= 127.5
                assert then == ["in the sun then" if lit else "in shade then"]
    told = {name: hours_text(result) for name, result in results.items()}
    assert [name for name in told if "After dark every class is harder" in told[name]] == ["night"]
    night = results["night"]
    up = [night.day.moon[step].altitude_deg > 0 for step in night.visit.order["step"]]
    assert any("moonlit" in why for why, high in zip(night.visit.order["why"], up, strict=True) if high)


@pytest.mark.parametrize(
    ("altitude", "events", "says"),
    [
        (20.0, ["sunrise", "sunset", "civil_dusk"], [DULL]),
        (20.0, ["sunrise", "sunset"], []),
        (3.0, ["moonrise"], ["The sun stays up all day."]),
        # Its rim shows from -0.833 degrees on, by the convention of the almanacs.
        (-0.8, [], ["The sun stays up all day."]),
        (-0.9, [], ["The sun does not rise this day."]),
        (-5.0, ["civil_dawn", "civil_dusk"], ["The sun does not rise this day.", DULL]),
        (-30.0, [], ["The sun does not rise this day."]),
    ],
)
def test_the_far_north_has_days_without_a_dusk_or_a_sun(altitude, events, says):
    day = toy.day(toy.channel(1.0))
    sun = tuple(replace(body, altitude_deg=altitude) for body in day.sun)
    made = toy.result(toy.channel(1.0))
    made = replace(
        made, days=dict.fromkeys(made.days, replace(day, sun=sun, events=dict.fromkeys(events, day.times[9])))
    )
    for told in (hours_text(made), hours_page(made), card_page(made)):
        assert [
            words for words in ("The sun stays up all day.", "The sun does not rise this day.", DULL) if words in told
        ] == says
        assert "<p>. " not in told


def test_the_page_names_fish_and_engine(october):
    told = "<p>For brown trout of 36 cm: cloud 1/8 all day, water clear to 2.6 m and 13 C. Rows"
    assert told in hours_page(october[0])
    (name, outlook), *_ = october[0].outlooks.items()
    fed = replace(outlook, holding=replace(outlook.holding, engine="energy"))
    told = "13 C, scored by the energy engine, with an assumed amount of food. Rows"
    assert told in hours_page(replace(october[0], outlooks={name: fed}))


@pytest.mark.parametrize(("first", "last"), [(0, 5), (2, 2), (69, 76), (70, 90), (100, 135), (130, 138), (143, 143)])
def test_the_words_of_two_moments_are_never_one_over_the_other(october, first, last):
    """Far north the sun may be up for an hour."""
    day = october[0].day
    events = dict.fromkeys(("sunrise", "moonrise"), day.times[first]) | dict.fromkeys(
        ("sunset", "moonset"), day.times[last]
    )
    days = dict.fromkeys(october[0].days, replace(day, events=events))
    picture = hours_picture(replace(october[0], days=days))
    wide = float(re.search(r"viewBox='0 0 (\d+) ", picture)[1])
    for y in ("6", "14"):
        words = re.findall(rf"<text x='([\d.]+)' y='{y}' font-size='6.5' text-anchor='(\w+)'>", picture)
        (one, _), (other, _) = spans = [(x := float(at) - WORDS * (end == "end"), x + WORDS) for at, end in words]
        assert abs(one - other) >= WORDS
        assert all(left >= 0 and right <= wide for left, right in spans)


@pytest.mark.browser
def test_the_words_of_a_moment_take_no_more_room_than_is_kept_for_them(browser):
    page = browser.new_page()
    page.set_content("<svg font-family='system-ui,sans-serif'><text font-size='6.5'>moon down 20:00</text></svg>")
    wide = page.evaluate("document.querySelector('text').getComputedTextLength()")
    page.close()
    assert wide < WORDS


@pytest.mark.parametrize(("state", "word"), [(1.0, "day"), (0.5, "switching"), (0.0, "night")])
def test_the_eye_in_a_word(state, word):
    assert eye_word(state) == word


def test_a_night_is_fished_in_the_dark(sample_folder):
    beat = read_beat(sample_folder)
    result = analyse(on_day(beat, "night", None))
    suns = {f"{when:%H:%M}": sun for when, sun in zip(result.day.times, result.day.sun, strict=True)}
    assert len(result.visit.order)
    for step in result.visit.order["step"]:
        assert result.day.sun[step].altitude_deg < -6
    stances = result.visit.stances
    assert ((stances["when"].map(lambda when: suns[when].altitude_deg) < -6) == stances["dark"]).all()
    assert stances.groupby("lie")["dark"].first().all(), "those of the night come first"


def test_the_command_writes_the_picture_of_another_day(sample_folder, tmp_path):
    call = ["hours", str(sample_folder), "--date", "2026-10-10", "--picture", str(tmp_path / "hours.html")]
    done = CliRunner().invoke(main, call)
    assert done.exit_code == 0, done.output
    assert "10 Oct 2026" in done.output
    assert "10 October 2026" in (tmp_path / "hours.html").read_text(encoding="utf-8")
    two = CliRunner().invoke(main, [*call[:2], "--scene", "sunny noon", "--scene", "overcast noon"])
    assert two.exit_code == 2
    done = CliRunner().invoke(main, [*call[:4], "--picture", str(tmp_path / "no" / "hours.html")])
    assert done.exit_code == 1
    assert "Choose another place" in done.output


def test_the_water_of_that_day_counts_and_is_told(sample_folder):
    """From 20 C trout are let be (common practice)."""
    beat = read_beat(sample_folder)
    clear, _ = hours_on_beat(beat, day=date(2026, 8, 5), cloud=8)
    coloured, _ = hours_on_beat(beat, day=date(2026, 8, 5), cloud=8, clarity_m=0.4, temperature_c=21.0)
    text = hours_text(coloured)
    assert "cloud 8/8 all day, water clear to 0.4 m and 21 C" in text
    assert "let the fish be" in text
    assert "let the fish be" not in hours_text(clear)
    assert "water clear to 0.4 m and 21 C" in hours_page(coloured)
    same = clear.lies.table.index.intersection(coloured.lies.table.index)
    noon = clear.visit.hours.index[78]
    assert (coloured.visit.hours.loc[noon, same] - clear.visit.hours.loc[noon, same]).abs().max() > 0.02
