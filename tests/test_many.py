"""Many beats: a failing one does not stop the rest, nothing is done twice, more processes give the same bytes."""

from __future__ import annotations

import re
import shutil
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from distributed import LocalCluster

from reachmap.beat import Moment
from reachmap.cli import main
from reachmap.errors import InputError, SettingError
from reachmap.many import list_beats, map_many


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


def test_beats_are_ranked_for_one_moment_and_for_another_anew(three, tmp_path):
    for minute, kept in ((30, False), (30, True), (40, False)):
        moment = Moment(datetime(2026, 10, 10, 21, minute))
        (outcome,) = map_many(three[:1], tmp_path, jobs=1, settings={"cell_m": 2.0, "moment": moment})
        assert outcome.kept == kept
        page = (tmp_path / "index.html").read_text()
        assert re.findall("<h2>(.*?)</h2>", page) == ["clear sky", "overcast"]
        assert page.count(f">10 Oct<br>21:{minute}<") == 2


def test_a_cluster_of_two_workers_gives_the_same_bytes(three, tmp_path):
    """A real cluster of the library's own, on this machine."""
    settings = {"cell_m": 2.0}
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        there = map_many(three, tmp_path / "there", dask=cluster.scheduler_address, settings=settings)
    here = map_many(three, tmp_path / "here", jobs=1, settings=settings)
    assert [o.out is not None for o in there] == [o.out is not None for o in here] == [True, False, True]
    assert there[1].message == here[1].message
    for beat in ("one", "two"):
        names = sorted(path.name for path in (tmp_path / "here" / beat).iterdir())
        assert sorted(path.name for path in (tmp_path / "there" / beat).iterdir()) == names
        for name in names:
            assert (tmp_path / "there" / beat / name).read_bytes() == (tmp_path / "here" / beat / name).read_bytes()
    assert (tmp_path / "there" / "index.html").read_bytes() == (tmp_path / "here" / "index.html").read_bytes()


def test_no_cluster_there_is_told(three, tmp_path):
    with pytest.raises(SettingError, match="no cluster answers"):
        map_many(three, tmp_path / "x", dask="tcp://127.0.0.1:9", settings={"cell_m": 2.0})


def test_a_catalogue_names_folders_and_says_which_line_is_wrong(three, tmp_path):
    root = three[0].parent
    (root / "good.txt").write_text("one  # the first\n\ntwo\n")
    assert [p.name for p in list_beats([root / "good.txt"])] == ["one", "two"]
    (root / "wrong.txt").write_text("one\nthree\n")
    with pytest.raises(InputError, match="line 2"):
        list_beats([root / "wrong.txt"])
    with pytest.raises(SettingError, match="two beats are called"):
        list_beats([root / "one", root / "one"])
    done = CliRunner().invoke(main, ["map", str(root / "wrong.txt"), "--out", str(tmp_path / "out")])
    assert done.exit_code == 1
    assert not (tmp_path / "out").exists()
