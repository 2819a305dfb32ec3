"""The whole chain on the sample, against its exactly known truth and against what the trade knows."""

from __future__ import annotations

import hashlib
import sys
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from scipy.interpolate import griddata

import reachmap
from reachmap.errors import SettingError
from reachmap.run import default_out
from reachmap.write import summarise
from tests import toy


@pytest.fixture(scope="session")
def result(sample_folder):
    return reachmap.analyse(sample_folder)


def scene(result, cloud: int, night: bool = False) -> str:
    """Name of the sample's scene of that kind."""
    for name, outlook in result.outlooks.items():
        dark = outlook.light.surface_lux < 1
        if dark == night and (night or outlook.scene.cloud == cloud):
            return name
    raise AssertionError(f"the sample has no scene with cloud {cloud}, night {night}")


def test_sunny_noon_sends_fish_to_shade_depth_and_cover(result):
    """Common practice: under a bright sky, dark and deep places and undercuts before open shallow water."""
    ch, name = result.channel, scene(result, 1)
    score, bed = result.outlooks[name].holding["hold"], result.outlooks[name].light["light_bed"]
    open_shallow = (ch["depth"] < 0.4) & (bed > np.median(bed)) & (ch["overhead"] < 0.1)
    sheltered = (bed < np.quantile(bed, 0.25)) & (ch["depth"] > 0.5)
    assert np.median(score[sheltered]) > 1.5 * np.median(score[open_shallow])
    best = score >= np.quantile(score, 0.95)
    assert np.median(bed[best]) < np.median(bed)


def test_overcast_spreads_holding_out(result):
    """Common practice: under cloud trout roam."""
    share = {cloud: np.mean(result.outlooks[scene(result, cloud)].holding["hold"] > 0.5) for cloud in (1, 8)}
    assert share[8] > share[1]


def test_by_night_the_best_lies_are_shallower(result):
    """Common practice: by night low in the water and often shallower."""
    depth = {}
    for night in (False, True):
        table = result.lies.scenes[scene(result, 1, night)]
        top = table[(table["rank"] > 0) & (table["rank"] <= 8)].index
        depth[night] = result.lies.table.loc[top, "depth_m"].mean()
    assert depth[True] < depth[False]


def test_whatever_scores_enough_is_ranked_by_its_score(result):
    """As the map's page ranks them, which knows only scores: list and map send one to the same lie first."""
    for table in result.lies.scenes.values():
        assert (table["rank"] > 0).equals(table["score"] >= result.lies.report["least_score"])
        ranked = table[table["rank"] > 0].sort_values("rank")
        assert ranked["rank"].tolist() == list(range(1, len(ranked) + 1))
        assert ranked["score"].is_monotonic_decreasing


def test_depth_beats_linear_interpolation_on_the_map_by_half(result):
    """The general-purpose reference: scipy's linear interpolation of the same points with the waterline at zero."""
    from tests.make_sample import truth

    ch = result.channel
    river = truth(ch.beat)
    want = river.depth(ch.grid.x, ch.grid.y)
    points = ch.beat.soundings[ch.beat.soundings["flag"] == ""]
    xy = np.column_stack([points.geometry.x, points.geometry.y])
    edge = np.vstack(
        [np.asarray(r.segmentize(2).coords) for p in ch.beat.outline.geoms for r in (p.exterior, *p.interiors)]
    )
    linear = griddata(
        np.vstack([xy, edge]),
        np.concatenate([points["depth_m"], np.zeros(len(edge))]),
        (ch.grid.x, ch.grid.y),
        method="linear",
        fill_value=0.0,
    )
    known = np.isfinite(want)
    ours = np.sqrt(np.mean((ch["depth"] - want)[known] ** 2))
    theirs = np.sqrt(np.mean((linear - want)[known] ** 2))
    assert ours <= 0.5 * theirs, f"ours {ours:.3f} m, linear {theirs:.3f} m"


def test_every_layer_is_filled_and_in_range(result):
    ch = result.channel
    for name, values in ch.layers.items():
        if name != "seam_distance":
            assert np.isfinite(values).all(), name
    assert (ch["depth"] >= 0).all()
    for outlook in result.outlooks.values():
        for name in ("hold_day", "hold_night", "hold"):
            assert outlook.holding[name].min() >= 0
            assert outlook.holding[name].max() <= 1


def test_same_input_same_result(sample_folder, result):
    again = reachmap.analyse(sample_folder)
    for name, outlook in again.outlooks.items():
        np.testing.assert_array_equal(outlook.holding["hold"], result.outlooks[name].holding["hold"])


def test_one_scene_shows_the_same_lies_under_the_same_numbers(sample_folder, result):
    name = scene(result, 8)
    one = reachmap.analyse(sample_folder, scenes=[name.split()[0].upper()])
    assert list(one.outlooks) == list(one.lies.scenes) == [name]
    assert one.lies.table.equals(result.lies.table)
    assert one.lies.scenes[name].equals(result.lies.scenes[name])


def test_a_moment_is_scored_as_a_scene_of_the_beat_would_be(sample_folder, result):
    asked = reachmap.analyse(sample_folder, moment=reachmap.Moment(datetime(2026, 7, 30, 13), 1))
    ((name, table),) = asked.lies.scenes.items()
    assert name == "cloud 1/8"
    own = result.lies.scenes[scene(result, 1)]
    assert table.loc[own.index, "score"].to_numpy() == pytest.approx(own["score"].to_numpy(), abs=1e-6)
    assert np.array_equal(asked.outlooks[name].holding["hold"], result.outlooks[scene(result, 1)].holding["hold"])
    assert asked.record["scenes"][0]["when"] == "2026-07-30T13:00:00+01:00"


def test_lies_keep_their_numbers_at_any_moment(sample_folder, result):
    moment = reachmap.Moment(datetime(2026, 10, 10, 18, 30), clarity_m=1.0, temperature_c=9.0)
    asked = reachmap.analyse(sample_folder, moment=moment)
    known = len(result.lies.table)
    assert asked.lies.table.geometry.iloc[:known].geom_equals(result.lies.table.geometry).all()
    assert asked.lies.table.index.tolist() == list(range(1, len(asked.lies.table) + 1))
    assert len(asked.lies.table) > known
    words = summarise(asked)
    assert f"lies {known + 1} to {len(asked.lies.table)} stand out at this moment" in words
    assert "at this moment" not in summarise(result)
    assert list(asked.outlooks) == ["clear sky", "overcast"]
    assert {day.date for day in asked.days.values()} == {date(2026, 10, 10)}
    assert [scene["temperature_c"] for scene in asked.record["scenes"]] == [9.0, 9.0]
    with pytest.raises(SettingError, match="one or the other"):
        reachmap.analyse(sample_folder, moment=moment, scenes=["sunny"])


@pytest.mark.parametrize(("told", "warned"), [("01:30", True), ("01:30+01:00", False), ("02:30", False)])
def test_an_hour_asked_for_that_the_clocks_tell_twice_is_warned_of(sample_folder, told, warned):
    """In Britain clocks go back from two to one on the last Sunday in October."""
    moment = reachmap.Moment(datetime.fromisoformat(f"2026-10-25 {told}"), 2)
    asked = reachmap.analyse(sample_folder, cell_m=2.0, moment=moment)
    words = "the moment asked for: 2026-10-25 01:30:00 happens twice in Europe/London, as the clocks go back; the first"
    assert (words in summarise(asked)) == warned
    assert any(finding.startswith(words) for finding in asked.record["findings"]) == warned


@pytest.mark.parametrize(
    ("hour", "minute", "fewest", "most"), [(14, 0, 8, 8), (18, 25, 8, 8), (19, 30, 8, 8), (23, 20, 1, 2)]
)
def test_a_visit_begins_at_the_moment_asked_for_and_ends_by_midnight(sample_folder, hour, minute, fewest, most):
    asked = reachmap.analyse(sample_folder, moment=reachmap.Moment(datetime(2026, 10, 10, hour, minute), 2))
    order = asked.visit.order
    assert order["when"].iloc[0] == f"{hour:02d}:{minute:02d}"
    assert order["when"].is_monotonic_increasing
    assert fewest <= len(order) <= most
    assert asked.lies.table.loc[order["lie"], "along_m"].is_monotonic_decreasing, "not upstream"
    dark = [row.step for row in order.itertuples() if asked.day.sun[row.step].altitude_deg < -6]
    assert bool(dark) == (hour > 15)


def test_the_hours_of_shade_are_those_of_the_scenes_own_day(sample_folder):
    """Beside a scene in June, one in October is told as it is told alone."""
    beat = reachmap.read_beat(sample_folder)
    june = beat.scenes[0]
    october = replace(june, name="October", when=datetime(2026, 10, 10, 13, tzinfo=ZoneInfo(beat.time_zone)))
    beat = replace(beat, scenes=(june, october))
    both, alone = reachmap.analyse(beat), reachmap.analyse(beat, scenes=["October"])
    why = both.lies.scenes["October"]["why"]
    assert list(why) == list(alone.lies.scenes["October"]["why"])
    shaded = [text for text in why if "shade after" in text or "in shade from" in text]
    assert len(shaded) > 3
    hour = max(int(text.split("shade after ")[1][:2]) for text in why if "loses shade after" in text)
    assert hour <= 18, "the sun is down at half past six in October"


def test_the_record_tells_an_edited_curves_file_by_its_checksum(sample_folder, tmp_path):
    """SHA-256 by the standard library, as of every other input."""
    curves, found = tmp_path / "own.toml", []
    for least in (0.45, 0.6):
        curves.write_text(f'[lies.least_score]\nvalue = {least}\nsource = "test"\n')
        settings = reachmap.analyse(sample_folder, cell_m=2.0, curves=curves).record["settings"]
        assert settings["curves"] == str(curves)
        assert settings["curves_sha256"] == hashlib.sha256(curves.read_bytes()).hexdigest()
        found.append(settings["curves_sha256"])
    assert found[0] != found[1]


def test_without_curves_of_ones_own_the_record_has_no_checksum_of_any(result):
    assert result.record["settings"]["curves_sha256"] is None


def test_an_unknown_verb_is_said():
    with pytest.raises(AttributeError, match="no attribute 'guess'"):
        reachmap.guess  # noqa: B018


def test_every_public_name_is_there_after_a_run_too(result):
    """A run loads the rooms, each of which takes its name."""
    for name in set(reachmap.__all__) - {"__version__"}:
        assert callable(getattr(reachmap, name)), name


@pytest.mark.parametrize(
    ("spelt", "name"), [("utf-8", "öre-å-鱒-water-map"), ("latin-1", "öre-å-water-map"), ("ascii", "re-water-map")]
)
def test_the_folder_has_a_name_the_file_system_can_spell(monkeypatch, spelt, name):
    monkeypatch.setattr(sys, "getfilesystemencoding", lambda: spelt)
    assert default_out(toy.beat(name="Öre å: 鱒 Water")) == Path(name)
