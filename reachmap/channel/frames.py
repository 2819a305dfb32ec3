"""Which coordinates and which banks suit the soundings: channel coordinates and gentle banks, unless others do better.

Channel coordinates carry what is known along the bends. Where the reach is nearly straight, or so short or so ragged
that banks say little about the bed, the plane itself, turned to run down the river, can serve better. Banks fall away
gently as a rule; like walls under a cut bank, and not at all where the outline was drawn through the water. Held-out
soundings decide, and they have to say so clearly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reachmap.channel.kernel import Setting
from reachmap.channel.kriging import TaperedField
from reachmap.channel.reach import TAPER_SHARE, Places, Reach
from reachmap.channel.soundings import Soundings

BANKS = (TAPER_SHARE, 0.1, 0.0)
"""Steepness of the banks that are tried (see `Places`), the gentle ones first; the last are walls."""

MUST_GAIN, WALL_MUST_GAIN = 0.07, 0.16
"""Another frame replaces the first only if its held-out error is this much lower. Walls must gain more: soundings that
a receiver has shifted toward the bank look like deep water there."""

MUST_GAIN_M = 0.005
"""And this much lower in itself [m]: half the centimetre to which a staff is read. Less says nothing; assumed."""

FEW, WORTH_A_LOOK = 150, 0.98
"""Of more soundings than this, only the best of the other banks gets ranges of its own, and only if its error with the
gentle ones' is at most this multiple of theirs; assumed."""

FEWEST_NEAR_BANK = 6
"""Soundings within half a taper of the waterline below which its steepness isn't asked about; assumed."""

MOST_WINDING = 1.25
"""Length over the straight line from cap to cap above which the plane isn't tried; assumed."""


@dataclass(frozen=True)
class Frame:
    """What the depth is kriged in.

    Parameters
    ----------
    straight : True in the plane, turned to run from cap to cap; False in channel coordinates
    bank : steepness of the banks (see `Places`)
    """

    straight: bool = False
    bank: float = TAPER_SHARE

    @property
    def must_gain(self) -> float:
        """Share by which its held-out error must be lower to be taken."""
        return MUST_GAIN if self.bank > 0 else WALL_MUST_GAIN

    def of_nodes(self, reach: Reach) -> tuple[np.ndarray, np.ndarray]:
        """Along and across of every node (n,) [m]."""
        return self._along_across(reach, reach.mesh.x, reach.mesh.y, reach.nodes)

    def of_soundings(self, reach: Reach, soundings: Soundings) -> tuple[np.ndarray, np.ndarray]:
        """Along and across of every sounding (n,) [m]."""
        return self._along_across(reach, soundings.x, soundings.y, soundings.places)

    def _along_across(
        self, reach: Reach, x: np.ndarray, y: np.ndarray, places: Places
    ) -> tuple[np.ndarray, np.ndarray]:
        return reach.straightened(x, y) if self.straight else (places.along, places.across)


def choose_frame(reach: Reach, soundings: Soundings) -> tuple[Frame, Soundings, TaperedField]:
    """The frame whose held-out error is lowest, the soundings with its banks, and their field."""
    places = soundings.places
    near = places.run_out < 0.5 * TAPER_SHARE * places.width
    banks = BANKS if near.sum() >= FEWEST_NEAR_BANK else BANKS[:1]
    ways = (False, True) if reach.length_m <= MOST_WINDING * reach.chord_m else (False,)
    tried: list[_Tried] = []
    for straight in ways:
        first = _try(reach, soundings, Frame(straight))
        tried.append(first)
        others = [Frame(straight, bank) for bank in banks[1:]]
        if len(soundings) > FEW:
            # With the first one's ranges it costs little to see which banks are worth ranges of their own.
            quick = [_try(reach, soundings, frame, first.field.fitted) for frame in others]
            quick.sort(key=lambda one: one.error)
            others = [one.frame for one in quick[:1] if one.error <= WORTH_A_LOOK * first.error]
        tried += [_try(reach, soundings, frame, like=first.field.fitted) for frame in others]
    held = tried[0].error
    clear = [one for one in tried[1:] if held - one.error >= max(one.frame.must_gain * held, MUST_GAIN_M)]
    best = min(clear, key=lambda one: one.error, default=tried[0])
    return best.frame, best.soundings, best.field


@dataclass(frozen=True)
class _Tried:
    """A frame, the soundings with its banks, their field, and its mean absolute error held out [m]."""

    frame: Frame
    soundings: Soundings
    field: TaperedField
    error: float


def _try(
    reach: Reach,
    soundings: Soundings,
    frame: Frame,
    setting: tuple[Setting, ...] | None = None,
    like: tuple[Setting, ...] = (),
) -> _Tried:
    places, depth = soundings.places.banked(frame.bank), soundings.depth_m
    at, groups = frame.of_soundings(reach, soundings), soundings.groups
    field = TaperedField.fit(*at, places.taper, depth, reach.width_m, groups, setting=setting, like=like)
    error = float(np.mean(np.abs(field.heldout() - depth)))
    return _Tried(frame, replace(soundings, places=places), field, error)
