"""Comparing on the command line: what the score says of two scenes, and of one with something changed."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import rasterio
from click.testing import CliRunner

from reachmap.ask import Changed, compare_on_beat, on_day
from reachmap.beat import read_beat
from reachmap.cli import main
from reachmap.errors import SettingError
from reachmap.run import analyse, scene_like
from reachmap.write.summary import beside_the_map

SAMPLE = Path(__file__).parents[1] / "sample_reach"


@pytest.fixture(scope="module")
def beat():
    return read_beat(SAMPLE)


def call(*words):
    return CliRunner().invoke(main, ["compare", str(SAMPLE), *words])


def test_a_part_of_a_name_is_enough_and_two_scenes_are_told_apart(beat):
    assert scene_like(beat, "SUNNY").name == "sunny noon"
    with pytest.raises(SettingError, match="fits several"):
        scene_like(beat, "noon")
    with pytest.raises(SettingError, match="no such scene"):
        scene_like(beat, "dusk")
    with pytest.raises(SettingError, match=r"with itself: name another scene .*overcast noon"):
        compare_on_beat(beat, "sunny")


def test_a_change_that_changes_nothing_is_not_explained():
    done = call("sunny", "--stage-after", "0", "--cell", "2")
    assert done.exit_code == 0, done.output
    assert "before and after: 1.00. Nothing moved.\n" in done.output
    assert "suits better" not in done.output


@pytest.mark.parametrize("changed", [Changed(cloud=9), Changed(clarity_m=-1.0)])
def test_a_sky_or_water_that_cannot_be_is_refused(beat, changed):
    with pytest.raises(SettingError, match="must be"):
        compare_on_beat(beat, changed=changed)
    with pytest.raises(SettingError, match="must be"):
        on_day(beat, "sunny", None, changed.cloud, changed.clarity_m)


def test_without_a_scene_the_first_one_is_changed():
    named, unnamed = call("sunny", "--cloud-after", "8", "--json"), call("--cloud-after", "8", "--json")
    assert named.exit_code == 0, named.output
    assert unnamed.output == named.output
    nothing = call()
    assert nothing.exit_code != 0
    assert "full-moon night" in nothing.output


def test_more_cloud_brings_more_water_into_play(tmp_path):
    """Trout roam under cloud and keep to shade under a bright sky (common practice)."""
    layer = tmp_path / "difference.tif"
    done = call("sunny", "overcast", "--json", "--layer", str(layer))
    assert done.exit_code == 0, done.output
    told = json.loads(done.output)
    assert "grows" in told["paragraph"]
    assert all(lie["gain"] > -0.01 for lie in told["lies"])
    with rasterio.open(layer) as raster:
        difference = raster.read(1)
    assert np.nanmedian(difference) > 0.05
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize(
    ("changed", "factor"),
    [
        (Changed(clarity_m=0.6), "light"),
        (Changed(cloud=8), "light"),
        (Changed(engine="energy"), "food nose"),
        (Changed(stage_m=0.15), "food nose depth light cover seam"),
        (Changed(length_m=0.5), "nose depth light food"),
    ],
)
def test_each_change_moves_the_factor_it_should(beat, changed, factor):
    _, told, _ = compare_on_beat(beat, "sunny", changed=changed)
    top = told.table["factor"][told.table["gain"].abs() > 0.01]
    assert len(top) > 0
    assert set(top) <= set(factor.split())
    assert changed.words in told.after
    assert told.paragraph.startswith(f"From {told.before} to {told.after}")


def test_lies_have_the_numbers_of_the_map(beat):
    """Those that are lies neither before nor after are left out, those that only come up by the change come last."""
    mapped = analyse(beat).lies
    found = set()
    for changed in (None, Changed(cloud=8), Changed(engine="energy")):
        channel, told, lies = compare_on_beat(beat, "sunny", None if changed else "overcast", changed)
        least = mapped.report["least_score"]
        assert (told.table[["before", "after"]].max(axis=1) >= least).all()
        on_map = [n for n in told.table.index if n <= len(mapped.table)]
        new = [n for n in told.table.index if n > len(mapped.table)]
        assert all(f"lie {n}: " in beside_the_map(lies, told.table.index) for n in new)
        assert bool(beside_the_map(lies, told.table.index)) == bool(new)
        found.add(bool(new))
        assert len(on_map) > 10
        before = mapped.scenes["sunny noon"].loc[on_map, "score"]
        assert told.table.loc[on_map, "before"].to_numpy() == pytest.approx(before.to_numpy())
    assert channel.grid.n_wet == len(mapped.label)
    assert found == {False, True}


def test_a_comparison_in_feet_turns_the_change_and_not_the_scenes_name(sample_folder, tmp_path):
    folder = shutil.copytree(sample_folder, tmp_path / "beat")
    text = (folder / "beat.toml").read_text(encoding="utf-8").replace("sunny noon", "1 m at noon")
    (folder / "beat.toml").write_text(f'units = "imperial"\n{text}', encoding="utf-8")
    words = ["--clarity-after", "2ft", "--length-after", "14in"]
    done = CliRunner().invoke(main, ["compare", str(folder), *words])
    assert done.output.startswith("From 1 m at noon to 1 m at noon (clarity 2.0 ft, 14 in long) the share")
    done = CliRunner().invoke(main, ["compare", str(folder), *words, "--json"])
    assert json.loads(done.output)["after"] == "1 m at noon (clarity 0.61 m, 36 cm long)"


def test_another_engine_after_says_that_its_food_is_assumed():
    """As the maps it scores do."""
    said = "scored by the energy engine, with an assumed amount of food"
    words = ("sunny", "--cell", "2", "--engine-after")
    assert f"\nAfter: {said}\n" in call(*words, "energy").output
    assert json.loads(call(*words, "energy", "--json").output)["scored_after"] == said
    assert "scored by" not in call(*words, "ordinary").output
    assert json.loads(call(*words, "ordinary", "--json").output)["scored_after"] == ""


def test_where_all_score_the_same_after_no_correlation_of_ranks_is_told(tmp_path):
    """With next to nothing adrift no place pays by energy."""
    curves = tmp_path / "curves.toml"
    curves.write_text('[energy.drift_items_m3]\nvalue = 1e-6\nsource = "a test"\n', encoding="utf-8")
    words = ("overcast", "--engine-after", "energy", "--cell", "2", "--curves", str(curves))
    done = call(*words)
    assert "No lie stands out after.\n" in done.output
    assert "\nThey differ most at lie " in done.output
    assert "Rank correlation" not in done.output
    assert {lie["after"] for lie in json.loads(call(*words, "--json").output)["lies"]} == {0.0}


def test_another_fish_changes_no_light(beat):
    """The change has a name of its own, and yet the water and the sky are the same."""
    _, told, _ = compare_on_beat(beat, changed=Changed(species="rainbow"))
    by_light = told.table[told.table["factor"] == "light"]
    assert set(by_light["why"]) == {"this fish minds the light less"}
    # Five are named and the others counted, in words that can't be read as the number of one lie more.
    gaining = int((told.table["what"] == "gains").sum())
    assert gaining > 6
    assert re.search(rf"Lies (\d+, ){{4}}\d+ and {gaining - 5} others gain", told.paragraph)


def test_without_a_lie_no_empty_table_is_printed(tmp_path):
    """With nothing good enough to be called a lie."""
    curves = tmp_path / "curves.toml"
    curves.write_text('[lies.least_score]\nvalue = 1.0\nsource = "a test"\n', encoding="utf-8")
    done = call("sunny", "overcast", "--curves", str(curves))
    assert done.exit_code == 0, done.output
    assert done.output.endswith("No lie stands out in either.\n")


def test_a_layer_that_cannot_be_written_is_said(tmp_path):
    done = call("sunny", "overcast", "--layer", str(tmp_path / "none" / "x.tif"))
    assert done.exit_code == 1
    assert "Choose another place" in done.output
