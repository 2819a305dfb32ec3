"""The log held against the map, on the sample."""

from __future__ import annotations

import re
import shutil
import warnings
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from scipy.spatial import cKDTree

from reachmap.beat import read_beat
from reachmap.beat.model import Fish, Scene
from reachmap.channel import build_channel
from reachmap.cli import main
from reachmap.errors import InputError
from reachmap.light import light_at, prepare_shade
from reachmap.sight import see
from reachmap.trout import FACTORS, hold, load_curves
from reachmap.trout.learn import FISHED_M, NEAR_M, UNSAID_CLOUD, Joined, join_log, judge, pool
from reachmap.trout.model import SCORE_WORDS
from reachmap.trout.tune import LEAST_PLACES, log_factors, tune
from tests.beat.folders import collection, feature
from tests.trout.simulated import with_log


@pytest.fixture(scope="module")
def channel(sample_folder):
    return build_channel(read_beat(sample_folder), cell_m=1.0)


@pytest.fixture(scope="module")
def joined(channel):
    return join_log(channel, load_curves(None, channel.beat.fish))


def test_every_entry_is_joined_to_what_held_then(joined):
    assert len(joined.entries) + len(joined.left_out) == 25
    assert joined.entries["score"].between(0, 1).all()
    assert (joined.entries["light_lux"] > 0).all()
    meetings = joined.entries.groupby("eye")["meeting"].sum()
    for eye in ("day", "night"):
        assert sum(len(choice.fish) for trip in joined.trips[eye] for choice in trip) == meetings.get(eye, 0)


def spread_out(channel, n, seed=1, apart_m=2 * NEAR_M):
    """Spots in the water, none nearer to another than told (n, 2) [m]."""
    spots = []
    for spot in np.random.default_rng(seed).permutation(channel.grid.points(slice(None))):
        if all(np.hypot(*(spot - other)) > apart_m for other in spots):
            spots.append(spot)
        if len(spots) == n:
            break
    return np.array(spots)


def test_a_shoal_at_one_place_is_one_meeting_and_no_ground_for_an_index(channel):
    """Thirty fish at one place on each of 25 trips, all within what a hand-held position is good to."""
    curves = load_curves(None, channel.beat.fish)
    spots = spread_out(channel, 1) + np.random.default_rng(2).uniform(-0.5, 0.5, (25, 2))
    joined = join_log(with_log(channel, spots, count=30.0), curves)
    verdict = judge(joined, "day")
    assert (verdict.n_fish, verdict.n_places, verdict.n_trips) == (750, 1, 25)
    assert np.isnan(verdict.auc)
    assert "750 fish at 1 place on 25 trips" in verdict.sentence
    assert f"takes fish at {LEAST_PLACES} places" in verdict.sentence
    tuning = tune(np.ones(6), joined.trips["day"], joined.places["day"])
    assert not tuning.better
    assert "1 place" in tuning.why


def test_a_shoal_weighs_no_more_than_a_fish(channel):
    """The same places with one fish each, with shoals, and with the shoals written fish by fish: one index."""
    curves = load_curves(None, channel.beat.fish)
    spots = spread_out(channel, 48, apart_m=2 * FISHED_M)
    trips = [f"trip {k % 4}" for k in range(48)]
    what = np.where(np.arange(48) < 24, "catch", "blank")
    shoal = np.where(np.arange(48) < 3, 40.0, 1.0)
    singly = np.repeat(np.arange(48), shoal.astype(int))
    logs = (
        with_log(channel, spots, what=what, trip=trips),
        with_log(channel, spots, what=what, trip=trips, count=shoal),
        with_log(channel, spots[singly], what=what[singly], trip=np.array(trips)[singly]),
    )
    one, shoals, again = (judge(join_log(log, curves), "day") for log in logs)
    assert one.n_fish == 24
    assert shoals.n_fish == again.n_fish == 141
    for told in (shoals, again):
        assert (told.n_places, told.auc, told.boyce) == (24, one.auc, one.boyce)
        np.testing.assert_array_equal(told.selection.low, one.selection.low)
        assert told.classes["fish"].sum() == 141
        assert told.classes["meetings"].sum() == 24


def test_fish_and_water_are_averaged_alike(channel):
    """Whoever logs a fish at every cell of a pool has the scores and factors of its water, to the last."""
    pool_of = channel.grid.points(slice(None))
    pool_of = pool_of[np.hypot(*(pool_of - pool_of.mean(0)).T) < 25.0]
    joined = join_log(with_log(channel, pool_of, trip="one"), load_curves(None, channel.beat.fish))
    scores = joined.fished["day"][:, None]
    assert cKDTree(scores).query(joined.entries[["score"]])[0].max() < 1e-5
    (one,) = joined.trips["day"][0]
    assert cKDTree(one.water).query(one.fish)[0].max() < 1e-5


def test_weights_are_tuned_as_the_map_of_that_fish_uses_them(channel, monkeypatch):
    """Rainbows in cold water: with the weights of the file, what is fitted is the map's own score, cell by cell."""
    monkeypatch.setattr("reachmap.trout.learn.NEAR_M", 0.01)
    fish, cold = Fish("rainbow", 0.36), 4.0
    beat = replace(channel.beat, fish=fish, water=replace(channel.beat.water, temperature_c=cold))
    curves = load_curves(None, fish, cold)
    joined = join_log(with_log(replace(channel, beat=beat), spread_out(channel, 8), trip="one"), curves)
    (one,) = joined.trips["day"][0]
    file, used = ([table[f].weight for f in FACTORS] for table in (curves.day, curves.shifted(fish, cold)[0]))
    assert file != used
    sure = joined.fished["day"] > 0.05
    power = (one.water @ file)[sure] / sum(used)
    np.testing.assert_allclose(np.exp(power), joined.fished["day"][sure], rtol=0.01)


def test_by_night_a_town_lights_the_log_as_it_lights_the_scenes(channel):
    """The sample's log, half a day later."""
    beat, lux = channel.beat, []
    log = beat.log.assign(time=(pd.to_datetime(beat.log["time"]) + pd.Timedelta(hours=12)).to_numpy(object))
    for glow in (0.0, 0.4):
        scenes = tuple(replace(scene, town_glow_lux=glow) for scene in beat.scenes)
        water = replace(channel, beat=replace(beat, log=log, scenes=scenes))
        lux.append(join_log(water, load_curves(None, beat.fish)).entries["light_lux"])
    dark = lux[0] < 0.01
    assert dark.any()
    assert (lux[1][dark] > lux[0][dark] + 0.02).all()


def test_each_entry_is_held_against_the_water_of_its_own_hour_and_sky(channel):
    """One trip: a fish at noon under the open sky, a blank under cloud in murky water, a fish in the dark, none said of
    the sky. Cells are found by their plain distance, light and score as the map of that hour has them."""
    curves, beat, shade = load_curves(None, channel.beat.fish), channel.beat, prepare_shade(channel)
    zone = ZoneInfo(beat.time_zone)
    when = [datetime(2026, 6, 20, *hour, tzinfo=zone) for hour in ((12, 5), (12, 20), (23, 50))]
    clouds, clear = (0.0, 8.0, np.nan), (3.0, 0.4, np.nan)
    spots = spread_out(channel, 3, seed=5, apart_m=30.0)
    told = {"what": ["catch", "blank", "sighting"], "time": when, "cloud": clouds, "clarity_m": clear, "trip": "one"}
    joined = join_log(with_log(channel, spots, **told), curves)
    points = channel.grid.points(slice(None))
    apart = np.hypot(*(points[:, None] - spots).transpose(2, 0, 1))
    fished = np.flatnonzero(apart.min(axis=1) <= FISHED_M)
    scores, entries = {"day": [], "night": []}, joined.entries
    for k, (oktas, clarity) in enumerate(((0, 3.0), (8, 0.4), (UNSAID_CLOUD, beat.water.clarity_m))):
        scene = Scene("log", when[k], oktas, replace(beat.water, clarity_m=clarity), beat.town_glow_lux)
        light = light_at(channel, scene, shade)
        holding = hold(channel, light, see(channel, light, beat.fish, curves.eyes), beat.fish, curves)
        score = holding["hold"]
        near, row = np.flatnonzero(apart[:, k] <= NEAR_M), entries.iloc[k]
        assert row["light_lux"] == pytest.approx(light["light_bed"][near].mean(), rel=1e-4)
        assert row["score"] == pytest.approx(score[near].mean(), rel=1e-4)
        for name, layer in (("depth_m", "depth"), ("drift_m_s", "drift_speed")):
            assert row[name] == pytest.approx(channel[layer][near].mean(), rel=1e-4)
        beside = (np.flatnonzero(np.hypot(*(points - points[cell]).T) <= NEAR_M) for cell in fished)
        scores[row["eye"]].append([score[cells].mean() for cells in beside])
        if row["met"]:
            by_name = holding.factors_night if k == 2 else holding.factors_day
            suits = log_factors(np.array([by_name[name][near].mean() for name in FACTORS]))
            (moment,) = (one for one in joined.trips[row["eye"]][0] if len(one.fish))
            weighing = curves.weighing(beat.fish, beat.water.temperature_c)[row["eye"]]
            np.testing.assert_allclose(moment.fish, [suits * weighing], rtol=1e-3, atol=1e-5)
    assert list(entries["eye"]) == ["day", "day", "night"]
    assert list(entries["fish"]) == [1, 0, 1]
    away = apart[fished][:, [0, 2]].min(axis=1) > FISHED_M
    for eye, moments in scores.items():
        np.testing.assert_allclose(joined.fished[eye], np.concatenate(moments), rtol=1e-4)
        np.testing.assert_array_equal(joined.away[eye], np.tile(away, len(moments)))
        assert joined.share_away(eye) == pytest.approx(away.mean())
        assert joined.places[eye] == 1
        (trip,) = joined.trips[eye]
        assert [len(choice.fish) for choice in trip] == ([1, 0] if eye == "day" else [1])


def told_by_hand(scores, counts, water, away):
    """A log by day with these scores at its fish, each at a place of its own, and over the water fished."""
    n = len(scores)
    entries = pd.DataFrame({"met": True, "eye": "day", "meeting": True, "fish": counts, "score": scores})
    none = entries.assign(met=False, meeting=False, fish=0)
    by_night = entries.assign(eye="night", fish=1, score=0.05)
    empty = np.empty(0)
    return Joined(
        pd.concat([entries, none, by_night]),
        {"day": np.asarray(water), "night": empty},
        {"day": np.arange(len(water)) < away * len(water), "night": empty.astype(bool)},
        {"day": n, "night": 0},
        {"day": [()] * 3, "night": []},
        (),
    )


def test_the_verdict_counts_by_hand():
    """24 fished spots in 40 of water, class by class of the scores' words; two of the map's best at the very top."""
    scores = [0.1] * 2 + [0.3] * 4 + [0.5] * 6 + [0.7] * 6 + [0.8] * 4 + [1.0] * 2
    counts = [1] * 22 + [5, 2]
    water = [0.1] * 16 + [0.3] * 8 + [0.5] * 8 + [0.7] * 4 + [0.9] * 3 + [1.0]
    got = judge(told_by_hand(scores, counts, water, away=0.5), "day")
    assert (got.n_fish, got.n_places, got.n_trips) == (29, 24, 3)
    assert list(got.classes["high"]) == [top for top, _ in SCORE_WORDS]
    assert list(got.classes["low"]) == [0.0, *got.classes["high"][:-1]]
    assert list(got.classes["fish"]) == [2, 4, 6, 6, 11]
    assert list(got.classes["meetings"]) == [2, 4, 6, 6, 6]
    np.testing.assert_allclose(got.classes["water_share"], [0.4, 0.2, 0.2, 0.1, 0.1])
    np.testing.assert_allclose(got.selection.ratio, np.array([2, 4, 6, 6, 6]) / 24 / [0.4, 0.2, 0.2, 0.1, 0.1])
    better = np.mean([(a > b) + 0.5 * (a == b) for a in scores for b in water])
    assert got.auc == pytest.approx(better)
    assert f"in {100 * better:.0f} of 100 comparisons" in got.sentence


@pytest.mark.parametrize(("places", "away", "said"), [(19, 0.5, "places"), (20, 0.175, "18 %"), (20, 0.2, "")])
def test_what_a_verdict_takes_is_what_it_says(places, away, said):
    """Fish at 20 places, and a fifth of the water away from them: with just that it is given, with less it is not."""
    scores = np.linspace(0.2, 0.9, places)
    got = judge(told_by_hand(scores, [1] * places, np.linspace(0.1, 0.8, 40), away), "day")
    assert np.isnan(got.auc) == bool(said)
    assert said in got.sentence
    assert (got.selection is None) == bool(said)


def test_few_fish_give_counts_and_a_plain_sentence(joined):
    verdict = judge(joined, "day")
    assert verdict.n_places < LEAST_PLACES
    assert np.isnan(verdict.boyce)
    assert verdict.classes["fish"].sum() == verdict.n_fish
    assert "too few" in verdict.sentence


def test_a_beat_without_a_log_is_said(channel):
    bare = replace(channel, beat=replace(channel.beat, log=channel.beat.log.iloc[:0]))
    with pytest.raises(InputError, match="no log"):
        join_log(bare, load_curves())


def test_a_log_of_which_nothing_can_be_used_is_said_and_why(channel):
    """Entries of another river, as when two logs were mixed up."""
    log = channel.beat.log
    elsewhere = log.set_geometry(log.geometry.translate(5000.0, 0.0))
    with pytest.raises(InputError, match="none of its entries can be used") as raised:
        join_log(replace(channel, beat=replace(channel.beat, log=elsewhere)), load_curves())
    assert sum("from the water" in finding.what for finding in raised.value.findings) >= len(log) - 2


def test_who_logs_from_the_bank_is_counted_with_the_nearest_water(channel):
    """Five metres from it: farther than one is taken to fish, nearer than what is left out."""
    log = channel.beat.log
    away = shapely.boundary(shapely.union_all([channel.beat.outline]).buffer(5.0))
    at = shapely.line_interpolate_point(away, np.linspace(0.1, 0.4, len(log)), normalized=True)
    moved = replace(channel, beat=replace(channel.beat, log=log.set_geometry(at, crs=log.crs)))
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        joined = join_log(moved, load_curves(None, channel.beat.fish))
    assert len(joined.entries) > 10
    assert cKDTree(shapely.get_coordinates(at)).query(joined.entries[["x", "y"]])[0].max() < 6.0
    by_day = joined.entries["eye_day"] >= 0.5
    assert (joined.entries["eye"] == np.where(by_day, "day", "night")).all()
    assert judge(joined, "day").n_fish == joined.entries["fish"][by_day].sum()


def test_water_that_all_scores_alike_has_no_index(joined):
    fished = {**joined.fished, "day": np.full(30, 0.5)}
    away = {**joined.away, "day": np.ones(30, bool)}
    entries = joined.entries.assign(score=0.5)
    alike = replace(joined, entries=entries, fished=fished, away=away, places={"day": 30, "night": 0})
    assert "too much alike for an index" in judge(alike, "day").sentence
    assert "nan" not in judge(alike, "day").sentence


def test_a_note_that_tells_of_a_fish_counts_like_an_entry_and_only_once(channel):
    """Kinds of the map's notes; one that was copied into the log keeps its id there."""
    log, place = channel.beat.log, channel.beat.log.geometry.iloc[0]
    told = gpd.GeoDataFrame(
        {
            "id": ["note-1", str(log["id"].iloc[0]), "note-2"],
            "text": ["a good one", "the same", "just a stone"],
            "kind": ["catch", "catch", "note"],
            "time": ["2026-06-20T18:40:00Z"] * 3,
            "replaces": [[], [], []],
            "deleted": [False] * 3,
            "file": ["notes.geojson"] * 3,
            "where": ["feature 1", "feature 2", "feature 3"],
        },
        geometry=[place] * 3,
        crs=log.crs,
    )
    curves = load_curves(None, channel.beat.fish)
    joined = join_log(replace(channel, beat=replace(channel.beat, notes=told)), curves)
    plain = join_log(replace(channel, beat=replace(channel.beat, notes=told.iloc[2:])), curves)
    assert len(joined.entries) + len(joined.left_out) == len(plain.entries) + len(plain.left_out) + 1
    only = join_log(replace(channel, beat=replace(channel.beat, notes=told, log=log.iloc[:0])), curves)
    assert sorted(only.entries["what"]) == ["catch", "catch"]


def test_a_note_counts_at_the_hour_it_was_first_written(channel):
    """Its words mended at home by night, days later; or its hour unread: the fish was still met by day."""
    earlier = {"plain": [], "mended": ["2026-06-20T12:00:00.000Z", "2026-06-21T08:00:00Z"], "worn": [""]}
    times = ["2026-06-20T12:00:00Z", "2026-06-28T22:45:00Z", "2026-06-20T12:00:00Z"]
    spots = shapely.points(spread_out(channel, 3))
    notes = gpd.GeoDataFrame(
        {
            "id": [*earlier],
            "text": "",
            "file": "f",
            "where": "1",
            "kind": "catch",
            "time": times,
            "replaces": [*earlier.values()],
        },
        geometry=spots,
        crs=channel.beat.log.crs,
    )
    beat = replace(channel.beat, notes=notes, log=channel.beat.log.iloc[:0])
    entries = join_log(replace(channel, beat=beat), load_curves(None, beat.fish)).entries
    assert len(entries) == 3
    assert set(entries["trip"]) == {"2026-06-20"}
    assert (entries["eye_day"] == 1).all()


def test_a_catch_of_none_is_a_blank(channel):
    counts = [0.0, 3.0, np.nan]
    log = with_log(channel, spread_out(channel, 3), trip="one", count=counts)
    entries = join_log(log, load_curves(None, channel.beat.fish)).entries
    assert list(entries["fish"]) == [0, 3, 1]
    assert list(entries["what"]) == ["blank", "catch", "catch"]
    assert list(entries["met"]) == list(entries["meeting"]) == [False, True, True]


def test_entries_drawn_as_lines_and_areas_are_met_within_them(channel):
    """What other programs give: lines, areas and several points, in the log and among the notes."""
    spot = spread_out(channel, 1)[0]
    corners = shapely.points(spot + np.array([[-0.3, -0.3], [0.3, -0.3], [0.3, 0.3], [-0.3, 0.3]]))
    drawn = [shapely.LineString(corners[[0, 2]]), shapely.MultiPoint(corners), shapely.Polygon(corners)]
    curves = load_curves(None, channel.beat.fish)
    log = with_log(channel, np.array([spot] * 3), trip="one").beat.log.set_geometry(drawn, crs=channel.beat.log.crs)
    notes = gpd.GeoDataFrame(
        {
            "id": ["a", "b", "c"],
            "text": "",
            "file": "f",
            "where": "1",
            "kind": "sighting",
            "time": "2026-06-20T18:40:00Z",
            "replaces": [[]] * 3,
        },
        geometry=drawn,
        crs=log.crs,
    ).assign(file="notes.geojson", where="feature 1")
    joined = join_log(replace(channel, beat=replace(channel.beat, log=log, notes=notes)), curves)
    assert not joined.left_out
    assert sorted(joined.entries["what"]) == ["catch"] * 3 + ["sighting"] * 3
    assert np.hypot(joined.entries["x"] - spot[0], joined.entries["y"] - spot[1]).max() < 1.0


def test_beats_are_pooled_trip_by_trip(joined):
    both = pool([joined, joined], ["one", "other"])
    for eye in ("day", "night"):
        assert len(both.trips[eye]) == 2 * len(joined.trips[eye])
        assert both.places[eye] == 2 * joined.places[eye]
    assert len(both.entries) == 2 * len(joined.entries)


def test_the_command_judges_several_beats_one_by_one_and_together(sample_folder, tmp_path):
    other = shutil.copytree(sample_folder, tmp_path / "other")
    toml = other / "beat.toml"
    text = toml.read_text(encoding="utf-8").replace("Mill Shed beat", "Second <beat>")
    toml.write_text(f'units = "imperial"\n{text}', encoding="utf-8")
    with (other / "log.csv").open("a", encoding="utf-8") as log:
        log.write("2026-05-08T10:10,54.72,-2.3127,catch,brown,0.44,1,,2,2.4,,trip 1\n")
    out = tmp_path / "learned.html"
    done = CliRunner().invoke(main, ["learn", str(sample_folder), str(other), "--out", str(out), "--quiet"])
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("all together:")
    assert re.search(r"Second <beat>, log\.csv, row \d+: left out: more than", done.stderr)
    assert done.stderr.count("left out") == 1
    page = out.read_text(encoding="utf-8")
    assert page.count("<h1>") == 3
    assert "Second &lt;beat&gt;" in page
    # Each in the units of its beat.
    metres, feet = (part for part in page.split("<h1>")[2:])
    assert " m below the head" in metres
    assert " ft below the head" in feet
    assert " m below" not in feet


def test_a_beat_named_twice_is_refused(sample_folder, tmp_path, monkeypatch):
    """By whatever way: each fish of its log would count twice."""
    monkeypatch.chdir(sample_folder.parent)
    out = tmp_path / "learned.html"
    for again in (str(sample_folder), sample_folder.name, f"{sample_folder}/../{sample_folder.name}"):
        done = CliRunner().invoke(main, ["learn", str(sample_folder), again, "--out", str(out), "--quiet"])
        assert done.exit_code == 2
        assert "is named twice" in done.output
        assert not out.exists()


def test_a_guess_is_called_one_where_a_log_is_held_against_it(sample_folder, tmp_path):
    """On a beat nobody sounded, alone and beside one that was; its name is text."""
    bare = shutil.copytree(sample_folder, tmp_path / "bare")
    (bare / "soundings.csv").unlink()
    toml = bare / "beat.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("Mill Shed beat", "Bare <beat>"), encoding="utf-8")
    for folders, times in (([bare], 1), ([sample_folder, bare], 2), ([sample_folder], 0)):
        out = tmp_path / "learned.html"
        done = CliRunner().invoke(main, ["learn", *map(str, folders), "--out", str(out), "--quiet"])
        assert done.exit_code == 0, done.output
        page = out.read_text(encoding="utf-8")
        for told in (done.output, page):
            assert told.count("DEPTH IS A GUESS: no soundings") == times
            assert told.count("It is this guess that the log is held against") == times
        assert "Bare <beat>" not in page


@pytest.mark.parametrize(("units", "far"), [("metric", "6 m"), ("imperial", "19.7 ft")])
def test_what_is_left_out_is_told_with_its_file_and_row(sample_folder, tmp_path, units, far):
    """On the terminal and on the page: an entry without a place before it, one far off, and a note far off."""
    folder = shutil.copytree(sample_folder, tmp_path / "beat")
    settings = (folder / "beat.toml").read_text(encoding="utf-8")
    (folder / "beat.toml").write_text(f'units = "{units}"\n{settings}', encoding="utf-8")
    lines = (folder / "log.csv").read_text(encoding="utf-8").splitlines()
    lines[1:1] = ["2026-05-08T10:10,,,catch,,,1,,,,,", "2026-05-08T10:10,54.7,-2.4,catch,,,1,,,,,"]
    (folder / "log.csv").write_text("\n".join(lines), encoding="utf-8")
    said = {"id": "a", "text": "x", "kind": "catch", "time": "2026-05-08T10:10Z"}
    (folder / "notes.geojson").write_text(collection(feature("Point", [-2.33, 54.62], **said)), encoding="utf-8")
    out = tmp_path / "learned.html"
    done = CliRunner().invoke(main, ["learn", str(folder), "--out", str(out), "--quiet"])
    assert done.exit_code == 0, done.output
    for where in ("log.csv, row 3", "notes.geojson, feature 1"):
        assert f"{where}: left out: more than {far} from the water" in done.output
        assert f"{where}: left out: more than {far} from the water" in out.read_text(encoding="utf-8")


def test_the_command_writes_the_page(sample_folder, tmp_path):
    done = CliRunner().invoke(main, ["learn", str(sample_folder), "--out", str(tmp_path / "learned.html"), "--quiet"])
    assert done.exit_code == 0, done.output
    assert "too few" in done.output
    page = (tmp_path / "learned.html").read_text()
    assert "What to measure next" in page
    assert "no probability of a fish" in page
