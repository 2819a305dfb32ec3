"""What one more day of sounding should measure: where the doubt about the water moves good places most."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from reachmap.beat.model import Scene
from reachmap.channel.model import Channel
from reachmap.light import light_at, prepare_shade
from reachmap.sight import see
from reachmap.trout.curves import Curves
from reachmap.trout.score import hold


def worth_measuring(
    channel: Channel, scene: Scene, curves: Curves, stretch_m: float = 20.0, best: int = 3
) -> Sequence[tuple[float, float, str]]:
    """Stretches where one more survey day would change the ranking most: (from, to) along [m] and what to measure.

    The score is worked out again with depth and speed one standard error up and down; a cell counts by how far
    its score moves times the score itself, for a doubtful poor place is worth no trip.
    """
    shade = prepare_shade(channel, scene.leaf_on)
    moved = {}
    for name, error in (("depth", "depth_sd"), ("speed", "speed_sd")):
        ends = []
        for sign in (-1, 1):
            moved_layer = np.maximum(channel[name] + sign * channel[error], 0).astype(np.float32)
            ratio = moved_layer / np.maximum(channel[name], 0.01)
            more = {name: moved_layer}
            if name == "speed":
                more |= {
                    k: (channel[k] * ratio).astype(np.float32) for k in ("nose_speed", "rest_speed", "drift_speed")
                }
            other = channel.with_layers(**more)
            light = light_at(other, scene, shade)
            ends.append(
                hold(other, light, see(other, light, channel.beat.fish, curves.eyes), channel.beat.fish, curves)["hold"]
            )
        moved[name] = np.abs(ends[1] - ends[0]) / 2 * np.maximum(ends[0], ends[1])
    place = (np.maximum(channel["along"], 0) // stretch_m).astype(int)
    total = {name: np.bincount(place, value) for name, value in moved.items()}
    both = total["depth"] + total["speed"]
    return [
        (k * stretch_m, (k + 1) * stretch_m, "depth" if total["depth"][k] >= total["speed"][k] else "speed")
        for k in np.argsort(-both, kind="stable")[:best]
    ]
