"""The log held against the map, on the sample."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner

from reachmap.beat import read_beat
from reachmap.channel import build_channel
from reachmap.cli import main
from reachmap.errors import InputError
from reachmap.trout import load_curves
from reachmap.trout.learn import LEAST_FISH, join_log, judge, worth_measuring


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
    assert len(joined.fish["day"]) + len(joined.fish["night"]) == joined.entries["fish"].sum()


def test_few_fish_give_counts_and_a_plain_sentence(joined):
    verdict = judge(joined, "day")
    assert verdict.n_fish < LEAST_FISH
    assert np.isnan(verdict.boyce)
    assert verdict.classes["fish"].sum() == verdict.n_fish
    assert "too few" in verdict.sentence


def test_what_to_measure_next_lies_on_the_beat(channel):
    told = worth_measuring(channel, channel.beat.scenes[0], load_curves(None, channel.beat.fish))
    assert len(told) == 3
    assert all(0 <= low < high and what in ("depth", "speed") for low, high, what in told)


def test_a_beat_without_a_log_is_said(channel):
    from dataclasses import replace

    bare = replace(channel, beat=replace(channel.beat, log=channel.beat.log.iloc[:0]))
    with pytest.raises(InputError, match="no log"):
        join_log(bare, load_curves())


def test_the_command_writes_the_page(sample_folder, tmp_path):
    done = CliRunner().invoke(main, ["learn", str(sample_folder), "--out", str(tmp_path / "learned.html"), "--quiet"])
    assert done.exit_code == 0, done.output
    assert "too few" in done.output
    page = (tmp_path / "learned.html").read_text()
    assert "What to measure next" in page
    assert "no probability of a fish" in page
