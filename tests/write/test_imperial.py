"""Feet at the edge: exact factors, our sentences turned, the user's words left alone."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from reachmap.ask import Changed
from reachmap.beat import read_beat
from reachmap.beat.model import Fish, Water
from reachmap.errors import SettingError
from reachmap.run import analyse
from reachmap.write import card_page, summarise
from reachmap.write.imperial import as_typed, in_feet
from reachmap.write.summary import fish_words
from reachmap.write.vectors import write_waypoints
from tests import toy


@pytest.mark.parametrize(
    ("metric", "feet"),
    [
        # 1 ft = 0.3048 m, 1 in = 25.4 mm, 1 mph = 0.44704 m/s by definition; 20 C = 68 F.
        ("1.2 m deep, slow beside a drift of 0.5 m/s", "3.9 ft deep, slow beside a drift of 1.1 mph"),
        ("320 m2 of water, 4.50 m3/s", "3444 sq ft of water, 159 cfs"),
        ("brown trout of 36 cm", "brown trout of 14 in"),
        ("care from 18 C, no fishing from 20 C", "care from 64 F, no fishing from 68 F"),
        ("Cast 2 to 12 m above the lie", "Cast 6.6 to 39 ft above the lie"),
        ("Fly seen at 1.57 to 1.58 m", "Fly seen at 5.2 ft"),
        ("feeding water 481 m below the head", "feeding water 1578 ft below the head"),
        ("viewBox='0 0 12 m' cloud 1/8 at 13:00", "viewBox='0 0 39 ft' cloud 1/8 at 13:00"),
        ("lie 3, rank 2; 7 more gain", "lie 3, rank 2; 7 more gain"),
        ("A4;margin:11mm 148mm 210mm", "A4;margin:11mm 148mm 210mm"),
    ],
)
def test_our_sentences(metric, feet):
    assert in_feet(metric) == feet


def test_what_was_typed_stays():
    assert in_feet(as_typed("The 5 m weir") + ": 1.0 m deep") == "The 5 m weir: 3.3 ft deep"
    assert in_feet(as_typed("a\x03 2 m \x02b") + " 1.0 m") == "a 2 m b 3.3 ft"


@pytest.mark.parametrize("words", ["1", "m", "0.7 m", "deep", "C", "\x02", "3 ft"])
def test_short_names_leave_no_number_unturned(words):
    """Metres beside feet in one list would be read as feet by the water."""
    made = toy.result(toy.channel(1.0, beat=toy.beat(scenes=(replace(toy.scenes()[0], name=words),))))
    beat = replace(made.channel.beat, units="imperial", name=words)
    other = replace(made, channel=replace(made.channel, beat=beat))
    plain = replace(other, channel=replace(made.channel, beat=replace(beat, units="metric")))
    for write in (summarise, card_page):
        mine = write(other)
        assert len(re.findall(r"[\d.]+ (?:ft|mph|sq ft)", mine)) >= len(re.findall(r"[\d.]+ m(?![\w/])", write(plain)))
        assert not re.search(r"\d m(/s)? ", mine.replace(words, ""))
        assert "\x02" not in mine + write(plain)


@pytest.mark.parametrize("inches", range(4, 40))
def test_a_length_in_inches_comes_back_as_it_was_typed(inches):
    assert in_feet(fish_words(Fish("brown", inches * 0.0254))) == f"brown trout of {inches} in"
    assert in_feet(Changed(length_m=inches * 0.0254).words) == f"{inches} in long"


@pytest.mark.parametrize("feet", ["0.7", "6.0", "11.0", "22.5", "40"])
def test_a_clarity_in_feet_comes_back_as_it_was_typed(feet):
    """1 ft = 0.3048 m."""
    scene = replace(toy.scenes()[0], water=Water(clarity_m=float(feet) * 0.3048))
    made = toy.result(toy.channel(1.0, beat=toy.beat(scenes=(scene,), units="imperial")))
    assert f"water clear to {feet} ft" in summarise(made)
    assert f"clear to {feet} ft" in card_page(made)
    changed = Changed(clarity_m=float(feet) * 0.3048).words
    assert in_feet(changed) == f"clarity {feet} ft"


def test_a_level_the_survey_can_not_stand_for_is_refused_in_feet(sample_folder):
    beat = replace(read_beat(sample_folder), units="imperial")
    with pytest.raises(
        SettingError, match=r"change of level of \+6\.6 ft is more than half the mean depth of \d\.\d ft"
    ):
        analyse(beat, stage_m=2.0)


@pytest.mark.parametrize(
    ("units", "mine", "other"), [("imperial", " ft deep", " m deep"), ("metric", " m deep", " ft")]
)
def test_waypoints_are_in_the_units_of_the_rest(tmp_path, units, mine, other):
    ch = toy.channel(1.0, beat=toy.beat(scenes=(replace(toy.scenes()[0], name="by the 5 m weir"),), units=units))
    write_waypoints(toy.result(ch), tmp_path / "waypoints.gpx")
    text = (tmp_path / "waypoints.gpx").read_text(encoding="utf-8")
    assert mine in text
    assert other not in text
    assert "by the 5 m weir, " in text
    assert "\x02" not in text


def test_summary_and_card_in_feet():
    made = toy.result(toy.channel(1.0))
    beat = replace(made.channel.beat, units="imperial", name="The 5 m <weir>")
    other = replace(made, channel=replace(made.channel, beat=beat))
    for text in (summarise(other), card_page(other)):
        assert " ft deep" in text
        assert " m deep" not in text
        assert " m/s" not in text
        assert "The 5 m " in text
    assert " m deep" in summarise(made)
