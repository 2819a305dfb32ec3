"""What a smooth field leaves at the soundings, laid back where neighbouring soundings agree on it.

A field whose ranges suit the whole reach takes a pool between two sections, or the crest of a weir, for scatter,
however many soundings of one section show it. But what a receiver or a staff errs by is another from sounding to
sounding; a pool is the same for its neighbours. So each residual is predicted from the others near by, and where that
works the residuals are kriged over a short range and added.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reachmap.channel.frames import Frame
from reachmap.channel.kernel import Setting
from reachmap.channel.kriging import TaperedField
from reachmap.channel.nearness import Nearness
from reachmap.channel.reach import Reach
from reachmap.channel.soundings import SAME_PLACE_M, Soundings

SHORT: Setting = (0.3, 1.0, 0.3)
"""Range in widths, stretch along and noise over the residuals' standard deviation; assumed."""

AGREE_FROM, AGREE_TO = 0.9, 0.7
"""Residuals begin to count, and count in full, where their neighbours predict them with an error of so much of their
size; assumed. Surveys whose positions err by 1.5 m leave 0.95 of it at least, a pool sounded right across less
than half (tests/channel/test_agreed.py)."""


@dataclass(frozen=True)
class Remnant:
    """What a field leaves at the soundings.

    Parameters
    ----------
    short : it, kriged over a short range
    ratio : along the river at the stations of a `Nearness`, the error with which neighbours predict it over its size
    """

    short: TaperedField
    ratio: np.ndarray


def agreed(reach: Reach, soundings: Soundings, field: TaperedField, frame: Frame, near: Nearness) -> np.ndarray:
    """What to add to the field at every node before the taper (n,) [m]."""
    rest = remnant(reach, soundings, field, frame, near)
    say = np.clip((AGREE_FROM - rest.ratio) / (AGREE_FROM - AGREE_TO), 0.0, 1.0)
    if not say.any():
        return np.zeros(len(reach.nodes.along))
    return np.interp(reach.nodes.along, near.station, say) * rest.short.value(*frame.of_nodes(reach))


def remnant(reach: Reach, soundings: Soundings, field: TaperedField, frame: Frame, near: Nearness) -> Remnant:
    """What a field fitted in a frame leaves at the soundings, and how well neighbours predict it."""
    places = soundings.places
    along, across = frame.of_soundings(reach, soundings)
    left = soundings.depth_m - field.value(along, across) * places.taper
    # Readings of one place, which share the error of its position, are one; and every place is left out alone, as those
    # of one section are each other's neighbours.
    place = np.floor(np.column_stack([along, across]) / SAME_PLACE_M)
    _, own, counts = np.unique(place, axis=0, return_inverse=True, return_counts=True)
    own = own.ravel()

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(own, values) / counts

    at = mean(along), mean(across), mean(places.taper)
    short = TaperedField.fit(*at, mean(left), reach.width_m, trend="none", setting=SHORT)
    return Remnant(short, near.sum(np.abs(left - short.heldout()[own])) / np.maximum(near.sum(np.abs(left)), 1e-12))
