"""The output folder: readable by general tools, whole or not at all, the same bytes for the same input."""

from __future__ import annotations

import errno
import json
import multiprocessing
import os
import resource
import shutil
import signal
import sqlite3
import time
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
from pyproj import CRS, Transformer

from reachmap.errors import OutputError
from reachmap.layers import LAYERS
from reachmap.trout.model import FACTORS, Comparison
from reachmap.visit import plan_visit
from reachmap.write import folder, rasters, vectors, write_outputs
from reachmap.write.rows import lies_table, notes_at
from reachmap.write.summary import summarise
from tests import toy

NAMES = ["card.html", "layers.tif", "lies.csv", "lies.gpkg", "map.html", "run.json", "waypoints.gpx"]
VECTORS = {"lies", "seams", "lanes", "stances", "outline", "cautions"}


@pytest.fixture(scope="module")
def result():
    return toy.result(toy.channel(cell_m=1.0), record={"reachmap": "x", "beat": "Toy water"})


def write(result, out, text="page"):
    return write_outputs(result, out, {"map.html": lambda: text, "card.html": lambda: text})


def test_every_file_is_there_and_general_tools_read_it(result, tmp_path):
    assert [p.name for p in write(result, tmp_path / "out")] == NAMES
    with rasterio.open(tmp_path / "out" / "layers.tif") as raster:
        bands = dict(zip(raster.descriptions, range(1, raster.count + 1), strict=True))
        assert len(bands) == raster.count, "two bands of one name"
        depth = raster.read(bands["depth"])
        np.testing.assert_array_equal(depth, result.channel.map("depth"))
        assert raster.units[bands["depth"] - 1] == "m"
        assert {name.split(",")[0] for name in bands} <= set(LAYERS)
        for scene, outlook in result.outlooks.items():
            told = raster.tags(bands[f"hold, {scene}"])
            assert datetime.fromisoformat(told["when"]) == outlook.scene.when
            assert int(told["cloud_oktas"]) == outlook.scene.cloud
        assert "when" not in raster.tags(bands["depth"])
        factors = ", ".join(f"{number} {factor}" for number, factor in enumerate(FACTORS, 1))
        assert raster.tags(bands[f"limiting, {scene}"])["meaning"].endswith(f": {factors}")
    assert {name for name, _ in pyogrio.list_layers(tmp_path / "out" / "lies.gpkg")} >= VECTORS
    points = gpd.read_file(tmp_path / "out" / "waypoints.gpx", layer="waypoints").to_crs(toy.CRS_LOCAL)
    np.testing.assert_allclose(points.geometry.x, result.lies.table["x"], atol=0.05)
    assert json.loads((tmp_path / "out" / "run.json").read_text())["cautions"]


def test_a_lie_lies_at_one_place_in_every_file(result, tmp_path):
    """To the sixth place of a degree, a tenth of a metre, which the table is rounded to."""
    write(result, tmp_path / "out")
    listed = {row["lie"]: (row["lon"], row["lat"]) for row in lies_table(result)}
    points = gpd.read_file(tmp_path / "out" / "waypoints.gpx", layer="waypoints")
    marked = {int(name.split()[1]): (at.x, at.y) for name, at in zip(points["name"], points.geometry, strict=True)}
    assert listed
    for number, place in listed.items():
        assert marked[number] == pytest.approx(place, abs=6e-7)


def test_a_lie_that_does_not_stand_out_in_a_scene_has_no_rank_there(result, tmp_path):
    """Rather than a nought, which would be better than the first."""
    vectors.write_vectors(result, tmp_path / "lies.gpkg")
    table = gpd.read_file(tmp_path / "lies.gpkg", layer="lies").set_index("lie")
    ranks = {scene: scores["rank"] for scene, scores in result.lies.scenes.items()}
    assert any((own == 0).any() for own in ranks.values())
    for scene, own in ranks.items():
        assert table[f"rank, {scene}"].dropna().to_dict() == own[own > 0].to_dict()


@pytest.mark.parametrize("count", [None, 0])
def test_waypoints_say_who_made_them_with_lies_and_without(result, tmp_path, count):
    """The root of a GPX 1.1 file has a version and a creator (its schema, from memory)."""
    few = replace(result.lies, table=result.lies.table[:count])
    few = replace(few, scenes={name: scores[:count] for name, scores in few.scenes.items()})
    vectors.write_waypoints(replace(result, lies=few), tmp_path / "waypoints.gpx")
    root = ElementTree.parse(tmp_path / "waypoints.gpx").getroot()
    assert root.tag == "{http://www.topografix.com/GPX/1/1}gpx"
    assert root.get("version") == "1.1"
    assert root.get("creator")
    assert len(root) == len(few.table)


def test_waypoints_carry_number_and_words(result, tmp_path):
    """Read by pyogrio; written through one before 0.13 the names became heights."""
    vectors.write_waypoints(result, tmp_path / "waypoints.gpx")
    points = gpd.read_file(tmp_path / "waypoints.gpx", layer="waypoints")
    assert list(points["name"]) == [f"Lie {number} {kind}" for number, kind in result.lies.table["kind"].items()]
    assert points["ele"].isna().all()
    first, *others = result.lies.scenes.items()
    # At least one of them stands out in a later scene only.
    assert any(((scores["rank"] > 0) & (first[1]["rank"] == 0)).any() for _, scores in others)
    for lie, words in zip(result.lies.table.index, points["desc"], strict=True):
        where = [(name, scores) for name, scores in (first, *others) if scores.loc[lie, "rank"] > 0]
        name, scores = where[0] if where else first
        assert words.startswith(f"{name}, ")
        assert words.endswith(scores.loc[lie, "why"])


def test_a_waypoint_of_a_lie_that_stands_out_in_no_scene_shown_says_so(result, tmp_path):
    name, scores = next(iter(result.lies.scenes.items()))
    shown = replace(result, lies=replace(result.lies, scenes={name: scores}))
    vectors.write_waypoints(shown, tmp_path / "waypoints.gpx")
    points = gpd.read_file(tmp_path / "waypoints.gpx", layer="waypoints")
    assert np.array_equal(points["desc"].str.contains("does not stand out then; "), scores["rank"] == 0)
    assert 0 < (scores["rank"] == 0).sum() < len(scores)


def test_all_draws_are_said_of_all_only(result):
    """199 of 200 draws, which the table of lies.csv tells as 0.995."""
    name, scores = next(iter(result.lies.scenes.items()))
    best = scores.index[scores["rank"] == 1]
    for share, said in ((0.995, 99), (1.0, 100), (0.29, 29)):
        sure = scores.assign(sure=scores["sure"].where(scores.index != best[0], share))
        lies = replace(
            result.lies, scenes={**result.lies.scenes, name: sure}, report={**result.lies.report, "draws": 200}
        )
        drawn = replace(result, lies=lies)
        assert f"1. lie {best[0]} (" in summarise(drawn)
        assert f"in the top five in {said} % of draws" in summarise(drawn)
        assert lies_table(drawn)[0]["sure"] == share


def test_waypoints_of_a_scene_with_odd_characters_are_xml(tmp_path):
    scene = replace(toy.scenes()[0], name="a\x07\ufffe <b> & \N{GREEK SMALL LETTER BETA}")
    vectors.write_waypoints(toy.result(toy.channel(1.0, beat=toy.beat(scenes=(scene,)))), tmp_path / "waypoints.gpx")
    points = gpd.read_file(tmp_path / "waypoints.gpx", layer="waypoints")
    assert all(words.startswith("a <b> & \N{GREEK SMALL LETTER BETA}, ") for words in points["desc"])


def test_the_table_carries_what_the_list_for_scripts_does(result, tmp_path):
    """Read by pandas and the json module, without words JSON doesn't have (no NaN; RFC 8259, from memory)."""
    write(result, tmp_path / "out")
    table = pd.read_csv(tmp_path / "out" / "lies.csv", keep_default_na=False)
    listed, degrees = lies_table(result), Transformer.from_crs(toy.CRS_LOCAL, 4326, always_xy=True)
    assert len(table) == len(listed) > 0

    def refuse(word):
        raise AssertionError(word)

    for row, own in zip(table.to_dict("records"), listed, strict=True):
        scene = result.outlooks[row["scene"]].scene
        assert datetime.fromisoformat(row["when"]) == scene.when
        assert row["cloud_oktas"] == own["cloud_oktas"] == scene.cloud
        lie = result.lies.table.loc[row["lie"]]
        for name, step in {"depth_m": 0.01, "drift_m_s": 0.01, "area_m2": 0.1}.items():
            assert row[name] == pytest.approx(lie[name], abs=0.51 * step)
        assert (row["lon"], row["lat"]) == pytest.approx(degrees.transform(lie["x"], lie["y"]), abs=1e-6)
        for name in ("notes", "sees", "lanes", "stances"):
            assert json.loads(row[name], parse_constant=refuse) == own[name]


def test_a_note_belongs_to_a_lie_up_to_two_metres_off(result):
    """About the error of a phone's position."""
    lie = result.lies.table.iloc[:1].set_geometry([shapely.box(0, 0, 4, 4)], crs=toy.CRS_LOCAL)
    rows = {"id": [1, 2, 3], "text": ["in it", "near it", "off it"], "kind": "", "time": ""}
    notes = gpd.GeoDataFrame(rows, geometry=shapely.points([2, 5.9, 6.1], [2, 2, 2]), crs=toy.CRS_LOCAL)
    channel = replace(result.channel, beat=replace(result.channel.beat, notes=notes))
    made = replace(result, channel=channel, lies=replace(result.lies, table=lie))
    assert notes_at(made, lie.index[0]) == ["in it", "near it"]


def test_where_no_lie_stands_out_the_files_keep_their_shape(result, tmp_path):
    """Layers, geometries, columns and their types are those of a beat with lies."""
    table = result.lies.table[:0]
    none = replace(
        result.lies,
        table=table.astype(dict.fromkeys(table.columns.drop(["x", "y", "geometry"]), object)),
        scenes={name: scores[:0] for name, scores in result.lies.scenes.items()},
        label=np.zeros_like(result.lies.label),
    )
    seams = gpd.GeoDataFrame({name: [] for name in result.channel.seams}, crs=toy.CRS_LOCAL)
    poor = replace(
        result,
        lies=none,
        visit=plan_visit(result.channel, result.outlooks, none),
        channel=replace(result.channel, seams=seams),
    )

    def written(made, name):
        vectors.write_vectors(made, tmp_path / f"{name}.gpkg")
        vectors.write_table(made, tmp_path / f"{name}.csv")
        layers = [pyogrio.read_info(tmp_path / f"{name}.gpkg", layer=layer) for layer in sorted(VECTORS)]
        columns = [[*zip(layer["fields"], layer["ogr_types"], strict=True)] for layer in layers]
        return columns, [layer["geometry_type"] for layer in layers], list(pd.read_csv(tmp_path / f"{name}.csv"))

    assert written(poor, "empty") == written(result, "full")
    assert not len(gpd.read_file(tmp_path / "empty.gpkg", layer="lies"))


def test_shapes_on_the_date_line_do_not_go_round_the_world(result, tmp_path):
    """The toy river, 120 m or 0.0018 degrees long, laid over the 180th meridian: nothing of it spans more."""
    lon = -179.9996
    crs = CRS.from_proj4(f"+proj=tmerc +lat_0={toy.LAT} +lon_0={lon} +datum=WGS84 +units=m")
    channel, lies, visit = result.channel, result.lies, result.visit
    lanes, stances, seams, table = (
        shapes.set_crs(crs, allow_override=True) for shapes in (visit.lanes, visit.stances, channel.seams, lies.table)
    )
    there = replace(
        result,
        channel=replace(channel, beat=replace(channel.beat, lon=lon, crs=crs), seams=seams),
        lies=replace(lies, table=table),
        visit=replace(visit, lanes=lanes, stances=stances),
    )
    vectors.write_vectors(there, tmp_path / "lies.gpkg")
    bounds = [gpd.read_file(tmp_path / "lies.gpkg", layer=layer).total_bounds for layer in VECTORS]
    assert np.ptp([east for west, _, east, _ in bounds] + [west for west, *_ in bounds]) < 0.002
    lane = next(row["lanes"][0]["at"] for row in lies_table(there) if row["lanes"])
    assert np.ptp([place[0] for place in lane]) < 0.002
    assert min(place[0] for place in lane) < -180.0 < max(place[0] for place in lane)


def test_a_row_tells_of_its_own_scene_only(result):
    """By night the fish doesn't see what it does at noon, nor is it met then; a third scene has neither."""
    noon, other, night = result.outlooks
    lie = next(row["lie"] for row in lies_table(result) if row["scene"] == night and row["lanes"])
    order = result.visit.order.assign(lie=lie)
    visit = replace(
        result.visit,
        orders={noon: order, night: order.assign(when="01:20")},
        seen={noon: {lie: {"range_m": 1.6}}, night: {lie: {"range_m": 0.4}}},
    )
    rows = {row["scene"]: row for row in lies_table(replace(result, visit=visit)) if row["lie"] == lie}
    assert [rows[scene]["sees"] for scene in (noon, other, night)] == [{"range_m": 1.6}, {}, {"range_m": 0.4}]
    assert [rows[scene]["met_at"] for scene in (noon, other, night)] == ["12:10", None, "01:20"]
    assert ["in_view_s" in rows[scene]["lanes"][0] for scene in (noon, other, night)] == [True, False, False]
    assert rows[night]["lanes"][0]["lead_m"] == rows[noon]["lanes"][0]["lead_m"]


def test_a_row_tells_where_to_stand_on_the_date_of_its_scene(result):
    """Not where on another, with another sun; one place may do for several."""
    one = result.visit.stances.iloc[[0]]
    dates = ("2026-06-20", "2026-12-21", "2026-06-20, 2026-06-25")
    stances = pd.concat([one.assign(dates=there, cast_m=far) for far, there in enumerate(dates)])
    days = {name: result.days[name] for name in result.outlooks}
    winter = list(days)[-1]
    moved = replace(days[winter], times=tuple(time.replace(month=12, day=21) for time in days[winter].times))
    made = replace(result, visit=replace(result.visit, stances=stances), days={**days, winter: moved})
    rows = [row for row in lies_table(made) if row["lie"] == 1]
    told = {row["scene"]: [stance["cast_m"] for stance in row["stances"]] for row in rows}
    assert told == {name: [1] if name == winter else [0, 2] for name in told}
    assert winter in told
    assert len(told) > 1


@pytest.mark.parametrize(("most", "packed"), [(rasters.RIVER_CELLS, "deflate"), (10, "zstd")])
def test_a_river_is_packed_another_way_and_reads_the_same(result, tmp_path, monkeypatch, most, packed):
    monkeypatch.setattr(rasters, "RIVER_CELLS", most)
    rasters.write_layers(result, tmp_path / "layers.tif")
    with rasterio.open(tmp_path / "layers.tif") as raster:
        assert raster.compression.value.lower() == packed
        number = raster.descriptions.index("depth") + 1
        np.testing.assert_array_equal(raster.read(number), result.channel.map("depth"))


def test_the_same_result_gives_the_same_bytes(result, tmp_path):
    write(result, tmp_path / "a")
    time.sleep(1.1)
    write(result, tmp_path / "b")
    for name in NAMES:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_a_foreign_folder_is_left_alone(result, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.txt").write_text("mine")
    with pytest.raises(OutputError, match="did not write"):
        write(result, tmp_path / "out")
    assert [p.name for p in tmp_path.rglob("*")] == ["out", "thesis.txt"]


@pytest.mark.parametrize("links", [True, False])
def test_what_else_stands_in_the_old_folder_is_carried_over(result, tmp_path, monkeypatch, links):
    """On a disk that gives files second names and on one that does not."""
    out = tmp_path / "out"
    write(result, out, "old")
    (out / "notes.geojson").write_text("mine")
    (out / "notes (1).geojson").write_text("mine too")
    (out / "photos" / "june").mkdir(parents=True)
    (out / "photos" / "june" / "pool.jpg").write_bytes(b"a picture")
    (out / "latest").symlink_to("photos")

    def none(*_, **__):
        raise OSError(errno.EPERM, "Operation not permitted")

    if not links:
        monkeypatch.setattr(os, "link", none)
    for _ in range(2):
        # Not among what the run has written.
        assert [path.name for path in write(result, out, "new")] == NAMES
    assert (out / "notes.geojson").read_text() == "mine"
    assert (out / "notes (1).geojson").read_text() == "mine too"
    assert (out / "photos" / "june" / "pool.jpg").read_bytes() == b"a picture"
    assert (out / "latest").readlink().name == "photos"
    assert (out / "map.html").read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_what_a_gis_kept_about_the_old_files_goes_with_them(result, tmp_path):
    """Edits it had not saved into the GeoPackage yet, pyramids of the old layers: the new files are read without."""
    out = tmp_path / "out"
    write(result, out, "old")
    edit = sqlite3.connect(out / "lies.gpkg")
    edit.execute("PRAGMA journal_mode=WAL")
    edit.execute("CREATE TABLE mine (a)")
    edit.commit()
    with rasterio.Env(TIFF_USE_OVR="YES"), rasterio.open(out / "layers.tif", "r+") as layers:
        layers.build_overviews([2])
    assert {"lies.gpkg-wal", "layers.tif.ovr"} <= {path.name for path in out.iterdir()}
    write(result, out, "new")
    edit.close()
    assert sorted(path.name for path in out.iterdir()) == sorted(NAMES)
    with sqlite3.connect(out / "lies.gpkg") as read:
        assert read.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


@pytest.mark.parametrize("stop", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt()])
def test_what_cannot_be_carried_over_leaves_the_old_folder_as_it_was(result, tmp_path, monkeypatch, stop):
    write(result, tmp_path / "out", "old")
    (tmp_path / "out" / "photo.jpg").write_bytes(b"a picture")

    def fail(*_):
        raise stop

    monkeypatch.setattr(folder, "_second_name", fail)
    with pytest.raises((OutputError, KeyboardInterrupt)):
        write(result, tmp_path / "out", "new")
    assert (tmp_path / "out" / "photo.jpg").read_bytes() == b"a picture"
    assert (tmp_path / "out" / "map.html").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_full_disk_leaves_the_old_folder_whole(result, tmp_path, monkeypatch):
    write(result, tmp_path / "out", "old")

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(folder, "write_waypoints", full)
    with pytest.raises(OutputError, match="No space left"):
        write(result, tmp_path / "out", "new")
    assert (tmp_path / "out" / "map.html").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@contextmanager
def files_of_at_most(size):
    """What is written beyond so many bytes of a file is refused, as by a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(size), before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("share", [0.02, 0.5, 0.99])
@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("layers.tif", rasters.write_layers),
        ("lies.gpkg", vectors.write_vectors),
        ("lies.csv", vectors.write_table),
        ("waypoints.gpx", vectors.write_waypoints),
    ],
)
def test_no_file_is_cut_off_in_silence(result, tmp_path, name, make, share):
    path = tmp_path / name
    make(result, path)
    whole = path.stat().st_size
    path.unlink()
    with files_of_at_most(share * whole):
        try:
            make(result, path)
        except OSError:
            return
    # What is left out without a word may only be what a reader can do without.
    assert name == "lies.gpkg"
    assert {layer for layer, _ in pyogrio.list_layers(path)} >= VECTORS


def test_layers_cut_off_leave_the_old_folder_whole(result, tmp_path):
    out = tmp_path / "out"
    write(result, out, "old")
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    with files_of_at_most(len(before["layers.tif"]) - 1), pytest.raises(OutputError, match="disk seems to be full"):
        write(result, out, "new")
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_difference_cut_off_leaves_the_old_one(result, tmp_path):
    path, n = tmp_path / "difference.tif", result.channel.grid.n_wet
    told = Comparison("before", "after", np.linspace(-1, 1, n, dtype=np.float32), pd.DataFrame(), "")
    rasters.write_difference(result.channel, told, path)
    before = path.read_bytes()
    with files_of_at_most(0.5 * len(before)), pytest.raises(OutputError, match="disk seems to be full"):
        rasters.write_difference(result.channel, told, path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def _forever(out):
    made = toy.result(toy.channel(cell_m=2.0), record={"reachmap": "x", "beat": "Toy water"})
    while True:
        write(made, out)


def test_a_killed_run_never_leaves_half_a_folder(result, tmp_path):
    """Killed at ten random moments; the folder is whole whenever it is there, and comes back on the next run."""
    out = tmp_path / "out"
    write(result, out)
    rng = np.random.default_rng(2)
    spawn = multiprocessing.get_context("fork")
    for _ in range(10):
        run = spawn.Process(target=_forever, args=(out,))
        run.start()
        time.sleep(0.3 + 0.4 * rng.random())
        os.kill(run.pid, signal.SIGKILL)
        run.join()
        if out.exists():
            assert sorted(p.name for p in out.iterdir()) == NAMES
        else:
            folder._sweep(out)
            assert sorted(p.name for p in out.iterdir()) == NAMES


def test_a_folder_another_run_is_about_to_replace_is_no_error(result, tmp_path, monkeypatch):
    """Between the moment this run's folder stands and its return, another run has moved it away."""
    out, real = tmp_path / "out", folder._swap

    def swapped(beside, place):
        real(beside, place)
        shutil.rmtree(place)

    monkeypatch.setattr(folder, "_swap", swapped)
    assert [path.name for path in write(result, out)] == NAMES
    # Nor one that goes between two looks at it.
    out.mkdir()
    (out / "map.html").touch()
    monkeypatch.setattr(folder, "_is_ours", shutil.rmtree)
    assert [path.name for path in write(result, out)] == NAMES
