"""What a trout's eye can do: the settings of the sight room, each with its source in `eyes.toml`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np

from reachmap.beat.model import SPECIES, Fish
from reachmap.sight.sourced import Sourced, keep_rising, overlay, parse_sourced

LIMITS: Mapping[str, tuple[float, float]] = {
    "thing_m": (1e-4, 1.0),
    "contrast": (0.01, 1.0),
    "contrast_least": (1e-4, 0.5),
    "acuity_arcmin": (0.5, 120.0),
    "acuity_length_m": (0.02, 1.5),
    "acuity_exponent": (0.0, 1.5),
    "light_full_lux": (0.01, 1e4),
    "light_exponent": (0.0, 2.0),
    "scotopic_exponent": (0.0, 3.0),
    "scotopic_length_m": (0.02, 1.5),
    "clarity_scale_m": (0.1, 50.0),
    "clarity_power": (0.1, 3.0),
    "view_cone_deg": (1.0, 180.0),
    "inspect_s": (0.0, 60.0),
}
"""Setting -> least and greatest value accepted, in the unit of its name."""

LENGTH_RANGE_M = (0.05, 1.2)
"""Lengths outside this are taken as its nearest end [m]; assumed, so that power laws stay plausible."""


@dataclass(frozen=True)
class Eyes:
    """The eye's settings, read from `eyes.toml` or the user's file.

    Parameters
    ----------
    values : every name of `LIMITS` -> value
    turbidity : (NTU, factor) pairs, straight lines between, flat beyond the ends
    scotopic_lux : species -> least light it sees in, for a fish of `scotopic_length_m` [lux]
    """

    values: Mapping[str, float]
    turbidity: tuple[tuple[float, float], ...]
    scotopic_lux: Mapping[str, float]

    def __getitem__(self, name: str) -> float:
        """One setting by name."""
        return self.values[name]

    def mar_arcmin(self, fish: Fish) -> float:
        """Minimum angle of resolution of this fish [arcmin]: falls as length to `acuity_exponent`."""
        return self["acuity_arcmin"] * (self["acuity_length_m"] / _length(fish)) ** self["acuity_exponent"]

    def least_lux(self, fish: Fish) -> float:
        """Least light in which this fish makes anything out [lux]: falls as length to `scotopic_exponent`."""
        ratio = self["scotopic_length_m"] / _length(fish)
        return self.scotopic_lux[fish.species] * ratio ** self["scotopic_exponent"]

    def turbidity_ntu(self, clarity_m: float) -> float:
        """Turbidity [NTU] from the depth at which a white disk vanishes [m], by the site relation in `eyes.toml`."""
        return float((clarity_m / self["clarity_scale_m"]) ** (-1.0 / self["clarity_power"]))

    def turbidity_factor(self, ntu: float) -> float:
        """Share of the clear-water sighting range left at a turbidity [NTU], 0-1."""
        at, factor = zip(*self.turbidity, strict=True)
        return float(np.interp(ntu, at, factor))


@cache
def packaged_eyes() -> Sourced:
    """The file that comes with the package."""
    return parse_sourced(files("reachmap.sight").joinpath("eyes.toml").read_text(encoding="utf-8"), "eyes.toml")


def load_eyes(user: Sourced | None = None) -> Eyes:
    """The eye's settings; sections of the user's file that begin with `eyes.` take the place of the packaged ones.

    Raises
    ------
    SettingError : an entry that can't be used, with its line
    """
    place = overlay(user, packaged_eyes(), within=("eyes",))
    values = {name: place(f"eyes.{name}").sourced(f"eyes.{name}", "value", *limits) for name, limits in LIMITS.items()}
    # What stands out no more than the least that is seen is seen nowhere.
    keep_rising(place, user, "eyes.contrast_least", "eyes.contrast")
    scotopic = {one: place(f"eyes.{one}").sourced(f"eyes.{one}", "scotopic_lux", 1e-6, 10.0) for one in SPECIES}
    place("eyes.turbidity").source("eyes.turbidity")
    return Eyes(values, place("eyes.turbidity").points("eyes.turbidity", "points", 0.0, 1.0), scotopic)


def _length(fish: Fish) -> float:
    """Length of the fish within the range in which the power laws are used [m]."""
    return float(np.clip(fish.length_m, *LENGTH_RANGE_M))
