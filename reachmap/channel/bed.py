"""Depth of every wet cell, its standard error and how far to trust it.

Where soundings are near, the depth is theirs; where they contradict one another, it lies between. Where they leave
most of the field's variance open, the first guess from the shape of the river (see `reachmap.channel.guess`), set right
by the soundings, takes over, unless held-out soundings say that it is worse. What lies beside all soundings is known no
better than a guess.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from reachmap.beat.model import Beat
from reachmap.channel.agreed import agreed
from reachmap.channel.confidence import confidence_class, mostly_guessed
from reachmap.channel.frames import Frame, choose_frame
from reachmap.channel.guess import GUESS_SHARE, Guess, guess_depth
from reachmap.channel.heldout import error_figures
from reachmap.channel.kriging import TaperedField
from reachmap.channel.nearness import Nearness
from reachmap.channel.reach import TAPER_SHARE, Places, Reach
from reachmap.channel.sides import beside_findings, share_beside, untold
from reachmap.channel.soundings import Soundings
from reachmap.errors import Finding
from reachmap.threads import in_pieces

MAX_OVER_DEEPEST = 1.3
"""No cell is made deeper than this many times the deepest sounding, unless the guess carries the depth; assumed."""

FEWEST_ALONE = 12
"""Soundings below which the guess always carries the depth; assumed."""

OPEN_FROM, OPEN_TO = 0.1, 0.3
"""Share of the variance left open at which the guess begins to count, and at which it counts in full (measured)."""

WORSE_FROM, WORSE_TO = 1.03, 1.15
"""The guess loses its say as its held-out error goes from the first to the second multiple of the one without it."""


@dataclass(frozen=True)
class Bed:
    """Depth over the reach.

    Parameters
    ----------
    depth, depth_sd, confidence : wet vectors, float32 [m, m, class]
    guessed : True where no depth was sounded, or so few that most of the water is a guess
    left_out : (n,) depth predicted at every sounding with its whole group left out [m]; None without soundings
    report, findings : what was chosen and measured; what the user should hear
    """

    depth: np.ndarray
    depth_sd: np.ndarray
    confidence: np.ndarray
    guessed: bool = False
    left_out: np.ndarray | None = None
    report: dict[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


def lay_bed(beat: Beat, reach: Reach, soundings: Soundings) -> Bed:
    """Depth, its error and confidence from the soundings in use, or from the outline alone where there are none."""
    guess = guess_depth(beat, reach)
    if not (soundings.depth_m > 0.0).any():
        return _guessed(reach, guess, len(soundings))
    alone, frame = None, Frame()
    if len(soundings) >= FEWEST_ALONE:
        frame, soundings, alone = choose_frame(reach, soundings)
    scaled = _Scaled.fit(reach, soundings, guess, None if frame.straight else alone)
    field = alone or scaled.rest
    beside = scaled.beside(reach, soundings.places)
    blended = _blend(reach, soundings, scaled, alone, frame)
    # Beside the soundings the field trusts itself too much, and the shape of the river may know of a pool it doesn't.
    blended[:, 1] = np.maximum(blended[:, 1], beside)
    apart = beside * np.abs(np.maximum(guess.bare, 0.0) - blended[:, 0])
    value, open_share, apart = reach.upsample(np.column_stack([blended, apart])).T
    taper = reach.cells.banked(soundings.places.bank).taper
    deepest = float(soundings.depth_m.max())
    # A few soundings by the bank say nothing of how deep the pools are.
    most = max(MAX_OVER_DEEPEST * deepest, 0.0 if alone else float(scaled.of_nodes(reach).max()))
    depth = in_pieces(lambda value, taper: np.clip(value * taper, 0.0, most), value, taper)

    def error(depth: np.ndarray, open_share: np.ndarray, apart: np.ndarray, taper: np.ndarray) -> np.ndarray:
        # Where nothing was measured, a depth is known no better than a guess.
        unknown = np.maximum(open_share - OPEN_FROM / 2, 0.0) * (GUESS_SHARE * depth) ** 2
        return np.sqrt(field.error(open_share, taper) ** 2 + unknown + (apart * taper) ** 2)

    confidence = in_pieces(confidence_class, open_share)
    share = share_beside(reach, beside)
    left_out = scaled.heldout(reach, soundings) if alone is None else alone.heldout()
    return Bed(
        depth,
        in_pieces(error, depth, open_share, apart, taper),
        confidence,
        alone is None and mostly_guessed(confidence),
        left_out,
        {
            **_report(reach, soundings, scaled, alone, left_out),
            "coordinates": "plane" if frame.straight else "channel",
            "beside_soundings": round(share, 3),
        },
        (*_findings(depth, deepest), *beside_findings(share), *soundings.overruled(reach.grid, depth)),
    )


def _guessed(reach: Reach, guess: Guess, at_waterline: int) -> Bed:
    depth = guess.cells(reach).astype(np.float32)
    none = "no sounding is deeper than 0" if at_waterline else "there are no soundings"
    what = f"{none}, so every depth is a guess from the shape of the outline, good to half of it at best"
    remedy = "Even ten soundings, two of them in the deepest water, make it far better"
    finding = Finding("warning", "soundings", "", what, remedy, "depth-guessed")
    report = {"depth_from": "guess", "guess_basis": guess.basis, "guess_mean_depth_m": round(guess.mean_depth_m, 3)}
    sd = (GUESS_SHARE * depth + 0.02).astype(np.float32)
    return Bed(depth, sd, np.zeros_like(depth), True, None, report, (finding,))


@dataclass(frozen=True)
class _Scaled:
    """The guess set right by the soundings: a factor that changes slowly along the river, and what is left kriged.

    `near` which soundings count where along the river; `factor` there; `guess`; `rest` the kriged residual.
    """

    near: Nearness
    factor: np.ndarray
    guess: Guess
    rest: TaperedField

    @classmethod
    def fit(cls, reach: Reach, soundings: Soundings, guess: Guess, alone: TaperedField | None) -> _Scaled:
        places = soundings.places
        first = guess.at(reach, soundings.x, soundings.y, places)
        near = Nearness.of(places.along, reach.length_m, reach.width_m)
        factor = _factor(first, soundings.depth_m, near)
        rest = TaperedField.fit(
            places.along,
            places.across,
            places.taper,
            soundings.depth_m - np.interp(places.along, near.station, factor) * first,
            reach.width_m,
            soundings.groups,
            trend="drift",
            setting=alone.fitted if alone else None,
        )
        return cls(near, factor, guess, rest)

    def of_nodes(self, reach: Reach) -> np.ndarray:
        """The guess set right, at every node before the taper [m]."""
        return np.interp(reach.nodes.along, self.near.station, self.factor) * np.maximum(self.guess.bare, 0.0)

    def beside(self, reach: Reach, sounded: Places) -> np.ndarray:
        """Share of every node's depth that no sounding near enough to the side can tell, see `untold`."""
        spread = np.interp(reach.nodes.along, self.near.station, self.near.spread(sounded.across / sounded.width))
        return untold(reach.nodes, sounded, spread, reach.width_m)

    def heldout(self, reach: Reach, soundings: Soundings) -> np.ndarray:
        """Depth at every sounding with its group left out of the kriging [m]."""
        places = soundings.places
        first = self.guess.at(reach, soundings.x, soundings.y, places)
        return np.interp(places.along, self.near.station, self.factor) * first + self.rest.heldout()


def _factor(first: np.ndarray, depth: np.ndarray, near: Nearness) -> np.ndarray:
    """Measured over guessed depth along the river, least squares over neighbouring soundings.

    The whole reach counts as one sounding more in every place, and the guess itself as one more in the whole: a lone
    shallow sounding must not halve the river.
    """
    worth = float(np.mean(first**2))
    whole = float((first @ depth + worth) / (first @ first + worth))
    return (near.sum(first * depth) + worth * whole) / (near.sum(first**2) + worth)


def _blend(reach: Reach, soundings: Soundings, scaled: _Scaled, alone: TaperedField | None, frame: Frame) -> np.ndarray:
    """Depth without its taper, which each fine cell adds, and the share of variance left open, at the nodes (n, 2)."""
    nodes, guess = reach.nodes, scaled.of_nodes(reach)
    if alone is None:
        rest, open_share = scaled.rest.relative(nodes.along, nodes.across)
        value = guess + rest
    else:
        with_guess = guess + scaled.rest.value(nodes.along, nodes.across)
        value, open_share = alone.relative(*frame.of_nodes(reach))
        value += agreed(reach, soundings, alone, frame, scaled.near)
        open_share = np.minimum(open_share, 1.0)
        say = np.interp(nodes.along, scaled.near.station, _say(reach, soundings, scaled, alone))
        weight = np.clip((open_share - OPEN_FROM) / (OPEN_TO - OPEN_FROM), 0.0, 1.0) * say
        value += weight * (with_guess - value)
    return np.column_stack([value, open_share])


def _say(reach: Reach, soundings: Soundings, scaled: _Scaled, alone: TaperedField) -> np.ndarray:
    """How much the guess may say along the river, 0-1, by its held-out error against the one without it."""
    guesses = scaled.heldout(reach, soundings), alone.heldout()
    with_guess, without = (scaled.near.sum(np.abs(a - soundings.depth_m)) for a in guesses)
    ratio = with_guess / np.maximum(without, 1e-9)
    return np.clip((WORSE_TO - ratio) / (WORSE_TO - WORSE_FROM), 0.0, 1.0)


def _report(
    reach: Reach, soundings: Soundings, scaled: _Scaled, alone: TaperedField | None, left_out: np.ndarray
) -> dict[str, Any]:
    # One cross-section or segment alone leaves nothing to hold out.
    several = len(np.unique(soundings.groups)) > 1
    heldout = {"heldout_depth": error_figures(soundings.depth_m, left_out, soundings.how)} if several else {}
    return {
        "banks": "steep" if soundings.places.bank < TAPER_SHARE else "gentle",
        "depth_from": "soundings" if alone else "guess corrected by soundings",
        **heldout,
        "depth_kriging": (alone or scaled.rest).setting,
        "guess_basis": scaled.guess.basis,
        "guess_factor": round(float(np.mean(scaled.factor)), 3),
        "guess_heldout": error_figures(soundings.depth_m, scaled.heldout(reach, soundings), soundings.how),
        "max_sounding_m": round(float(soundings.depth_m.max()), 3),
        "overshoot_limit": MAX_OVER_DEEPEST,
        "soundings_used": len(soundings),
    }


def _findings(depth: np.ndarray, deepest: float) -> tuple[Finding, ...]:
    share = float(np.mean(depth > 0.9 * deepest))
    if share < 0.02:
        return ()
    what = (
        f"{share:.0%} of the water is mapped about as deep as the deepest sounding ({deepest:.2f} m) or deeper; "
        "nothing deeper was ever sampled, so pools may be deeper than shown"
    )
    remedy = "Sound the deepest water, from a boat or with a line, before trusting depths there"
    return (Finding("note", "soundings", "", what, remedy, "deepest-unsampled"),)
