"""The hours of a day: the words, the picture, another date, and what to do under cloud."""

from __future__ import annotations

import re
from datetime import date

import pandas as pd
import pytest
from click.testing import CliRunner
from pvlib.solarposition import sun_rise_set_transit_spa

from reachmap.ask import on_day
from reachmap.beat import read_beat
from reachmap.cli import main
from reachmap.run import analyse
from reachmap.write.hours import eye_word, hours_page, hours_picture, hours_text


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
    share = [int(x) for x in re.search(r"If it clouds over, (\d+) % .* instead of (\d+) %", text).groups()]
    assert share[0] > share[1]
    assert "Local rules" in text
    order = re.findall(r"^(\d\d:\d\d)  lie (\d+)", text, re.M)
    assert [t for t, _ in order] == sorted(t for t, _ in order)
    assert [int(n) for _, n in order] == sorted(int(n) for _, n in order)
    assert "loses shade" not in text


def test_the_picture_shows_eye_shade_and_moments(october):
    picture = hours_picture(october[0], 6)
    assert picture.count("font-size='8'") == 6
    assert "url(#switching)" in picture
    assert "moon down" in picture
    page = hours_page(october[0], october[1])
    assert "http" not in page.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")


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
    assert all(suns[when].altitude_deg < -6 for when in result.visit.stances["when"])


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
