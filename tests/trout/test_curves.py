"""Curves: published anchors, shifts by fish and season, a user's own file, plain tables."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.beat.model import SPECIES, Fish
from reachmap.errors import OutputError, SettingError
from reachmap.trout import FACTORS, load_curves, write_curves
from reachmap.trout.curves import packaged_curves
from reachmap.trout.shift import winter_share
from tests.published import load

ROWS = load("trout")


@pytest.fixture
def curves():
    return load_curves()


def test_anchors_of_the_curves(curves):
    ROWS["nose-day"].check(curves.day["nose"].exact([0.267, 0.50]))
    ROWS["nose-night"].check(curves.night["nose"].exact(0.03))
    ROWS["depth-day"].check(curves.day["depth"].exact([0.65, 0.28]))


def test_walking_pace_feeds_best(curves):
    speed = np.linspace(0, 2.5, 251)
    best = speed[curves.day["food"].exact(speed) >= 0.999]
    ROWS["T1"].check([best.min(), best.max()])
    assert curves.day["food"].exact(1.34) > 0.8


def test_every_section_has_a_source():
    file = packaged_curves()
    for section in file.sections():
        assert file.source(section)


def test_order_of_the_species_in_the_dark(curves):
    least = {s: curves.eyes.least_lux(Fish(s, 0.35)) for s in SPECIES}
    species = np.sign(max(least["brown"], least["brook"]) - min(least["rainbow"], least["cutthroat"]))
    lengths = np.sign(curves.eyes.least_lux(Fish("brown", 0.5)) - curves.eyes.least_lux(Fish("brown", 0.25)))
    ROWS["T8"].check([species, lengths])


def test_the_night_suits_brown_better_than_rainbow(curves):
    lux = np.log10([0.005, 0.02])
    brown, rainbow = (curves.shifted(Fish(s), 12.0)[1]["light"].exact(lux) for s in ("brown", "rainbow"))
    assert np.all(brown > rainbow)


def test_bigger_fish_lie_deeper_and_swifter(curves):
    """Criteria review OSTI 219932 and Heggenes 2002: bigger fish in deeper, swifter water."""
    small, large = (curves.shifted(Fish("brown", size), 12.0)[0] for size in (0.20, 0.50))
    for factor in ("depth", "nose"):
        centre = [np.mean([x for x, y in c[factor].points if y == 1.0]) for c in (small, large)]
        assert centre[0] < centre[1], factor


def test_shade_weighs_most_for_brown(curves):
    """Order brown, brook, cutthroat, rainbow: assumed in the curves file; brown over rainbow from memory."""
    order = [curves.shifted(Fish(s), 12.0)[0]["light"].weight for s in ("brown", "brook", "cutthroat", "rainbow")]
    assert order == sorted(order, reverse=True)
    assert len(set(order)) == 4


def test_what_multiplies_the_weights_is_told(curves):
    """Whatever the weights are, and where one is 0 too."""
    for fish, warm in ((Fish("rainbow"), 3.0), (Fish("brook", 0.2), None), (Fish(), 7.0)):
        by_eye = curves.weighing(fish, warm)
        for eye, shifted in zip(("day", "night"), curves.shifted(fish, warm), strict=True):
            for k, factor in enumerate(FACTORS):
                assert getattr(curves, eye)[factor].weight * by_eye[eye][k] == pytest.approx(shifted[factor].weight)
    bare = curves.with_weights({"day": {"light": 0.0}}, "a test")
    np.testing.assert_array_equal(
        bare.weighing(Fish("rainbow"), 3.0)["day"], curves.weighing(Fish("rainbow"), 3.0)["day"]
    )


def test_winter_slows_them_down(curves):
    """Dieterman et al. 2018: big brown in winter in columns slower than 0.10 m/s, near wood."""
    summer, winter = (curves.shifted(Fish(), t)[0] for t in (13.0, 3.0))
    assert winter["nose"].exact(0.05) > summer["nose"].exact(0.05)
    assert winter["nose"].exact(0.35) < summer["nose"].exact(0.35)
    assert winter["cover"].weight > summer["cover"].weight


def test_winter_sets_in_between_the_two_temperatures(curves):
    shares = [winter_share(t, curves.settings) for t in (None, 15.0, 10.0, 8.0, 6.0, 2.0)]
    assert shares == [0, 0, 0, 0.5, 1, 1]


def test_tables_are_plain_and_final(curves):
    mine = load_curves(fish=Fish("rainbow", 0.41), temperature_c=8.0)
    tables = json.loads(json.dumps(mine.tables()))
    assert tables["factors"] == list(FACTORS)
    own = tables["fish"][0]
    assert (own["species"], own["length_m"]) == ("rainbow", 0.41)
    day, night = curves.shifted(Fish("rainbow", 0.41), 8.0)
    for got, final in ((own["day"][0], day), (own["night"], night)):
        for factor in FACTORS:
            assert got[factor]["weight"] == pytest.approx(final[factor].weight)
            assert np.allclose(got[factor]["points"], final[factor].points)
    assert {f["species"] for f in tables["fish"]} == set(SPECIES)
    at_two = mine.tables([13.0, 8.0])["fish"][0]
    assert at_two["day"][1] == mine.tables()["fish"][0]["day"][0] != at_two["day"][0]


@given(
    st.sampled_from(sorted(packaged_curves().sections())),
    st.sampled_from(["value", "weight", "points", "source", "ra", "shade_weight", "other"]),
    st.recursive(
        st.one_of(st.integers(), st.floats(), st.booleans(), st.text("abc", max_size=5)), st.lists, max_leaves=8
    ),
)
def test_any_value_is_used_or_refused_with_its_place(section, key, value):
    """NaN and infinity are valid TOML numbers too."""
    text = json.dumps(value).replace("NaN", "nan").replace("Infinity", "inf")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "my.toml"
        path.write_text(f"[{section}]\n{key} = {text}\n" + ('source = "me"\n' if key != "source" else ""))
        refused = None
        try:
            load_curves(path)
        except SettingError as error:
            refused = error
    assert refused is None or f"[{section}]" in str(refused)


def test_written_curves_read_back_the_same(tmp_path, curves):
    path = write_curves(tmp_path / "my.toml")
    assert "Strakosh" in path.read_text(encoding="utf-8")
    again = load_curves(path)
    assert (again.day, again.night, again.settings, again.eyes) == (
        curves.day,
        curves.night,
        curves.settings,
        curves.eyes,
    )


def test_changed_weights_are_kept_with_their_provenance(tmp_path, curves):
    mine = curves.with_weights({"day": {"food": 2.0}, "night": {"nose": 0.5}}, 'log of "three" trips')
    again = load_curves(write_curves(tmp_path / "w.toml", mine))
    assert again.day["food"].weight == 2.0
    assert again.night["nose"].weight == 0.5
    assert 'log of "three" trips' in again.day["food"].source
    assert again.day["nose"] == curves.day["nose"]
    assert curves.day["food"].weight == 1.0, "the original is left as it was"


def test_an_existing_file_is_left_alone(tmp_path):
    path = tmp_path / "my.toml"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="there is such a file already"):
        write_curves(path)
    assert path.read_text(encoding="utf-8") == "mine"


def test_a_place_that_cannot_be_written(tmp_path):
    with pytest.raises(OutputError, match="can't be written"):
        write_curves(tmp_path / "no" / "my.toml")


def test_a_part_of_the_file_is_enough(tmp_path, curves):
    path = tmp_path / "my.toml"
    path.write_text('[day.food]\nweight = 3\npoints = [[0, 0.1], [1, 1]]\nsource = "my log"\n', encoding="utf-8")
    mine = load_curves(path)
    assert mine.day["food"].points == ((0.0, 0.1), (1.0, 1.0))
    assert mine.day["nose"] == curves.day["nose"]


NO_WEIGHT = [f'[night.{factor}]\nweight = 0\npoints = [[0, 1]]\nsource = "me"' for factor in FACTORS]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (
            '[day.nose]\nweight = 1\npoints = [[0, 0.2],\n[0, 1]]\nsource = "me"',
            r"line 3, \[day.nose\] points: 0 follows 0",
        ),
        (
            '[day.nose]\nweight = -1\npoints = [[0, 1]]\nsource = "me"',
            r"line 2, \[day.nose\] weight: -1 is out of range",
        ),
        ("[day.nose]\nweight = 1\npoints = [[0, 1]]", r"\[day.nose\] source: this entry is missing.*assumed"),
        ('[day.nose]\npoints = [[0, 1]]\nsource = "me"', r"\[day.nose\] weight: this entry is missing"),
        ('[day.noise]\nweight = 1\npoints = [[0, 1]]\nsource = "me"', r"\[day.noise\]: no such section"),
        ("[dawn.nose]\nweight = 1", "no such section. Sections begin with one of: cover, day"),
        ("lies = 3", "no such section"),
        ('[shift.winter_c]\nvalue = 12\nsource = "me"', r"line 2, .*not below \[shift.summer_c\]"),
        (
            '[shift.summer_c]\nvalue = 4\nsource = "me"',
            r"line 2, .*4 is not above \[shift.winter_c\], which is 6. Make \[shift.winter_c\] the smaller",
        ),
        (
            '[lies.most_area_m2]\nvalue = 1.0\nsource = "me"',
            r"line 2, .*1 is not above \[lies.least_area_m2\], which is 1.5. Make \[lies.least_area_m2\] the smaller",
        ),
        ('[eyes.contrast_least]\nvalue = 0.5\nsource = "me"', r"line 2, .*0.5 is not below \[eyes.contrast\]"),
        ("\n".join(NO_WEIGHT), r"line 2, \[night.food\] weight: no factor of this eye has a weight"),
        ('[lies.prominence]\nvalue = true\nsource = "me"', "expected a number, got True"),
        ('[lies.prominence]\nvalue = nan\nsource = "me"', "expected a number, got nan"),
        ('[lies.prominence]\nvalue = 0.1\nsource = " "', "expected words"),
    ],
)
def test_what_cannot_be_used_is_refused_with_its_line(tmp_path, text, match):
    path = tmp_path / "my.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingError, match=match) as refused:
        load_curves(path)
    assert str(path) in str(refused.value)
