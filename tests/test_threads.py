"""Work cut into pieces: nothing left out, nothing twice, and the same bytes as in one piece."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from threadpoolctl import threadpool_info, threadpool_limits

from reachmap import threads
from reachmap.channel import build_channel
from reachmap.light import light_at, prepare_shade
from reachmap.sight import see
from reachmap.trout import hold
from reachmap.trout.model import FACTORS
from tests import toy


@given(st.integers(0, 5 * threads.PIECE))
def test_pieces_follow_each_other(n):
    cut = threads.pieces(n)
    ends = [0, *(piece.stop for piece in cut)]
    assert [piece.start for piece in cut] == ends[:-1]
    assert ends[-1] == n
    assert all(0 < piece.stop - piece.start <= threads.PIECE for piece in cut)


def test_the_order_stays_and_errors_come_through():
    assert threads.side_by_side(lambda k: k * k, range(100)) == [k * k for k in range(100)]
    with pytest.raises(ZeroDivisionError):
        threads.side_by_side(lambda k: 1 // k, range(3))


def test_one_of_many_processes_takes_its_part_of_the_processors(monkeypatch):
    names = set()

    def note(_):
        names.add(threading.current_thread().name)

    monkeypatch.setattr(threads.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(threads, "_crowd", [1])
    threads.side_by_side(note, range(4))
    assert threading.current_thread().name not in names
    names.clear()
    threads.share_processors(2)
    threads.side_by_side(note, range(4))
    assert names == {threading.current_thread().name}


@pytest.mark.parametrize("engine", ["ordinary", "energy"])
@pytest.mark.parametrize("scene", range(3))
def test_small_pieces_give_the_bytes_of_one(monkeypatch, scene, engine):
    channel = toy.channel()
    shade = prepare_shade(channel)

    def scored(piece):
        monkeypatch.setattr(threads, "PIECE", piece)
        light = light_at(channel, toy.scenes()[scene], shade)
        sight = see(channel, light, channel.beat.fish)
        return light, hold(channel, light, sight, channel.beat.fish, engine=engine)

    (light, found), (light_too, found_too) = scored(channel.grid.n_wet), scored(97)
    for one, other in ((light, light_too), (found, found_too)):
        for name, values in one.layers.items():
            assert values.tobytes() == other[name].tobytes(), name
    few = np.arange(5, channel.grid.n_wet, 211)
    for factors in (found.factors_day, found.factors_night):
        for name, values in factors.at(few).items():
            assert values.tobytes() == factors[name][few].tobytes(), name
        assert tuple(factors) == FACTORS


def blas_threads() -> set[int]:
    """How many threads the numerical libraries take, as a general library reads it from them."""
    return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}


def test_from_python_the_numerical_library_keeps_to_one_thread_while_the_water_is_worked_out(monkeypatch):
    monkeypatch.delenv(threads.ONE_THREAD, raising=False)
    seen = []
    with threadpool_limits(limits=2, user_api="blas"):
        build_channel(toy.beat(), progress=lambda step, share: seen.append(blas_threads()))
        assert blas_threads() == {2}
    assert seen
    assert all(found == {1} for found in seen)
