"""Depth of every wet cell, its standard error and how far to trust it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from reachmap.beat.model import Beat
from reachmap.channel.confidence import confidence_class
from reachmap.channel.heldout import error_figures
from reachmap.channel.kriging import TaperedField
from reachmap.channel.reach import Reach
from reachmap.channel.soundings import Soundings
from reachmap.errors import Finding

MAX_OVER_DEEPEST = 1.3
"""No cell is made deeper than this many times the deepest sounding; assumed."""


@dataclass(frozen=True)
class Bed:
    """Depth over the reach.

    Parameters
    ----------
    depth, depth_sd, confidence : wet vectors, float32 [m, m, class]
    guessed : True where no sounding was given
    report, findings : what was chosen and measured; what the user should hear
    """

    depth: np.ndarray
    depth_sd: np.ndarray
    confidence: np.ndarray
    guessed: bool = False
    report: dict[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


def lay_bed(beat: Beat, reach: Reach, soundings: Soundings) -> Bed:
    """Interpolate the depth."""
    places = soundings.places
    field_ = TaperedField.fit(
        places.along, places.across, places.taper, soundings.depth_m, reach.width_m, soundings.groups
    )
    value, sd = reach.interpolate(field_)
    deepest = float(soundings.depth_m.max())
    depth = np.clip(value, 0.0, MAX_OVER_DEEPEST * deepest)
    unexplained = reach.upsample(field_.relative(reach.nodes.along, reach.nodes.across)[1])
    report = {
        "heldout_depth": error_figures(soundings.depth_m, field_.heldout(), soundings.how),
        "depth_kriging": field_.setting,
        "max_sounding_m": deepest,
        "soundings_used": len(soundings),
    }
    return Bed(depth, sd, confidence_class(unexplained), False, report)
