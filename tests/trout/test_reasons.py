"""The sentence of a lie says what is there, in words a client understands."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import timedelta

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from reachmap.beat.model import Fish, Skyline
from reachmap.light import bed_terms
from reachmap.light.eye import eye_aim
from reachmap.light.model import Body
from reachmap.trout import FACTORS, find_lies, load_curves, outlook_for
from reachmap.trout.energy import FED
from reachmap.trout.reasons import Place, describe_places, moon_at_bed, night_words, say_why
from reachmap.trout.shift import Curve
from tests import toy

CURVES = load_curves()


def sentences(channel, light, day=None):
    name = light.scene.name
    outlooks = {name: outlook_for(channel, light, CURVES)}
    lies = find_lies(channel, outlooks, days={name: day} if day else None, curves=CURVES)
    return lies, lies.scenes[name]["why"]


def near(lies, x, y):
    return int(np.hypot(lies.table["x"] - x, lies.table["y"] - y).idxmin())


@pytest.fixture(scope="module")
def noon(toy_channel):
    return toy.light(toy_channel, toy.scenes()[0])


def test_the_undercut_under_the_alders(toy_channel, noon):
    lies, why = sentences(toy_channel, noon, toy.day(toy_channel))
    text = why[near(lies, -20, -7)]
    assert re.match(r"\d\.\d m deep along the undercut bank", text)


def test_the_boulder_and_its_seam(toy_channel):
    lies, why = sentences(toy_channel, toy.light(toy_channel, toy.scenes()[1]))
    text = why[near(lies, 12, 1)]
    assert "by a boulder" in text
    assert "slow beside a 0.4 m/s seam" in text


def test_shade_is_named_by_what_stands_toward_the_sun(toy_channel, noon):
    _, why = sentences(toy_channel.with_layers(overhead=np.zeros(toy_channel.grid.n_wet, np.float32)), noon)
    shaded = [text for text in why if "in the shade of" in text]
    assert shaded
    away = replace(noon, sun=Body(58.0, 0.0, 1e5))
    _, why = sentences(toy_channel.with_layers(overhead=np.zeros(toy_channel.grid.n_wet, np.float32)), away)
    assert not any("alders" in text for text in why)


@pytest.mark.parametrize("line", [False, True])
@pytest.mark.parametrize("azimuth_deg", [0.0, 50.0, 90.0, 135.0, 180.0, 250.0, 270.0, 320.0])
def test_the_tree_toward_the_sun_is_named_wherever_it_stands(toy_channel, noon, azimuth_deg, line):
    """With the sun 30 degrees up a tree of 9 m throws 9 / tan 30 = 15.6 m of shadow: from 12 m off toward the sun it
    reaches a lie, from 20 m it doesn't, nor from 12 m to any other side. A nearer hedge counts before it."""
    shaded = replace(
        noon,
        sun=Body(30.0, azimuth_deg, 5e4),
        layers=noon.layers | {"sun_share": 0 * noon["sun_share"] + 0.01, "shade_edge": 0 * noon["sun_share"]},
    )
    place, turn = Place(np.arange(4), (3.0, 1.0), 0.8, 0.2, 0.2, 0.5, 0.0, "", False), math.radians(azimuth_deg)
    toward = np.array([math.sin(turn), math.cos(turn)])
    aside = np.array([-toward[1], toward[0]])

    def drawn(away):
        at = np.array(place.centre) + away
        return shapely.LineString([at - 0.5 * aside, at + 0.5 * aside]) if line else shapely.Point(at).buffer(0.5)

    def told(*stands):
        rows = {
            "kind": [kind for kind, _ in stands],
            "height_m": [{"tree": 9.0, "bridge": 7.5}.get(kind, 3.0) for kind, _ in stands],
            "base_m": [6.0 if kind == "bridge" else np.nan for kind, _ in stands],
            "radius_m": [1.0 if kind == "tree" else 0.0 for kind, _ in stands],
            "leaf": "willow",
            "note": "",
        }
        shade = gpd.GeoDataFrame(rows, geometry=[drawn(away) for _, away in stands], crs=toy.CRS_LOCAL)
        channel = replace(toy_channel, beat=replace(toy_channel.beat, shade=shade))
        suits = dict.fromkeys(FACTORS, 1.0)
        return say_why(channel, place, shaded, "food", suits, None, CURVES.shifted(Fish(), 13)).now

    others = [("tree", 20 * toward), ("tree", -12 * toward), ("tree", 12 * aside), ("tree", -12 * aside)]
    assert "0.8 m deep in shade, " in told(*others)
    assert "in the shade of the willows" in told(*others, ("tree", 12 * toward))
    assert "in the shade of the hedge" in told(*others, ("tree", 12 * toward), ("hedge", 4 * toward))
    # The ray to the bed enters the water 0.8 m x tan(asin(cos 30 / 1.333)) = 0.68 m nearer to the sun (Snell's law).
    # So a hedge of 3 m, which throws 3 / tan 30 = 5.2 m, does it with its near side 5.35 to 5.6 m off, and alone.
    assert "in the shade of the hedge" in told(("hedge", 6.1 * toward))
    # 6 m over the water, 4 m off, the sun shines in under it.
    assert "in the shade of the willows" in told(*others, ("tree", 12 * toward), ("bridge", 4 * toward))


def test_no_tree_is_named_where_no_sun_at_all_comes_through(toy_channel, noon):
    """Beer's law leaves something behind any leaves, nothing behind a hill, though trees stand before it."""
    valley = Skyline(np.array([0.0, 120.0, 240.0]), np.array([0.0, 70.0, 70.0]))
    roofless = toy_channel.with_layers(overhead=np.zeros(toy_channel.grid.n_wet, np.float32))
    roofless = replace(roofless, beat=replace(roofless.beat, skyline=valley))

    def shades(channel, share):
        layers = {**noon.layers, "sun_share": np.where(noon["sun_share"] < 0.5, np.float32(share), noon["sun_share"])}
        _, why = sentences(channel, replace(noon, layers=layers))
        return [found[1] for text in why if (found := re.search(r"shade of ([^,]*),", text))]

    assert "the alders" in shades(roofless, 1e-6)
    assert set(shades(roofless, 0.0)) == {"the bank or the valley side"}
    beat = roofless.beat
    both = gpd.GeoDataFrame(pd.concat([beat.shade, beat.shade.assign(kind="wall")]), crs=beat.crs)
    assert "the wall" in shades(replace(roofless, beat=replace(beat, shade=both)), 0.0)


def test_no_land_is_named_where_none_was_told_of(toy_channel, noon):
    """Two crowns to the south shade the sides of a lie, and between them the sun shines on its middle."""
    x, flat = toy_channel.grid.x, 0 * noon["sun_share"]
    cells = np.flatnonzero((np.abs(x - 30) < 1.5) & (np.abs(toy_channel.grid.y) < 1))
    place = Place(cells, (30.0, 0.0), 0.8, 0.2, 0.2, 0.5, 0.0, "", False)
    share = np.where(np.abs(x - 30) > 0.5, np.float32(0.1), np.float32(1))
    shaded = replace(noon, layers=noon.layers | {"sun_share": share, "shade_edge": flat})
    suits = dict.fromkeys(FACTORS, 1.0)
    rows = {"kind": "tree", "height_m": 9.0, "base_m": 0.0, "radius_m": 1.0, "leaf": ["willow", "willow"], "note": ""}
    crowns = gpd.GeoDataFrame(rows, geometry=shapely.points([28.8, 31.2], -3), crs=toy.CRS_LOCAL)

    def told(shade, overhead=0.0):
        channel = toy_channel.with_layers(overhead=flat + np.float32(overhead))
        channel = replace(channel, beat=replace(channel.beat, shade=shade))
        return say_why(channel, place, shaded, "food", suits, None, CURVES.shifted(Fish(), 13)).now

    assert "in the shade of the willows, " in told(crowns)
    assert "0.8 m deep in shade, " in told(crowns[:0])
    assert "0.8 m deep partly under cover, " in told(crowns, 0.9)


def test_a_guess_is_called_one(toy_channel, noon):
    """A depth or a speed nobody measured must not look like one that was, wherever the sentence is read."""
    lies, why = sentences(replace(toy_channel, depth_guessed=True, speed_relative=True), noon)
    assert len(why)
    for text in (*why, *lies.scenes[noon.scene.name]["lasting"]):
        assert re.match(r"\d\.\d m deep by guess", text)
        assert re.search(r"(drift|seam|m/s|nose|\)) by guess", text)
    _, why = sentences(toy_channel, noon)
    assert not any("guess" in text for text in why)


def test_no_shadow_is_spoken_of_under_cloud(toy_channel):
    _, why = sentences(toy_channel, toy.light(toy_channel, toy.scenes()[1]), toy.day(toy_channel))
    assert not any("shade" in text for text in why)


def test_the_hour_at_which_shade_goes(toy_channel, noon):
    """The day is in steps of 10 minutes from midnight UTC; in June the clock there stands an hour ahead."""
    day = toy.day(toy_channel)
    last = next(i for i, t in enumerate(day.times) if t >= noon.scene.when + timedelta(hours=2))
    share = day.sun_share.copy()
    share[last:] = 255
    roofless = toy_channel.with_layers(overhead=np.zeros(toy_channel.grid.n_wet, np.float32))
    _, why = sentences(roofless, noon, replace(day, sun_share=share))
    assert any("loses shade after 15:10" in text for text in why)


def test_the_hour_at_which_shade_comes(toy_channel, noon):
    """Lit till 15:30 UTC, which is 16:30 by the clock there in June, and shaded for the rest of the day; at ten to five
    by that clock nothing of the day is left but shade, and where all of it is lit there is nothing to tell."""
    roofless = toy_channel.with_layers(overhead=np.zeros(toy_channel.grid.n_wet, np.float32))
    lit = replace(noon, layers=noon.layers | {"sun_share": np.ones_like(noon["sun_share"])})
    day = toy.day(toy_channel)
    share = np.full_like(day.sun_share, 255)
    share[[sun.altitude_deg < 0 for sun in day.sun]] = 0
    _, why = sentences(roofless, lit, replace(day, sun_share=share.copy()))
    assert len(why)
    assert not any("shade" in text for text in why)
    share[93:] = 0
    _, why = sentences(roofless, lit, replace(day, sun_share=share))
    assert all("; in shade from 16:30" in text for text in why)
    late = replace(lit.scene, when=day.times[95])
    dark = replace(lit, scene=late, layers=lit.layers | {"sun_share": np.zeros_like(lit["sun_share"])})
    _, why = sentences(roofless, dark, replace(day, sun_share=share))
    assert len(why)
    assert all("; in shade for the rest of the day" in text for text in why)


def test_night_speaks_of_the_moon(toy_channel):
    night = toy.light(toy_channel, toy.scenes()[2])
    _, why = sentences(toy_channel, night)
    assert all("moonlit" in text for text in why)
    dark = {**night.layers, "light_bed": (night["light_bed"] / 100).astype(np.float32)}
    _, why = sentences(toy_channel, replace(night, layers=dark))
    assert all("dark" in text and "moonlit" not in text for text in why)
    # As light, but none of it from the moon, or too little: it is down, thin or low, or something stands before it or
    # cloud does, and the sky or a town gives the rest.
    shaded = {**night.layers, "sun_share": np.zeros_like(night["sun_share"])}
    for other in (
        {"moon": replace(night.moon, altitude_deg=-3.0, clear_lux=0.0)},
        {"moon": replace(night.moon, clear_lux=0.002, lit=0.1)},
        {"scene": replace(night.scene, cloud=8)},
        {"layers": shaded},
        {"layers": {**night.layers, "sun_share": shaded["sun_share"] + 0.4, "light_bed": shaded["sun_share"] + 0.011}},
    ):
        _, why = sentences(toy_channel, replace(night, **other))
        assert all("; dim" in text and "moonlit" not in text for text in why)


@pytest.mark.parametrize(
    ("sun_deg", "lux", "moon_share", "moon_lux", "word"),
    [
        (-2.0, 160.0, 1.0, 0.1, "in the twilight"),
        (-5.9, 1.0, 1.0, 0.1, "in the twilight"),
        (-5.9, 0.1, 1.0, 0.02, "dim"),
        (-12.0, 2.0, 0.0, 0.0, "dim"),
        (-12.0, 0.04, 1.0, 0.000025, "dim"),
        (-12.0, 0.04, 1.0, 0.03, "moonlit"),
        (-12.0, 0.04, 0.4, 0.03, "dim"),
        (-12.0, 0.009, 1.0, 0.008, "dark"),
    ],
)
def test_what_a_light_is_called_with_the_sun_down(sun_deg, lux, moon_share, moon_lux, word):
    assert night_words(Body(sun_deg, 0.0, 0.0), lux, moon_share, moon_lux) == word


def test_the_moon_is_not_spoken_of_at_noon_however_murky_the_water(toy_channel, noon):
    """In a spate the fish sees with its night eye while the sun stands high."""
    layers = {**noon.layers, "light_bed": np.full_like(noon["light_bed"], 0.05), "eye_day": 0 * noon["eye_day"]}
    _, why = sentences(toy_channel, replace(noon, layers=layers))
    assert len(why)
    assert all("hardly any light gets down to it" in text for text in why)
    assert not any(word in text for text in why for word in ("moonlit", "dark", "dim"))


@pytest.mark.parametrize("species", ["brown", "rainbow"])
def test_at_sunrise_it_is_the_eye_that_is_late_not_the_light(toy_channel, noon, species):
    """From 1 lux the eye aims at the day's state, but takes an hour to get there."""
    assert eye_aim(np.array([1.0]), species) > 0.5
    fish = replace(toy_channel, beat=replace(toy_channel.beat, fish=Fish(species)))
    layers = {**noon.layers, "light_bed": np.full_like(noon["light_bed"], 2.0), "eye_day": 0 * noon["eye_day"]}
    _, why = sentences(fish, replace(noon, sun=Body(0.5, 90.0, 10.0), layers=layers))
    assert len(why)
    assert all("; its eyes have not switched to day yet" in text for text in why)


def test_in_murk_it_is_the_light_that_fails_however_much_gets_to_the_shallows(toy_channel, noon):
    """Half of every lie with the night eye in 0.3 lux, its shallows in so much that the mean is above 1 lux."""
    odd = np.arange(toy_channel.grid.n_wet) % 5 < 3
    bed, eye = np.where(odd, np.float32(0.3), np.float32(5.0)), np.where(odd, np.float32(0.0), np.float32(1.0))
    _, why = sentences(toy_channel, replace(noon, layers={**noon.layers, "light_bed": bed, "eye_day": eye}))
    assert any("hardly any light gets down to it" in text for text in why)
    assert not any("switched" in text for text in why)


def test_what_holds_a_lie_back(toy_channel, noon):
    lies, why = sentences(toy_channel, noon)
    assert "but bright at the bed" in why[near(lies, 12, 1)]


@pytest.mark.parametrize(
    ("nose", "drift", "limiting", "says"),
    [
        (0.02, 1.0, "nose", "hardly a current at the nose"),
        (0.8, 0.1, "nose", "fast at the nose for this fish"),
        (0.1, 0.1, "food", "little current brings food"),
        (0.4, 2.4, "food", "the drift rushes past"),
    ],
)
def test_too_little_current_and_too_much_are_told_apart(toy_channel, noon, nose, drift, limiting, says):
    """Both curves fall on either side of what suits best; by night the speed where it rests counts."""
    night = replace(noon, layers=noon.layers | {"eye_day": 0 * noon["eye_day"]})
    for light, speeds in ((noon, (nose, 0.82 - nose)), (night, (0.82 - nose, nose))):
        place = Place(np.arange(4), (0.0, 0.0), 0.8, *speeds, drift, 0.0, "", False)
        assert lack(toy_channel, place, light, limiting, CURVES.shifted(Fish(), 13)) == f"but {says}"


@pytest.mark.parametrize(
    ("nose", "drift", "seam", "says"),
    [
        (0.2, 1.34, 0.0, "slow beside a walking-pace drift of 1.3 m/s"),  # 3 mph
        (0.2, 0.7, 0.0, "slow beside a drift of 0.7 m/s"),
        (0.2, 1.8, 0.0, "slow beside a drift of 1.8 m/s"),
        (0.4, 0.7, 0.0, "0.4 m/s at the nose beside a drift of 0.7 m/s"),
        (0.1, 0.2, 0.0, "slow, hardly any drift (0.2 m/s)"),
        (0.2, 0.7, 0.4, "slow beside a 0.4 m/s seam"),
        (0.2, 0.7, 0.1, "slow beside a drift of 0.7 m/s"),
    ],
)
def test_the_current_in_words(toy_channel, noon, nose, drift, seam, says):
    """By day the speed at the nose counts, by night that where it rests."""
    curves, suits = CURVES.shifted(Fish(), 13), dict.fromkeys(FACTORS, 1.0)
    night = replace(noon, layers=noon.layers | {"eye_day": 0 * noon["eye_day"]})
    for light, speeds in ((noon, (nose, 0.9)), (night, (0.9, nose))):
        place = Place(np.arange(4), (0.0, 0.0), 0.8, *speeds, drift, seam, "", False)
        assert say_why(toy_channel, place, light, "food", suits, None, curves).lasting == f"0.8 m deep, {says}"


def test_what_lasts_about_a_place_is_what_was_put_there(toy_channel):
    """Cover within 1.5 m of its edge, a stone of 1.2 m being 0.6 m round; a seam along a tenth of it, as strong as it
    gets; a roof over half of it."""
    grid, cover = toy_channel.grid, toy_channel.beat.cover

    def words(row, x, y):
        cell = grid.locate(np.array([x]), np.array([y]))
        channel = replace(toy_channel, beat=replace(toy_channel.beat, cover=row))
        return describe_places(channel, [cell])[0].cover

    assert [words(cover.iloc[[0]], x, 1.25) for x in (11.75, 12.25)] == ["by a boulder", ""]
    assert [words(cover.iloc[[1]], -20.25, y) for y in (-6.25, -5.75)] == ["along the undercut bank", ""]
    assert words(cover.iloc[[0]].assign(size_m=np.nan), 11.25, 1.25) == "by a boulder"
    cells, ones = np.arange(20), np.ones(grid.n_wet, np.float32)

    def place(along, under):
        distance, contrast, roof = np.nan * ones, 0.2 * ones, 0 * ones
        distance[:along], contrast[1], roof[:under] = 0.5, 0.5, 1.0
        found = describe_places(
            toy_channel.with_layers(seam_distance=distance, seam_contrast=contrast, overhead=roof), [cells]
        )[0]
        return round(found.seam_m_s, 3), found.roofed

    assert [place(1, 9), place(3, 11)] == [(0.0, False), (0.5, True)]


FAST = "; but fast at the nose for this fish"


@pytest.mark.parametrize(
    ("eye_day", "sun_share", "roofed", "cover", "limiting", "where", "wrong", "lasting"),
    [
        (1.0, 1.0, False, "", "nose", "", FAST, FAST),
        (1.0, 1.0, False, "", "light", "", "; but bright at the bed", ""),
        (1.0, 0.0, True, "", "", " under cover", "", ""),
        (1.0, 0.0, True, "by a boulder", "", " by a boulder", "", ""),
        (0.6, 1.0, False, "", "", "", "", ""),
        (0.4, 1.0, False, "", "", "", "; its eyes have not switched to day yet", ""),
    ],
)
def test_the_whole_sentence(toy_channel, noon, eye_day, sun_share, roofed, cover, limiting, where, wrong, lasting):
    """What it says of the place, the current, the light and what is wrong, each where it holds and nowhere else."""
    ones = np.ones(toy_channel.grid.n_wet, np.float32)
    light = replace(noon, layers=noon.layers | {"eye_day": eye_day * ones, "sun_share": sun_share * ones})
    nose, rest = (0.8, 0.1) if eye_day > 0.5 else (0.1, 0.8)
    place = Place(np.arange(4), (3.0, 1.0), 0.8, nose, rest, 1.0, 0.0, cover, roofed)
    suits = dict.fromkeys(FACTORS, 1.0) | ({limiting: 0.3} if limiting else {})
    why = say_why(toy_channel, place, light, limiting or "food", suits, None, CURVES.shifted(Fish(), 13))
    told = f"0.8 m deep{where}, 0.8 m/s at the nose beside a walking-pace drift of 1.0 m/s"
    assert (why.now, why.lasting) == (told + wrong, told + lasting)


@pytest.mark.parametrize(("edge", "words"), [(0.2, "in the shade of"), (0.4, "at the edge of the shade of")])
def test_the_edge_of_a_shade_is_called_one(toy_channel, noon, edge, words):
    beat = replace(toy_channel.beat, skyline=Skyline(np.zeros(1), np.full(1, 20.0)))
    layers = {"sun_share": 0 * noon["sun_share"], "shade_edge": np.full_like(noon["sun_share"], edge)}
    place, curves = Place(np.arange(4), (3.0, 1.0), 0.8, 0.2, 0.2, 0.5, 0.0, "", False), CURVES.shifted(Fish(), 13)
    light, suits = replace(noon, layers=noon.layers | layers), dict.fromkeys(FACTORS, 1.0)
    told = say_why(replace(toy_channel, beat=beat), place, light, "food", suits, None, curves).now
    assert told.startswith(f"0.8 m deep {words} the bank or the valley side, slow")


def test_no_light_of_the_moon_is_there_without_its_beam(toy_channel):
    night = toy.light(toy_channel, toy.scenes()[2])
    terms = bed_terms(night.sun, night.moon, night.scene.cloud, 1.0)
    assert moon_at_bed(terms, np.zeros(2), 0.7, np.ones(2)) == 0.0
    whole = moon_at_bed(terms, np.ones(2), 0.7, np.ones(2))
    assert whole > 0.0
    assert moon_at_bed(terms, np.array([0.0, 1.0]), 0.7, np.ones(2)) == pytest.approx(whole / 2)


def lack(channel, place, light, limiting, curves):
    """What is said to hold a place back where one factor suits badly."""
    suits = dict.fromkeys(FACTORS, 1.0) | {limiting: 0.3}
    return say_why(channel, place, light, limiting, suits, None, curves).now.split("; ")[-1]


@pytest.mark.parametrize("length_m", [0.10, 0.15])
def test_what_is_too_fast_for_a_small_fish_is_not_called_hardly_a_current(toy_channel, noon, length_m):
    """Where water is called slow, the curve of a small fish has fallen already."""
    place = Place(np.arange(4), (0.0, 0.0), 0.8, 0.28, 0.28, 0.5, 0.0, "", False)
    told = lack(toy_channel, place, noon, "nose", CURVES.shifted(Fish(length_m=length_m), 13))
    assert told == "but fast at the nose for this fish"


@pytest.mark.parametrize(
    ("points", "says"),
    [(((0.4, 0.1), (1.6, 1.0), (3.0, 1.0)), "shallow water"), (((0.2, 1.0), (0.5, 0.1)), "great depth")],
)
def test_depth_is_too_great_or_too_small_by_the_curve_in_use(toy_channel, noon, points, says):
    by_day, by_night = CURVES.shifted(Fish(), 13)
    curves = {**by_day, "depth": Curve(1.0, points)}, by_night
    place = Place(np.arange(4), (0.0, 0.0), 0.7 if says == "shallow water" else 0.5, 0.2, 0.2, 0.5, 0.0, "", False)
    assert lack(toy_channel, place, noon, "depth", curves) == f"held back by {says}"


@pytest.mark.parametrize(
    ("eye", "points", "lux", "says"),
    [
        ("day", None, 20000.0, "but bright at the bed"),
        ("day", ((3.0, 0.05), (4.85, 1.0)), 1000.0, "but dark at the bed"),
        ("night", None, 1e-4, "held back by too little light"),
        ("night", ((-3.3, 1.0), (-1.0, 0.05)), 0.1, "held back by too much light"),
    ],
)
def test_light_is_too_much_or_too_little_by_the_curve_in_use(toy_channel, noon, eye, points, lux, says):
    """The packaged curves, and those of fish that want the day bright and the night dark."""
    flat = np.full(toy_channel.grid.n_wet, lux, np.float32)
    here = replace(noon, layers=noon.layers | {"light_bed": flat, "eye_day": np.full_like(flat, eye == "day")})
    by_eye = dict(zip(("day", "night"), CURVES.shifted(Fish(), 13), strict=True))
    if points:
        by_eye[eye] = {**by_eye[eye], "light": Curve(1.0, points)}
    place = Place(np.arange(4), (0.0, 0.0), 0.5, 0.2, 0.2, 0.5, 0.0, "", False)
    assert lack(toy_channel, place, here, "light", (by_eye["day"], by_eye["night"])) == says


def test_fish_that_shun_cover_do_not_lack_it(toy_channel, noon):
    place = Place(np.arange(4), (0.0, 0.0), 0.5, 0.2, 0.2, 0.5, 0.0, "", True)
    by_day, by_night = CURVES.shifted(Fish(), 13)
    suits = dict.fromkeys(FACTORS, 0.3)
    for points, words in ((((0.0, 0.1), (1.0, 1.0)), "nothing overhead"), (((0.0, 1.0), (1.0, 0.1)), "")):
        curves = {**by_day, "cover": Curve(1.0, points)}, by_night
        told = say_why(toy_channel, place, noon, "cover", suits, None, curves).now
        assert ("nothing overhead" in told) == bool(words)


def test_a_roof_is_missed_only_by_day_and_where_the_light_suits_badly_too(toy_channel, noon):
    place, curves = Place(np.arange(4), (0.0, 0.0), 0.5, 0.2, 0.2, 0.5, 0.0, "", False), CURVES.shifted(Fish(), 13)
    night = replace(noon, layers=noon.layers | {"eye_day": 0 * noon["eye_day"]})
    for light, suits_light, missed in ((noon, 0.3, True), (noon, 0.9, False), (night, 0.3, False)):
        suits = dict.fromkeys(FACTORS, 1.0) | {"cover": 0.3, "light": suits_light}
        told = say_why(toy_channel, place, light, "cover", suits, None, curves).now
        assert ("but nothing overhead" in told) == missed


def test_by_energy_no_current_is_blamed_for_what_the_fish_cannot_see(toy_channel, noon):
    known, name = sentences(toy_channel, noon)[0], noon.scene.name
    murky = outlook_for(toy_channel, replace(noon, beam_attenuation_per_m=20.0), CURVES, "energy")
    table = find_lies(toy_channel, {name: murky}, curves=CURVES, known=known).scenes[name]
    assert set(table["limiting"]) <= set(FED)
    for text in table["why"]:
        assert text.split("; ")[-1] in (
            "but little to take from the drift",
            "but swimming there costs much of what it eats",
        )
