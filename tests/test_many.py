"""Many beats: a failing one does not stop the rest, nothing is done twice, more processes give the same bytes."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from distributed import LocalCluster

from reachmap.beat import Moment
from reachmap.cli import main
from reachmap.errors import InputError, SettingError
from reachmap.many import list_beats, map_many, map_one
from reachmap.processes import LostError
from reachmap.run import map_beat, write_map


@pytest.fixture(scope="module")
def three(sample_folder, tmp_path_factory) -> list[Path]:
    """Two copies of the sample, one of them broken, and a coarse run of it."""
    root = tmp_path_factory.mktemp("beats")
    for name in ("one", "two", "bad"):
        shutil.copytree(sample_folder, root / name)
    (root / "bad" / "outline.geojson").unlink()
    return [root / "one", root / "bad", root / "two"]


def test_a_failing_beat_is_named_and_the_rest_is_mapped_and_kept(three, tmp_path):
    settings = {"cell_m": 2.0}
    outcomes = map_many(three, tmp_path / "a", jobs=2, settings=settings)
    assert [o.out is not None for o in outcomes] == [True, False, True]
    assert "outline" in outcomes[1].message
    page = (tmp_path / "a" / "index.html").read_text()
    assert "2 beats" in page
    assert "Not mapped" in page
    again = map_many(three, tmp_path / "a", jobs=1, settings=settings)
    assert [o.kept for o in again] == [True, False, True]
    map_many(three, tmp_path / "b", jobs=1, settings=settings)
    for name in ("map.html", "lies.gpkg", "layers.tif", "run.json"):
        assert (tmp_path / "a" / "two" / name).read_bytes() == (tmp_path / "b" / "two" / name).read_bytes()


def test_a_folder_mapped_by_itself_since_is_mapped_again(three, tmp_path):
    settings = {"cell_m": 2.0}
    assert [map_many(three[:1], tmp_path, jobs=1, settings=settings)[0].kept for _ in range(2)] == [False, True]
    map_beat(three[0], tmp_path / "one", cell_m=2.0, scenes=["night"])
    assert not map_many(three[:1], tmp_path, jobs=1, settings=settings)[0].kept


def test_a_folder_that_another_run_filled_meanwhile_is_mapped_again(three, tmp_path, monkeypatch):
    """With other settings, between this run's files and its word that they are made."""
    low, high = {"cell_m": 2.0}, {"cell_m": 2.0, "stage_m": 0.1}

    def and_another(*given):
        written = write_map(*given)
        with monkeypatch.context() as only_once:
            only_once.setattr("reachmap.run.write_map", write_map)
            map_one(three[0], tmp_path / "one", high, False)
        return written

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr("reachmap.run.write_map", and_another)
        assert map_one(three[0], tmp_path / "one", low, False).message == ""
    assert [map_one(three[0], tmp_path / "one", low, False).kept for _ in range(2)] == [False, True]
    assert json.loads((tmp_path / "one" / "run.json").read_text())["settings"]["stage_m"] == 0


def test_a_map_made_since_then_without_background_tiles_is_made_again_with_them(three, tmp_path):
    with_tiles = {"cell_m": 2.0, "imagery": True}
    assert not map_one(three[0], tmp_path / "one", with_tiles, False).kept
    page = (tmp_path / "one" / "map.html").read_bytes()
    map_beat(three[0], tmp_path / "one", cell_m=2.0)
    assert (tmp_path / "one" / "map.html").read_bytes() != page
    assert [map_one(three[0], tmp_path / "one", with_tiles, False).kept for _ in range(2)] == [False, True]
    assert (tmp_path / "one" / "map.html").read_bytes() == page


def test_beats_are_ranked_for_one_moment_and_for_another_anew(three, tmp_path):
    for minute, kept in ((30, False), (30, True), (40, False)):
        moment = Moment(datetime(2026, 10, 10, 21, minute))
        (outcome,) = map_many(three[:1], tmp_path, jobs=1, settings={"cell_m": 2.0, "moment": moment})
        assert outcome.kept == kept
        page = (tmp_path / "index.html").read_text()
        assert re.findall("<h2>(.*?)</h2>", page) == ["clear sky", "overcast"]
        assert page.count(f">10 Oct<br>21:{minute}<") == 2
        assert list(outcome.scenes) == ["clear sky", "overcast"]


def test_the_index_tells_another_level_and_another_engine(three, tmp_path):
    told = "(water 0.10 m above the survey&#x27;s level; scored by the energy engine, with an assumed amount of food)"
    for kept in (False, True):
        settings = {"cell_m": 2.0, "stage_m": 0.1, "engine": "energy"}
        assert map_many(three[:1], tmp_path, jobs=1, settings=settings)[0].kept == kept
        assert told in (tmp_path / "index.html").read_text()


def test_water_too_warm_to_fish_is_told_beside_the_beat_in_its_units(three, tmp_path):
    """22 C is 71.6 F; from 20 C trout are let be (common practice)."""
    warm = shutil.copytree(three[0], tmp_path / "warm")
    toml = (warm / "beat.toml").read_text()
    (warm / "beat.toml").write_text('units = "imperial"\n' + re.sub("temperature_c = .*", "temperature_c = 22", toml))
    done = run(three[0], warm, "--cell", "2", "--jobs", "1", "--out", tmp_path / "out")
    page = (tmp_path / "out" / "index.html").read_text()
    ranked = len(re.findall("<h2>", page))
    assert page.count("/map.html'>") == 2 * ranked
    assert page.count("</a> (water of 72 F: let the fish be)") == ranked
    assert "warm: mapped (water of 72 F: let the fish be)\n" in done.stderr
    assert "one: mapped\n" in done.stderr


def test_what_other_code_told_of_a_beat_is_worked_out_anew(three, tmp_path, monkeypatch):
    assert not map_many(three[:1], tmp_path, jobs=1, settings={"cell_m": 2.0})[0].kept
    monkeypatch.setattr("reachmap.channel.kept.code_mark", lambda: "another")
    assert not map_many(three[:1], tmp_path, jobs=1, settings={"cell_m": 2.0})[0].kept


@pytest.mark.parametrize("lost", ["map.html", "layers.tif"])
def test_a_folder_that_lacks_a_file_is_mapped_again(three, tmp_path, lost):
    for kept in (False, True, False):
        assert map_many(three[:1], tmp_path, jobs=1, settings={"cell_m": 2.0})[0].kept == kept
        assert (tmp_path / "one" / lost).is_file()
        if kept:
            (tmp_path / "one" / lost).unlink()


def test_a_cluster_of_two_workers_gives_the_same_bytes(three, tmp_path, monkeypatch):
    """A real cluster of the library's own, on this machine, whose workers stand in another folder than the user."""
    settings = {"cell_m": 2.0}
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        monkeypatch.chdir(three[0].parent)
        asked = [Path(beat.name) for beat in three]
        there = map_many(
            asked, Path(os.path.relpath(tmp_path / "there")), dask=cluster.scheduler_address, settings=settings
        )
    assert [o.beat for o in there] == asked
    assert there[0].out.resolve() == tmp_path / "there" / "one"
    here = map_many(three, tmp_path / "here", jobs=1, settings=settings)
    assert [o.out is not None for o in there] == [o.out is not None for o in here] == [True, False, True]
    assert there[1].message == here[1].message
    for beat in ("one", "two"):
        names = sorted(path.name for path in (tmp_path / "here" / beat).iterdir())
        assert sorted(path.name for path in (tmp_path / "there" / beat).iterdir()) == names
        for name in names:
            assert (tmp_path / "there" / beat / name).read_bytes() == (tmp_path / "here" / beat / name).read_bytes()
    assert (tmp_path / "there" / "index.html").read_bytes() == (tmp_path / "here" / "index.html").read_bytes()


def test_ctrl_c_stops_the_run_and_what_is_mapped_is_kept(sample_folder, tmp_path):
    """To the whole group of processes, as a terminal sends it."""
    beats = [shutil.copytree(sample_folder, tmp_path / f"beat{n}") for n in range(8)]
    out = tmp_path / "out"
    words = [sys.executable, "-m", "reachmap", "map", *beats, "--cell", "2", "--out", out]
    with subprocess.Popen(
        words, stderr=subprocess.PIPE, text=True, process_group=0, preexec_fn=heeds_ctrl_c
    ) as mapping:
        assert mapping.stderr.readline().startswith("[1/8]")
        os.killpg(mapping.pid, signal.SIGINT)
        begun = time.monotonic()
        told = mapping.stderr.read()
    assert time.monotonic() - begun < 10
    assert mapping.returncode == 1
    assert "Aborted!" in told
    assert "Traceback" not in told
    mapped = {path.name for path in out.iterdir() if (path / "run.json").is_file()}
    assert 1 <= len(mapped) < len(beats) - 2
    # Nothing half written either.
    assert {path.name for path in out.iterdir()} == {*mapped, ".made"}
    (tmp_path / "mapped.txt").write_text("\n".join(mapped))
    # Each process may have been stopped between the last file of a beat and the word that it is made.
    kept = run(tmp_path / "mapped.txt", "--cell", "2", "--out", out).stderr.count("kept, nothing changed")
    assert max(1, len(mapped) - 2) <= kept <= len(mapped)


def heeds_ctrl_c():
    """A process started in the background of a shell would not."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def test_a_beat_whose_process_is_killed_is_named_on_the_index(three, tmp_path, monkeypatch):
    def lose_the_second(work, tasks, count):
        yield 1, LostError("its process was killed")
        yield 0, work(*tasks[0])

    monkeypatch.setattr("reachmap.many.done_here", lose_the_second)
    mapped, lost = map_many(three[:2], tmp_path, jobs=2, settings={"cell_m": 2.0})
    assert (mapped.out, lost.out, lost.message) == (tmp_path / "one", None, "its process was killed")
    assert "its process was killed" in (tmp_path / "index.html").read_text()


def test_curves_that_say_something_else_map_anew(three, tmp_path):
    """A file of curves is kept under its name and edited."""
    curves = tmp_path / "own.toml"
    for least, kept in ((0.45, False), (0.45, True), (0.6, False)):
        curves.write_text(f'[lies.least_score]\nvalue = {least}\nsource = "test"\n')
        (one,) = map_many(three[:1], tmp_path / "out", jobs=1, settings={"cell_m": 2.0, "curves": curves})
        assert one.kept == kept


def test_what_a_beat_names_otherwise_counts_too(three, tmp_path):
    """Soundings in a file called otherwise, named in beat.toml."""
    folder = tmp_path / "named"
    shutil.copytree(three[0], folder)
    (folder / "soundings.csv").rename(folder / "june.csv")
    toml = folder / "beat.toml"
    toml.write_text(toml.read_text() + '\n[files.soundings]\npath = "june.csv"\n')
    kept = []
    for more in ("", "", "\n"):
        with (folder / "june.csv").open("a") as file:
            file.write(more)
        kept.append(map_many([folder], tmp_path / "out", jobs=1, settings={"cell_m": 2.0})[0].kept)
    assert kept == [False, True, False]


def run(*arguments):
    """One command for several beats."""
    return CliRunner().invoke(main, [str(one) for one in ("map", *arguments)])


def test_what_is_asked_of_one_beat_can_be_asked_of_many(three, tmp_path):
    asked = (*three, "--cell", "2", "--species", "rainbow", "--length", "20in", "--imagery", "--quiet", "--json")
    done = run(*asked, "--out", tmp_path / "out")
    assert done.exit_code == 1
    outcomes = json.loads(done.stdout)
    assert [bool(one["message"]) for one in outcomes] == [False, True, False]
    assert [row["scene"] for row in outcomes[0]["best"]] == ["sunny noon", "overcast noon", "full-moon night"]
    asked_for = json.loads((tmp_path / "out" / "two" / "run.json").read_text())["settings"]
    assert (asked_for["species"], asked_for["length_m"]) == ("rainbow", pytest.approx(0.508))
    assert "tile.openstreetmap.org" in (tmp_path / "out" / "two" / "map.html").read_text()


def test_a_beat_that_could_not_be_mapped_is_told_even_where_asked_to_be_quiet(three, tmp_path):
    done = run(*three[:2], "--cell", "2", "--jobs", "1", "--quiet", "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert done.stderr.startswith("[2/2] " + str(three[1]) + ": ")
    assert "no outline" in done.stderr
    assert "mapped" not in done.stderr
    assert done.stdout.startswith("1 beats mapped, 1 not")


def test_scripts_are_given_metres_by_many_as_by_one_and_people_feet(three, tmp_path):
    folder = shutil.copytree(three[0], tmp_path / "feet")
    (folder / "beat.toml").write_text('units = "imperial"\n' + (folder / "beat.toml").read_text())
    (tmp_path / "list.txt").write_text("feet")
    listed = json.loads(CliRunner().invoke(main, ["lies", str(folder), "--cell", "2", "--json", "--quiet"]).stdout)
    (one,) = json.loads(
        run(tmp_path / "list.txt", "--cell", "2", "--json", "--quiet", "--out", tmp_path / "out").stdout
    )
    assert one["best"] == [row for row in listed if row["rank"] == 1]
    assert one["units"] == "imperial"
    page = (tmp_path / "out" / "index.html").read_text()
    assert " ft deep" in page
    assert " m deep" not in page


def test_warnings_of_each_beat_stop_it_where_asked(three, tmp_path):
    """The sample warns of two soundings that contradict each other."""
    done = run(three[0], three[2], "--cell", "2", "--strict", "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert done.stderr.count("differ by more than") == 2
    assert "0 beats mapped, 2 not" in done.stdout


def test_a_place_that_cannot_be_written_and_a_catalogue_that_cannot_be_read_are_told(three, tmp_path):
    (tmp_path / "file").write_bytes(b"\xff\xfe\x00\xd8")
    done = run(three[0], three[2], "--out", tmp_path / "file" / "out")
    assert done.exit_code == 1
    assert "can't be made" in done.stderr
    done = run(tmp_path / "file", "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert "no text in UTF-8" in done.stderr


def test_a_cluster_is_told_of_curves_by_a_path_that_holds_everywhere(three, tmp_path, monkeypatch):
    def here(work, tasks, address):
        with monkeypatch.context() as elsewhere:
            elsewhere.chdir(three[0])
            yield 0, work(*tasks[0])

    monkeypatch.setattr("reachmap.many.done_on_cluster", here)
    monkeypatch.chdir(tmp_path)
    Path("own.toml").write_text('[lies.least_score]\nvalue = 0.6\nsource = "test"\n')
    (one,) = map_many(three[:1], Path("out"), dask="x", settings={"cell_m": 2.0, "curves": Path("own.toml")})
    assert (one.message, one.out) == ("", Path("out") / "one")
    assert (tmp_path / "out" / "one" / "map.html").is_file()


def test_no_cluster_there_is_told(three, tmp_path, monkeypatch):
    monkeypatch.setattr("reachmap.processes.ANSWERS_S", 1)
    with pytest.raises(SettingError, match="no cluster answers"):
        map_many(three, tmp_path / "x", dask="tcp://127.0.0.1:9", settings={"cell_m": 2.0})


def test_a_catalogue_without_a_beat_is_told(tmp_path):
    (tmp_path / "empty.txt").write_text("# none yet\n\n")
    done = run(tmp_path / "empty.txt", "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert "empty.txt: names no beat. A catalogue is a text file" in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_beat_that_fails_is_called_by_its_folder_wherever_one_stands(three, tmp_path, monkeypatch):
    monkeypatch.chdir(three[1])
    (failed,) = map_many([Path()], tmp_path, jobs=1)
    assert (failed.title, failed.out) == ("bad", None)
    assert "<b>bad</b>" in (tmp_path / "index.html").read_text()


def test_a_sign_for_remarks_may_stand_in_the_name_of_a_folder(tmp_path):
    for name in ("beat", "beat #3"):
        (tmp_path / name).mkdir()
    listed = []
    for line in ("beat #3", "beat #3  # the third", "beat  # not #3", "beat#4"):
        (tmp_path / "list.txt").write_text(line)
        listed += [beat.name for beat in list_beats([tmp_path / "list.txt"])]
    assert listed == ["beat #3", "beat #3", "beat", "beat"]
    (tmp_path / "list.txt").write_text("# all\npool #7\n")
    with pytest.raises(InputError, match="line 2: there is no folder 'pool #7'"):
        list_beats([tmp_path / "list.txt"])


def test_a_beat_named_twice_is_mapped_once(tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    (tmp_path / "other").symlink_to("two")
    (tmp_path / "list.txt").write_text("two\nother\none/\ntwo/../one\n")
    assert list_beats([tmp_path / "one", tmp_path / "list.txt"]) == [tmp_path / "one", tmp_path / "two"]


def test_a_catalogue_names_folders_and_says_which_line_is_wrong(three, tmp_path):
    root = three[0].parent
    (root / "good.txt").write_text("one  # the first\n\ntwo\n")
    assert [p.name for p in list_beats([root / "good.txt"])] == ["one", "two"]
    (root / "wrong.txt").write_text("one\nthree\n")
    with pytest.raises(InputError, match="line 2"):
        list_beats([root / "wrong.txt"])
    with pytest.raises(SettingError, match="two beats are called"):
        list_beats([root / "one", shutil.copytree(root / "one", tmp_path / "one")])
    done = CliRunner().invoke(main, ["map", str(root / "wrong.txt"), "--out", str(tmp_path / "out")])
    assert done.exit_code == 1
    assert not (tmp_path / "out").exists()
