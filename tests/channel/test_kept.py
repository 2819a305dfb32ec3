"""What is kept is the same as what was built, and a spoilt entry is built again."""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np
import pytest
from geopandas.testing import assert_geodataframe_equal

from reachmap.beat.model import Fish, Skyline, Terrain
from reachmap.channel import kept
from tests import toy


@pytest.fixture
def built(monkeypatch, tmp_path):
    """A channel with checksums, a cache of its own, and a count of how often it was built."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    channel = toy.channel(cell_m=1.0, beat=toy.beat(sources={"soundings.csv": "abc"}), report={"rmse": 0.1})
    calls = []

    def build():
        calls.append(1)
        return channel

    return channel, build, calls


def test_the_second_run_reads_what_the_first_built(built):
    channel, build, calls = built
    for _ in range(2):
        got = kept.kept_channel(channel.beat, {"cell_m": 1.0}, build)
    assert len(calls) == 1
    assert got.report == channel.report
    assert got.flow_m3_s == channel.flow_m3_s
    np.testing.assert_array_equal(got.grid.wet, channel.grid.wet)
    for name, values in channel.layers.items():
        np.testing.assert_array_equal(got[name], values)
    assert_geodataframe_equal(got.seams, channel.seams)


@pytest.mark.parametrize("change", ["settings", "bytes", "fresh"])
def test_any_change_builds_again(built, change):
    channel, build, calls = built
    kept.kept_channel(channel.beat, {"cell_m": 1.0}, build)
    beat = toy.beat(sources={"soundings.csv": "abd" if change == "bytes" else "abc"})
    kept.kept_channel(beat, {"cell_m": 2.0 if change == "settings" else 1.0}, build, fresh=change == "fresh")
    assert len(calls) == 2


@pytest.mark.parametrize(
    "change",
    [
        lambda b: {"soundings": b.soundings.assign(depth_m=b.soundings["depth_m"].where(b.soundings.index != 9, 0.7))},
        lambda b: {"soundings": b.soundings.assign(geometry=b.soundings.geometry.translate(0.5))},
        lambda b: {"cover": b.cover.iloc[:1]},
        lambda b: {"shade": b.shade.assign(leaf="bare")},
        lambda b: {"outline": b.outline.buffer(0.1)},
        lambda b: {"slope": 0.004},
        lambda b: {"terrain": Terrain(np.zeros((2, 2), np.float32), 0.0, 0.0, 1.0)},
        lambda b: {"skyline": Skyline(np.array([0.0, 90.0, 180.0]), np.array([5.0, 0.0, 3.0]))},
    ],
)
def test_a_beat_changed_in_memory_gets_no_water_of_its_files(built, change):
    channel, build, calls = built
    kept.kept_channel(channel.beat, {}, build)
    kept.kept_channel(replace(channel.beat, **change(channel.beat)), {}, build)
    assert len(calls) == 2


def test_another_fish_on_another_day_keeps_the_water(built):
    channel, build, calls = built
    kept.kept_channel(channel.beat, {}, build)
    kept.kept_channel(replace(channel.beat, fish=Fish("brook", 0.2), scenes=channel.beat.scenes[:1]), {}, build)
    assert len(calls) == 1


def test_arrays_are_kept_too(built):
    beat, calls = built[0].beat, []

    def work_out():
        calls.append(1)
        return {"sun": np.arange(6, dtype=np.uint8).reshape(2, 3)}

    for _ in range(2):
        got = kept.kept_arrays(beat, {"day": "2026-06-20"}, work_out)
    kept.kept_arrays(beat, {"day": "2026-06-21"}, work_out)
    assert len(calls) == 2
    np.testing.assert_array_equal(got["sun"], [[0, 1, 2], [3, 4, 5]])


def test_a_spoilt_entry_is_built_again(built, tmp_path):
    channel, build, calls = built
    kept.kept_channel(channel.beat, {}, build)
    (entry,) = (tmp_path / "reachmap").glob("*.zip")
    entry.write_bytes(entry.read_bytes()[:500])
    kept.kept_channel(channel.beat, {}, build)
    assert len(calls) == 2


def lacks_the_last(whole):
    """The directory of an archive, and how many entries it says to have, without the last of them."""
    last, end = whole.rindex(b"PK\x01\x02"), len(whole) - 22
    count, size = struct.unpack("<HL", whole[end + 10 : end + 16])
    told = struct.pack("<HHL", count - 1, count - 1, size - (end - last))
    return whole[:last] + whole[end : end + 8] + told + whole[end + 16 :]


def with_byte(offset, value):
    """A change of one byte of the first entry in the directory of an archive."""

    def spoil(whole):
        at = whole.index(b"PK\x01\x02") + offset
        return whole[:at] + bytes([value]) + whole[at + 1 :]

    return spoil


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(with_byte(8, 0x20), id="patched"),
        pytest.param(with_byte(8, 0x01), id="with a password"),
        pytest.param(with_byte(10, 99), id="packed nobody knows how"),
        pytest.param(with_byte(10, 8), id="deflated"),
        pytest.param(with_byte(10, 14), id="packed otherwise"),
        pytest.param(lacks_the_last, id="lacks a layer"),
    ],
)
@pytest.mark.parametrize("what", ["channel", "arrays"])
def test_an_entry_spoilt_in_one_place_is_built_again(built, tmp_path, spoil, what):
    """Places by the specification of zip archives, 4.3.12 and 4.3.16: flags at 8, packing at 10."""
    channel, build, calls = built

    def arrays():
        calls.append(1)
        return {"sun": np.arange(6), "sky": np.arange(4)}

    def once():
        if what == "channel":
            return kept.kept_channel(channel.beat, {}, build).layers
        return kept.kept_arrays(channel.beat, {}, arrays)

    first = once()
    (entry,) = (tmp_path / "reachmap").glob("*.zip")
    entry.write_bytes(spoil(entry.read_bytes()))
    assert once().keys() == first.keys()
    once()
    assert len(calls) == 2


def test_a_beat_made_in_memory_is_not_kept(built, tmp_path):
    _, build, calls = built
    for _ in range(2):
        kept.kept_channel(toy.beat(), {}, build)
    assert len(calls) == 2
    assert not (tmp_path / "reachmap").exists()


def test_an_unwritable_cache_does_no_harm(built, monkeypatch, tmp_path):
    channel, build, _ = built
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    assert kept.kept_channel(channel.beat, {}, build) is channel


def test_the_oldest_go_when_the_cache_is_full(built, monkeypatch, tmp_path):
    channel, build, _ = built
    monkeypatch.setattr(kept, "KEEP_BYTES", 10)
    kept.kept_channel(channel.beat, {}, build)
    assert list((tmp_path / "reachmap").iterdir()) == []
