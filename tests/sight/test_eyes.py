"""Eye settings: published values, order of species and lengths, a user's own."""

from __future__ import annotations

import pytest

from reachmap.beat.model import SPECIES, Fish
from reachmap.errors import SettingError
from reachmap.sight import load_eyes
from reachmap.sight.eyes import packaged_eyes
from reachmap.sight.sourced import parse_sourced
from tests.published import load

ROWS = load("sight")
FOOT_CANDLE_LUX = 10.764


def test_least_light_of_the_species():
    eyes = load_eyes()
    order = ("brown", "brook", "rainbow", "cutthroat")
    ROWS["L9"].check([eyes.least_lux(Fish(species, eyes["scotopic_length_m"])) for species in order])


def test_larger_fish_see_in_less_light_and_more_finely():
    """Common practice: larger fish see better in low light than smaller ones."""
    eyes = load_eyes()
    small, large = Fish("brown", 0.2), Fish("brown", 0.5)
    assert eyes.least_lux(large) < eyes.least_lux(small)
    assert eyes.mar_arcmin(large) < eyes.mar_arcmin(small)


def test_turbidity_shortens_as_measured():
    eyes = load_eyes()
    ROWS["L7"].check([eyes.turbidity_factor(ntu) for ntu in (5, 10, 15, 22.5, 30)])


def test_turbidity_is_that_at_which_a_white_disk_vanishes_there():
    depths = ROWS["clarity-ntu"].expected
    assert [load_eyes().turbidity_ntu(depth) for depth in depths] == pytest.approx([5, 50], rel=0.01)


def test_the_least_angle_is_that_measured_and_half_the_fish_needs_more():
    eyes = load_eyes()
    ROWS["acuity-by-length"].check([eyes.mar_arcmin(Fish("rainbow", length)) for length in (0.20, 0.40)])
    # Twice the fish sees in half the light (assumed); down to the length from which a fish counts as a fry.
    assert eyes.least_lux(Fish("brown", 0.7)) == pytest.approx(0.0025)
    assert eyes.least_lux(Fish("brown", 0.01)) == eyes.least_lux(Fish("brown", 0.05)) == pytest.approx(0.035)


def test_cones_stop_well_above_the_least_light():
    cone_limit = 0.01 * FOOT_CANDLE_LUX
    ROWS["L8"].check(cone_limit)
    assert all(load_eyes().least_lux(Fish(s)) < cone_limit for s in SPECIES)


def test_every_setting_has_a_source():
    file = packaged_eyes()
    for section in file.sections():
        assert file.source(section)


def test_a_users_own_value_counts():
    eyes = load_eyes(parse_sourced('[eyes.thing_m]\nvalue = 0.02\nsource = "mine"\n', "my.toml"))
    assert eyes["thing_m"] == 0.02
    assert eyes["light_full_lux"] == load_eyes()["light_full_lux"]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ('[eyes.thing_m]\nvalue = -1\nsource = "x"', r"my.toml, line 2, \[eyes.thing_m\] value: -1 is out of range"),
        ('[eyes.thing_m]\nvalue = "a"\nsource = "x"', "expected a number, got 'a'"),
        ("[eyes.thing_m]\nvalue = 1.0", r"\[eyes.thing_m\] source: this entry is missing.*assumed"),
        ('\n[eyes.thing]\nvalue = 1.0\nsource = "x"', r"line 2, \[eyes.thing\]: no such section. There are: eyes"),
        ('[eyes.thing_m]\nvalue = 1.0\nsource = "x"\nsize = 2', r"line 4, \[eyes.thing_m\] size: no such entry"),
        (
            '[eyes.contrast]\nvalue = 0.3\nsource = "x"\n[eyes.contrast_least]\nvalue = 0.4\nsource = "x"',
            r"my.toml, line 5, \[eyes.contrast_least\] value: 0.4 is not below \[eyes.contrast\], which is 0.3",
        ),
        ('[eyes.turbidity]\npoints = [[5, 1], [3, 1]]\nsource = "x"', "3 follows 5. Put the pairs in rising order"),
        ('[eyes.turbidity]\npoints = [[5, 1.2]]\nsource = "x"', "1.2 is out of range"),
        ('[eyes.turbidity]\npoints = []\nsource = "x"', "expected a list of pairs"),
        ('[eyes.turbidity]\npoints = [[1, "b"]]\nsource = "x"', "is not a pair of numbers"),
    ],
)
def test_what_cannot_be_used_is_refused_with_its_line(text, match):
    with pytest.raises(SettingError, match=match):
        load_eyes(parse_sourced(text, "my.toml"))
