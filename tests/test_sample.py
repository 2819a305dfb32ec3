"""The sample beat is what its generator makes, and it keeps what it promises."""

from __future__ import annotations

import numpy as np

from reachmap.beat import read_beat
from tests.make_sample import make, truth
from tests.synthetic.river import FLOW, ISLAND, River


def test_the_committed_files_are_what_the_generator_makes(sample_folder, tmp_path):
    make(tmp_path)
    for path in sorted(sample_folder.iterdir()):
        assert (tmp_path / path.name).read_bytes() == path.read_bytes(), path.name
    assert sum(p.stat().st_size for p in sample_folder.iterdir()) < 400_000


def test_every_section_of_the_river_carries_the_same_flow():
    river = River()
    for s in (50.0, 200.0, 331.0, ISLAND[0]):
        half = np.interp(s, river.s, river.width) / 2
        n = np.linspace(-half, half, 4001)
        at = np.full_like(n, s)
        flow = np.trapezoid(river.depth_at(at, n) * river.speed_at(at, n), n)
        assert abs(flow / FLOW - 1) < 0.01


def test_the_survey_has_the_size_and_the_noise_it_should(sample_folder):
    beat = read_beat(sample_folder)
    points = beat.soundings
    assert 380 <= len(points) <= 480
    assert 0.15 < points["speed_m_s"].notna().mean() < 0.35
    off = points["depth_m"] - truth(beat).depth(points.geometry.x.to_numpy(), points.geometry.y.to_numpy())
    assert 0.03 < off.std() < 0.3
    assert len(beat.outline.geoms[0].interiors) == 1
    assert {"boulder", "undercut", "log"} <= set(beat.cover["kind"])
    assert {"tree", "bridge"} <= set(beat.shade["kind"])
    assert len(beat.log) == 25
