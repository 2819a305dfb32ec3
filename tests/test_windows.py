"""A reach worked in small windows gives what one window gives: halos, pieces and batches leave no trace."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import shapely

from reachmap import threads
from reachmap.channel import build_channel, grid, kernel, model, waterline
from reachmap.light import light_at, prepare_shade, shadow
from reachmap.trout import find_lies, outlook_for
from tests.benchmarks.stages import river_beat

WINDOWS = (
    (model, "WINDOW"),
    (grid, "BAND"),
    (waterline, "SOME"),
    (kernel, "CHUNK"),
    (shadow, "MOST_RAYS"),
    (threads, "PIECE"),
)
"""Side of a window of a map, cells drawn at once, distances at once, places kriged at once, rays at once, cells of a
piece."""

LARGE = 1 << 30


def everything(monkeypatch, beat, sizes):
    """Every layer of the chain, and the lies, with windows of these sizes."""
    for (module, name), size in zip(WINDOWS, sizes, strict=True):
        monkeypatch.setattr(module, name, size)
    channel = build_channel(beat, cell_m=0.6)
    shade = prepare_shade(channel)
    layers = dict(channel.layers)
    outlooks = {scene.name: outlook_for(channel, light_at(channel, scene, shade)) for scene in beat.scenes}
    for scene, outlook in outlooks.items():
        for one in (outlook.light, outlook.sight, outlook.holding):
            layers |= {f"{name}, {scene}": values for name, values in one.layers.items()}
    return layers, find_lies(channel, outlooks)


@pytest.fixture(scope="module")
def river():
    return river_beat(260.0)


def test_small_windows_leave_no_trace(monkeypatch, river):
    one, lies = everything(monkeypatch, river, (LARGE,) * len(WINDOWS))
    many, lies_too = everything(monkeypatch, river, (64, 1 << 13, 301, 97, 1 << 10, 509))
    assert len(one["depth"]) > 20 * 509
    for name, values in one.items():
        np.testing.assert_allclose(many[name], values, rtol=1e-6, atol=1e-6, err_msg=name)
    assert len(lies.table) > 3
    np.testing.assert_array_equal(lies_too.label, lies.label)


def peak_of(beat) -> float:
    """Most memory the channel and its light take at once [bytes], by Python's own count, which numpy reports to."""
    tracemalloc.start()
    channel = build_channel(beat, cell_m=0.3)
    light_at(channel, beat.scenes[0], prepare_shade(channel))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def test_memory_grows_with_the_water_and_not_with_the_box_around_it():
    """The same river along the map and across it: nearly seven times the box, the same water."""
    along, across = river_beat(1200.0), river_beat(1200.0, turned_deg=45.0)
    boxes = [shapely.box(*beat.outline.bounds).area for beat in (along, across)]
    assert boxes[1] > 6 * boxes[0]
    assert across.outline.area == pytest.approx(along.outline.area, rel=1e-6)
    build_channel(river_beat(120.0), 0.5)
    assert peak_of(across) < 1.3 * peak_of(along)
