"""Curves, weights and thresholds of the score: read, checked, shifted for the fish, handed on as plain numbers."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from reachmap.beat.model import SPECIES, Fish
from reachmap.errors import OutputError
from reachmap.light.water import WHITE_LAW
from reachmap.sight.eyes import Eyes, load_eyes, packaged_eyes
from reachmap.sight.sourced import Sourced, keep_rising, overlay, parse_sourced, read_sourced
from reachmap.trout.energy import Cost, Energy
from reachmap.trout.model import FACTORS
from reachmap.trout.shift import Curve, EyeCurves, Points, shift_day, shift_night

LIMITS: Mapping[str, tuple[float, float]] = {
    "shift.length_m": (0.05, 1.5),
    "shift.depth_power": (0.0, 1.0),
    "shift.speed_power": (0.0, 1.0),
    "shift.winter_c": (-2.0, 30.0),
    "shift.summer_c": (-2.0, 30.0),
    "shift.winter_cover": (0.01, 10.0),
    "cover.structure_share": (0.0, 1.0),
    "cover.depth_share": (0.0, 1.0),
    "cover.edge_share": (0.0, 1.0),
    "cover.depth_from_m": (0.0, 20.0),
    "cover.depth_full_m": (0.01, 30.0),
    "seam.contrast_full_m_s": (0.01, 5.0),
    "seam.reach_m": (0.1, 20.0),
    "lies.least_score": (0.0, 1.0),
    "lies.prominence": (0.001, 1.0),
    "lies.fall": (0.001, 1.0),
    "lies.least_area_m2": (0.0, 1e4),
    "lies.most_area_m2": (0.1, 1e6),
    "lies.overlap": (0.01, 1.0),
    "lies.most_span": (0.01, 1.0),
    "lies.feeding": (0.01, 1.0),
    "lies.sheltering": (0.01, 1.0),
    "energy.drift_items_m3": (1e-6, 1e6),
    "energy.item_j": (1e-3, 1e6),
    "energy.prey_m": (1e-4, 0.3),
    "energy.assimilated": (0.01, 1.0),
    "energy.over_prediction": (0.1, 100.0),
}
"""Threshold -> least and greatest value accepted, in the unit of its name."""

RISING = (
    ("shift.winter_c", "shift.summer_c"),
    ("cover.depth_from_m", "cover.depth_full_m"),
    ("lies.least_area_m2", "lies.most_area_m2"),
)
"""Thresholds of which the first must be below the second."""

INPUTS = {
    "day": ("drift_speed", "nose_speed", "depth", "light_bed", "cover_number", "seam_number"),
    "night": ("drift_speed", "rest_speed", "depth", "light_bed", "cover_number", "seam_number"),
}
"""Layer (or number, see `trout.score`) each factor's curve is read at, in the order of `FACTORS`."""

LUX_FLOOR = 1e-6
"""Less light is taken as this before its logarithm [lux]; far below the least light of any trout."""

BUILT_IN_LENGTHS_M = (0.25, 0.35, 0.50)
"""Lengths every species is offered at on the map [m]; assumed: small, good and large trout."""


@dataclass(frozen=True)
class Curves:
    """Everything the score is made of.

    Parameters
    ----------
    name : the file they came from
    day, night : factor -> curve, before any shift
    settings : every name of `LIMITS` -> value
    shade_weight : species -> multiplier of the weight of light by day
    capture, cost : of the energy engine, see `Energy`
    eyes : settings of the sight room, from the same file
    fish : the fish in mind
    temperature_c : water temperature [degC]; None is taken as no winter
    entries : section -> entries as they stand in the file, the user's over the packaged ones
    """

    name: str
    day: EyeCurves
    night: EyeCurves
    settings: Mapping[str, float]
    shade_weight: Mapping[str, float]
    capture: Points
    cost: Mapping[str, Cost]
    eyes: Eyes
    fish: Fish
    temperature_c: float | None = None
    entries: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def __getitem__(self, name: str) -> float:
        """One threshold by its dotted name."""
        return self.settings[name]

    @property
    def energy(self) -> Energy:
        """Settings of the energy engine."""
        values = {k.removeprefix("energy."): v for k, v in self.settings.items() if k.startswith("energy.")}
        return Energy(**values, capture=self.capture, cost=self.cost)

    def with_weights(self, weights: Mapping[str, Mapping[str, float]], provenance: str) -> Curves:
        """A copy with other weights.

        Parameters
        ----------
        weights : "day" and/or "night" -> factor -> weight; what isn't named stays
        provenance : where they come from, kept as part of the source of each curve that changes
        """
        eyes, entries = {"day": dict(self.day), "night": dict(self.night)}, dict(self.entries)
        for eye, by_factor in weights.items():
            for factor, weight in by_factor.items():
                old = eyes[eye][factor]
                new = replace(old, weight=float(weight), source=f"{old.source}; weight: {provenance}")
                eyes[eye][factor] = new
                section = f"{eye}.{factor}"
                entries[section] = {**entries[section], "weight": new.weight, "source": new.source}
        name = f"{self.name}, weights changed"
        return replace(self, name=name, entries=entries, day=eyes["day"], night=eyes["night"])

    def shifted(self, fish: Fish, temperature_c: float | None) -> tuple[EyeCurves, EyeCurves]:
        """Day and night curves as they hold for a fish and a water temperature [degC]."""
        shade = self.shade_weight[fish.species]
        day = shift_day(self.day, self.night["nose"], self.settings, fish, temperature_c, shade)
        return day, shift_night(self.night, self.settings, fish, self.eyes.least_lux(fish))

    def weighing(self, fish: Fish, temperature_c: float | None) -> dict[str, np.ndarray]:
        """What a fish and a water temperature [degC] multiply the weights by: "day", "night" -> (n_factors,)."""
        ones = dict.fromkeys(FACTORS, 1.0)
        day, night = self.with_weights({"day": ones, "night": ones}, "").shifted(fish, temperature_c)
        by_eye = {"day": day, "night": night}
        return {eye: np.array([curves[factor].weight for factor in FACTORS]) for eye, curves in by_eye.items()}

    def tables(self, temperatures_c: Sequence[float | None] = ()) -> dict[str, Any]:
        """Plain numbers for a page that scores again: per fish the final points and weights of every factor.

        The first entry of `fish` is the fish in mind, then every species at `BUILT_IN_LENGTHS_M`. By day there is a
        table for each of some water temperatures [degC]; none given takes that of these curves.
        """
        warmth = temperatures_c or (self.temperature_c,)
        others = [Fish(s, length) for s in SPECIES for length in BUILT_IN_LENGTHS_M]
        eyes = self.eyes
        names = ("thing_m", "contrast", "contrast_least", "light_full_lux", "light_exponent", "inspect_s")
        return {
            "factors": list(FACTORS),
            "inputs": {eye: dict(zip(FACTORS, inputs, strict=True)) for eye, inputs in INPUTS.items()},
            "log10_of": ["light"],
            "lux_floor": LUX_FLOOR,
            "edge_share": self["cover.edge_share"],
            "fish": [self._fish_table(fish, warmth) for fish in (self.fish, *(f for f in others if f != self.fish))],
            "sight": {name: eyes[name] for name in names}
            | {
                "turbidity": [list(pair) for pair in eyes.turbidity],
                "clarity_ntu": [eyes["clarity_scale_m"], eyes["clarity_power"]],
                "white_law": WHITE_LAW,
            },
        }

    def _fish_table(self, fish: Fish, temperatures_c: Sequence[float | None]) -> dict[str, Any]:
        """Final curves of one fish as plain numbers; those of the night are the same at any temperature."""
        days = [self.shifted(fish, warm)[0] for warm in temperatures_c]
        night = self.shifted(fish, self.temperature_c)[1]
        return {
            "species": fish.species,
            "length_m": fish.length_m,
            "scotopic_lux": self.eyes.least_lux(fish),
            "mar_arcmin": self.eyes.mar_arcmin(fish),
            "day": [{factor: _plain(day[factor]) for factor in FACTORS} for day in days],
            "night": {factor: _plain(night[factor]) for factor in FACTORS},
        }


@cache
def packaged_curves() -> Sourced:
    """The file that comes with the package."""
    return parse_sourced(files("reachmap.trout").joinpath("curves.toml").read_text(encoding="utf-8"), "curves.toml")


def load_curves(path: str | Path | None = None, fish: Fish | None = None, temperature_c: float | None = None) -> Curves:
    """The packaged curves, with the sections of a file of the user's own in place of theirs.

    Parameters
    ----------
    path : the user's file; None takes the packaged curves alone
    fish : the fish in mind; None takes a 35 cm brown trout
    temperature_c : water temperature [degC]

    Raises
    ------
    SettingError : the file can't be read or an entry can't be used; names file, line, entry and remedy
    """
    user = None if path is None else read_sourced(path)
    packaged = packaged_curves()
    if user is not None:
        _refuse_strangers(user, packaged)
    within = tuple(sorted({s.split(".")[0] for s in packaged.sections()}))
    place = overlay(user, packaged, within=within)
    day, night = (
        {factor: _read_curve(place(f"{eye}.{factor}"), f"{eye}.{factor}") for factor in FACTORS}
        for eye in ("day", "night")
    )
    for eye, curves in (("day", day), ("night", night)):
        if not any(curve.weight for curve in curves.values()):
            what = "no factor of this eye has a weight, so every place would score the same"
            place(f"{eye}.food").refuse(f"{eye}.food", "weight", what, "Give one of them a weight above 0")
    settings = {section: place(section).sourced(section, "value", *limits) for section, limits in LIMITS.items()}
    for pair in RISING:
        keep_rising(place, user, *pair)
    shade, cost = {}, {}
    for species in SPECIES:
        section = f"species.{species}"
        shade[species] = place(section).sourced(section, "shade_weight", 0.01, 10.0)
        cost[species] = _read_cost(place(f"energy.{species}"), f"energy.{species}")
    place("energy.capture").source("energy.capture")
    capture = place("energy.capture").points("energy.capture", "points", 0.0, 1.0)
    return Curves(
        name=packaged.name if user is None else user.name,
        day=day,
        night=night,
        settings=settings,
        shade_weight=shade,
        capture=capture,
        cost=cost,
        eyes=load_eyes(user),
        fish=fish or Fish(),
        temperature_c=temperature_c,
        entries=_entries(user, packaged) | _entries(user, packaged_eyes()),
    )


def write_curves(path: str | Path, curves: Curves | None = None) -> Path:
    """Write curves to a file to edit; a file already there is left alone.

    Parameters
    ----------
    path : where to
    curves : what to write; None copies the packaged file with all its comments

    Raises
    ------
    OutputError : the file exists or can't be written
    """
    target = Path(path)
    text = packaged_curves().text + "\n" + packaged_eyes().text if curves is None else curves_text(curves)
    try:
        with target.open("x", encoding="utf-8", newline="\n") as out:
            out.write(text)
    except FileExistsError as error:
        raise OutputError(
            f"{target}: there is such a file already; it is left as it was. Choose another name"
        ) from error
    except OSError as error:
        raise OutputError(f"{target}: can't be written ({error.strerror}). Choose another place") from error
    return target


def curves_text(curves: Curves) -> str:
    """Curves as the text of a file that `load_curves` reads back the same."""
    blocks = ["# Written by reachmap; the words beside each number say whose it is."]
    for section, entries in curves.entries.items():
        # JSON's numbers, lists and escaped strings are TOML's too.
        blocks.append(
            "\n".join(
                [
                    f"[{section}]",
                    *(f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in entries.items()),
                ]
            )
        )
    return "\n\n".join(blocks) + "\n"


def _refuse_strangers(user: Sourced, packaged: Sourced) -> None:
    """Refuse sections whose first name nobody knows, so that a typing mistake isn't passed over."""
    known = {s.split(".")[0] for s in (*packaged.sections(), *packaged_eyes().sections())}
    for key, value in user.data.items():
        if key not in known or not isinstance(value, Mapping):
            user.refuse(key, "", "no such section", f"Sections begin with one of: {', '.join(sorted(known))}")


def _read_curve(file: Sourced, section: str) -> Curve:
    """One curve with its weight and source, checked."""
    weight = file.number(section, "weight", 0.0, 100.0)
    return Curve(weight, file.points(section, "points", 0.0, 1.0), file.source(section))


def _entries(user: Sourced | None, packaged: Sourced) -> dict[str, Mapping[str, Any]]:
    """Every section of a packaged file as it stands, the user's own where there is one."""
    theirs = () if user is None else user.sections()
    return {s: (user if user is not None and s in theirs else packaged).table(s) for s in packaged.sections()}


def _read_cost(file: Sourced, section: str) -> Cost:
    """Swimming cost of one species, checked."""
    file.source(section)
    limits = {"ra": (1e-6, 1.0), "rb": (-1.0, 0.0), "rq": (0.0, 0.5), "rto": (0.0, 0.2)}
    return Cost(**{key: file.number(section, key, low, high) for key, (low, high) in limits.items()})


def _plain(curve: Curve) -> dict[str, Any]:
    """Weight and points of a curve as JSON can hold them."""
    return {"weight": curve.weight, "points": [list(pair) for pair in curve.points]}
