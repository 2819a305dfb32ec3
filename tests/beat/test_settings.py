"""beat.toml: units both ways, scenes in the beat's time, the three usual scenes."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import ephem
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat import check_beat, read_beat
from reachmap.beat import read as read_module
from reachmap.beat.catalogue import BED_D84_M, SECTIONS
from reachmap.beat.columns import FLOW, LENGTH, SPEED, SYNONYMS, split_unit
from reachmap.beat.model import Water
from reachmap.beat.numbers import NotNumberError, number
from reachmap.beat.scenes import coming_solstice, usual_scenes
from reachmap.whole import checksum
from tests.beat.folders import TOML, make
from tests.published import load


def read(tmp_path, toml):
    """A beat with other settings."""
    return read_beat(make(tmp_path / "beat", toml=toml))


@pytest.mark.parametrize(
    ("setting", "want"),
    [
        # 1 in = 0.0254 m, 1 ft = 0.3048 m by definition; 59 F = 15 C; 100 cfs = 2.8317 m3/s.
        ("[water]\nclarity_in = 30", ("water", "clarity_m", 0.762)),
        ("[water]\nclarity_cm = 80", ("water", "clarity_m", 0.8)),
        ("[water]\ntemperature_f = 59", ("water", "temperature_c", 15.0)),
        ("[fish]\nlength_in = 14", ("fish", "length_m", 0.3556)),
        ("[survey]\nflow_cfs = 100", ("", "flow_m3_s", 2.8316846592)),
        ("[survey]\nflow_l_s = 850", ("", "flow_m3_s", 0.85)),
        ("[survey]\nd84_mm = 90", ("", "d84_m", 0.09)),
    ],
)
def test_settings_in_other_units(tmp_path, setting, want):
    beat = read(tmp_path, 'name = "a"\ntime_zone = "Europe/London"\n' + setting + "\n")
    part, name, value = want
    assert getattr(getattr(beat, part) if part else beat, name) == pytest.approx(value)


def test_fahrenheit_of_the_warm_water_cautions(tmp_path):
    told = [read(tmp_path / str(f), f"name = 'a'\n[water]\ntemperature_f = {f}\n") for f in (68, 70, 73)]
    load("visit")["W4"].check([beat.water.temperature_c for beat in told])


def test_the_same_setting_twice_is_refused(tmp_path):
    found = check_beat(make(tmp_path / "beat", toml=TOML.replace("clarity_m = 2.5", "clarity_m = 2.5\nclarity_ft = 8")))
    assert [f.code for f in found if f.severity == "error"] == ["setting-twice"]


def test_settings_saved_while_the_soundings_are_read_are_not_taken_for_those_that_were(tmp_path, monkeypatch):
    folder = make(tmp_path / "beat")
    toml, soundings = folder / "beat.toml", read_module.read_soundings

    def saved_meanwhile(*given):
        toml.write_text(TOML.replace("clarity_m = 2.5", "clarity_m = 0.5"))
        return soundings(*given)

    before = checksum(toml)
    monkeypatch.setattr(read_module, "read_soundings", saved_meanwhile)
    beat = read_beat(folder)
    assert (beat.water.clarity_m, beat.sources["beat.toml"]) == (2.5, before)


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ('bed = "cobbel"', ["setting-word"]),
        ("bed = 3", ["setting-kind"]),
        ("d84_mm = 90000", ["setting-range"]),
        ("", ["bed-assumed"]),
    ],
)
def test_a_bed_is_assumed_only_where_none_is_given(tmp_path, written, told):
    found = check_beat(make(tmp_path / "beat", toml=TOML.replace('bed = "cobble"', written)))
    assert [f.code for f in found if f.severity == "error" or f.code == "bed-assumed"] == told


def test_a_bed_is_assumed_where_the_survey_is_no_table(tmp_path):
    found = check_beat(make(tmp_path / "beat", toml='survey = 3\nname = "a"\ntime_zone = "Europe/London"\n'))
    assert {"setting-table", "bed-assumed"} <= {f.code for f in found}


def test_limits_are_told_in_the_users_unit(tmp_path):
    found = check_beat(make(tmp_path / "beat", toml=TOML.replace("temperature_c = 13", "temperature_f = 130")))
    assert "between 30.2 and 104" in next(f.what for f in found if f.severity == "error")


@pytest.mark.parametrize(
    ("when", "utc"),
    [
        ("2026-06-20T13:00:00", datetime(2026, 6, 20, 12, tzinfo=UTC)),
        ('"2026-06-20 13:00"', datetime(2026, 6, 20, 12, tzinfo=UTC)),
        ('"2026-12-20 13:00"', datetime(2026, 12, 20, 13, tzinfo=UTC)),
        ("2026-06-20T13:00:00+02:00", datetime(2026, 6, 20, 11, tzinfo=UTC)),
        ("2026-06-20", datetime(2026, 6, 20, 11, tzinfo=UTC)),
    ],
)
def test_scenes_are_in_the_beats_time(tmp_path, when, utc):
    beat = read(tmp_path, TOML.replace('"2026-06-20 13:00"', when))
    assert beat.scenes[0].when == utc
    assert beat.scenes[0].water == beat.water


def test_a_scene_has_water_of_its_own(tmp_path):
    given = 'clarity_m = 0.6\ncolour = "cloudy"\ntown_glow_lux = 0.01\nleaf_on = false\n'
    beat = read(tmp_path / "one", TOML + given)
    scene = beat.scenes[0]
    assert (scene.water.clarity_m, scene.water.colour, scene.water.temperature_c) == (0.6, "cloudy", 13)
    assert read(tmp_path / "cold", TOML + given + "temperature_f = 39.2\n").scenes[
        0
    ].water.temperature_c == pytest.approx(4)
    assert (scene.town_glow_lux, scene.leaf_on) == (0.01, False)


def test_a_town_told_of_in_one_scene_lights_all_that_say_nothing_of_it(tmp_path):
    night = '[[scenes]]\nname = "night"\nwhen = "2026-06-21 00:30"\n'
    beat = read(tmp_path, f"{TOML}{night}town_glow_lux = 0.3\n{night.replace('night', 'dark')}town_glow_lux = 0.0\n")
    assert [scene.town_glow_lux for scene in beat.scenes] == [0.3, 0.3, 0.0]


@pytest.mark.parametrize("written", ['"2026-06-20"', "2026-06-20", '" 20260620 "'])
def test_a_day_without_an_hour_is_noon_and_told(tmp_path, written):
    beat = read(tmp_path, TOML.replace('"2026-06-20 13:00"', written))
    assert beat.scenes[0].when == datetime(2026, 6, 20, 12, tzinfo=ZoneInfo("Europe/London"))
    (told,) = [f for f in beat.findings if f.code == "setting-day-alone"]
    assert (told.severity, told.where) == ("warning", "[[scenes]] number 1 when")


@pytest.mark.parametrize("name", ["Sunny Noon", "sunny noon"])
def test_scenes_told_apart_by_capitals_only_are_one_name(tmp_path, name):
    again = f'[[scenes]]\nname = "{name}"\nwhen = "2026-06-20 21:00"\n'
    found = check_beat(make(tmp_path / "beat", toml=TOML + again))
    assert [f.code for f in found if f.severity == "error"] == ["scene-twice"]


def test_three_usual_scenes():
    scenes = usual_scenes(date(2026, 6, 14), Water(), 54.6, -2.8, "Europe/London")
    assert [(s.name, s.cloud) for s in scenes] == [("sunny noon", 1), ("overcast noon", 8), ("full moon night", 0)]
    # Solar noon at 2.8 W in mid June: 12:11 UT by longitude, the equation of time is about zero (common practice).
    noon = scenes[0].when.astimezone(UTC)
    assert abs((noon - datetime(2026, 6, 14, 12, 11, tzinfo=UTC)).total_seconds()) < 5 * 60
    # Full moons of 2026 next to 14 June: 31 May 08:45 UT and 29/30 June 23:57 UT (from memory, almanacs).
    night = scenes[2].when.astimezone(UTC)
    assert min(abs((night - m).total_seconds()) for m in (
        datetime(2026, 5, 31, 8, 45, tzinfo=UTC), datetime(2026, 6, 29, 23, 57, tzinfo=UTC),
    )) < 14 * 3600  # fmt: skip
    assert scenes[2].when.tzinfo == ZoneInfo("Europe/London")
    assert scenes[2].when.hour in (23, 0, 1, 2), "the moon stands highest about local midnight"


@pytest.mark.parametrize("month", [3, 6, 9, 12])
@pytest.mark.parametrize("lat", [-68.0, -54.5, -43.5, 0.0, 45.0, 54.0, 58.0, 62.0, 66.0, 70.0])
def test_the_full_moon_night_has_a_moon_in_a_dark_sky(lat, month):
    """At 62 N the sun stands 4 degrees down at midnight about midsummer, and the full moon at the horizon (ephem)."""
    day = date(2026, month, 20)
    night = usual_scenes(day, Water(), lat, 25.0, "Europe/Helsinki")[2].when
    place = ephem.Observer()
    place.lat, place.lon, place.date = str(lat), "25", night.astimezone(UTC).replace(tzinfo=None)
    sun, moon = ephem.Sun(place), ephem.Moon(place)
    assert math.degrees(sun.alt) < -11.9
    assert math.degrees(moon.alt) > 4.9
    assert moon.phase > 98
    # Farther off than the nearest only where no nearer night will do.
    assert abs((night.date() - day).days) < (16 if abs(lat) <= 50 else 120)


@pytest.mark.parametrize(
    ("today", "lat", "want"),
    [
        (date(2026, 1, 5), 54, date(2026, 6, 20)),
        (date(2026, 6, 20), 54, date(2026, 6, 20)),
        (date(2026, 7, 1), 54, date(2027, 6, 20)),
        (date(2026, 7, 1), -41, date(2026, 12, 20)),
    ],
)
def test_the_coming_solstice(today, lat, want):
    assert coming_solstice(today, lat) == want


def test_beds_lie_in_their_grades():
    # Wentworth 1922: gravel (pebble) 2-64 mm, cobble 64-256 mm, boulder above.
    assert BED_D84_M["sand"] <= 0.002 <= BED_D84_M["gravel"] <= BED_D84_M["coarse gravel"] <= 0.064
    assert 0.064 <= BED_D84_M["cobble"] <= 0.256 <= BED_D84_M["boulders"]


def test_every_example_of_the_catalogue_is_taken(tmp_path):
    lines = []
    for section, settings in SECTIONS.items():
        if section in ("", "scenes", "place"):
            continue
        lines.append(f"[{section}]")
        lines += [f"{key} = {setting.example}" for key, setting in settings.items() if key not in ("d84_m", "head")]
    beat = read(tmp_path, 'name = "a"\ntime_zone = "Europe/London"\n' + "\n".join(lines))
    assert beat.flow_m3_s == 3.1


@pytest.mark.parametrize(
    ("header", "want"),
    [
        ("Depth (ft)", ("depth", "ft")),
        ("depth_m", ("depth", "m")),
        ("Water Depth [cm]", ("water_depth", "cm")),
        ("speed m/s", ("speed", "m_s")),
        ("SPEED_MPH", ("speed", "mph")),
        ("velocity (ft s-1)", ("velocity", "ft_s_1")),
        ("Depth", ("depth", "")),
        ("d", ("d", "")),
        ("T\u00e9mp (\u00b0C)", ("temp", "degc")),
        ("depth of snow", ("depth_of_snow", "")),
    ],
)
def test_headers_are_split_into_name_and_unit(header, want):
    quantity = dict.fromkeys(SYNONYMS["depth"], "length") | dict.fromkeys(SYNONYMS["speed"], "speed")
    assert split_unit(header, quantity) == want


BY_DEFINITION = [
    (LENGTH, "m metre metres meter meters", 1.0),
    (LENGTH, "cm", 0.01),
    (LENGTH, "mm", 0.001),
    (LENGTH, "km", 1000.0),
    # International yard and pound agreement of 1959; nautical mile of 1929 (1852 m).
    (LENGTH, "ft foot feet", 0.3048),
    (LENGTH, "in inch inches", 0.0254),
    (LENGTH, "yd yard yards", 0.9144),
    (LENGTH, "fathom fathoms", 1.8288),
    (SPEED, "m_s ms mps m_sec m_s_1", 1.0),
    (SPEED, "cm_s cms", 0.01),
    (SPEED, "ft_s fps ft_sec", 0.3048),
    (SPEED, "mph mi_h", 0.44704),
    (SPEED, "km_h kmh kph", 1000 / 3600),
    (SPEED, "kn kt kts knots", 1852 / 3600),
    (FLOW, "m3_s cumecs", 1.0),
    (FLOW, "l_s", 0.001),
    (FLOW, "cfs ft3_s", 0.028316846592),
]
"""Unit table, names, value in its SI unit; none is left out."""


@pytest.mark.parametrize(("table", "names", "value"), BY_DEFINITION)
def test_units_by_definition(table, names, value):
    assert {name: table[name] for name in names.split()} == pytest.approx(dict.fromkeys(names.split(), value))


def test_no_unit_is_without_its_definition():
    for table in (LENGTH, SPEED, FLOW):
        assert set(table) == {name for one, names, _ in BY_DEFINITION if one is table for name in names.split()}


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_is_read_back(value):
    assert number(repr(value)) == value
    assert number(repr(value).replace(".", ","), ",") == value


@pytest.mark.parametrize("cell", ["", " ", "n/a", "NA", "-", "null", None])
def test_cells_that_say_nothing(cell):
    assert number(cell) != number(cell)


@pytest.mark.parametrize(
    ("cell", "why"),
    [
        ("deep", "text"),
        ("1_000", "text"),
        ("0x10", "text"),
        ("0,85", "decimal-comma"),
        ("1,234.5", "decimal-comma"),
        ("inf", "infinite"),
        ("-Infinity", "infinite"),
        ("1e400", "infinite"),
        (True, "text"),
    ],
)
def test_cells_that_are_no_number(cell, why):
    with pytest.raises(NotNumberError, match=why):
        number(cell)


def test_a_moment_told_by_another_clock_is_turned_to_that_of_the_place(tmp_path):
    """11:00 UTC is noon in a British summer; half past eleven at night is the next day there."""
    told = ("2026-06-20T11:00:00Z", "2026-06-20T13:00:00+02:00", "2026-06-20T23:30:00Z")
    scenes = "".join(f"[[scenes]]\nname = '{when}'\nwhen = {when}\n" for when in told)
    beat = read(tmp_path, f"name = 'a'\ntime_zone = 'Europe/London'\n{scenes}")
    assert [f"{scene.when:%d %H:%M}" for scene in beat.scenes] == ["20 12:00", "20 12:00", "21 00:30"]
