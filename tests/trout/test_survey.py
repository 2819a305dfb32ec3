"""What one more day of sounding should measure."""

from __future__ import annotations

import numpy as np

from reachmap.trout import load_curves
from reachmap.trout.survey import worth_measuring


def test_what_is_in_doubt_is_to_be_measured_and_where(toy_channel):
    """Only the depth of one stretch is in doubt, then only the speed of another."""
    along = toy_channel["along"]
    sure = toy_channel.with_layers(**{name: np.zeros_like(along) for name in ("depth_sd", "speed_sd")})
    for name, start in (("depth", 20.0), ("speed", 60.0)):
        here = (along >= start) & (along < start + 20.0)
        doubt = np.where(here, 0.4 * toy_channel[name], 0.0).astype(np.float32)
        water = sure.with_layers(**{f"{name}_sd": doubt})
        best = worth_measuring(water, water.beat.scenes[0], load_curves(None, water.beat.fish), best=1)
        assert best == [(start, start + 20.0, name)]
