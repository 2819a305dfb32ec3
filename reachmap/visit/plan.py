"""The visit: for the first scene of a run, order and sight also for the first after dark, stances for every date."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from reachmap.beat.model import Beat
from reachmap.channel.model import Channel
from reachmap.layers import Derived, WetCells
from reachmap.light import is_dark
from reachmap.light.model import Body, DayLight
from reachmap.sight import colours_at, smallest_feature
from reachmap.sight.eyes import Eyes
from reachmap.sight.sighting import least_contrast
from reachmap.trout import load_curves
from reachmap.trout.curves import Curves
from reachmap.trout.model import Lies, Outlook
from reachmap.visit.drift import lanes
from reachmap.visit.land import HIGHEST_M
from reachmap.visit.model import Caution, Visit
from reachmap.visit.order import banks_of, order_of, without_place_told
from reachmap.visit.span import through_day
from reachmap.visit.stand import Ground, Hour, find_ground, stances
from reachmap.visit.wading import cautions, redds, spawning_now, wading_class

COLOURS_M = 1.0
"""How far off a fly's colours are looked at, or as far as the fish sees it (assumed) [m]."""

MUCH_SHUT = 0.2
"""Share of the banks too high to be stood on that is told of (assumed)."""

SAME_SUN_DEG = 1.0
"""Dates on which the sun keeps within this height of where it stood at the same hour have their stances in common
(assumed): less than three days about the equinox, a fortnight at the solstice [deg]."""


def plan_visit(
    channel: Channel,
    outlooks: Mapping[str, Outlook],
    lies: Lies,
    days: Mapping[str, DayLight] | None = None,
    curves: Curves | None = None,
    start: datetime | None = None,
) -> Visit:
    """What to do about the lies.

    Parameters
    ----------
    channel, outlooks, lies : the run so far; the first scene sets sun and sight
    days : the light of each scene's day, for hours and order; None leaves them empty
    curves : the curves in use; None takes the packaged ones
    start : when the visit begins, on that day; None takes the hour that meets most of the lies well
    """
    first, scenes = next(iter(outlooks.values())), [outlook.scene for outlook in outlooks.values()]
    unsure = channel.beat.visitor.unsure

    def read(name: str, cells: WetCells) -> np.ndarray:
        if name == "redd":
            return redds(channel, scenes, cells)
        return wading_class(channel["depth"][cells], channel["speed"][cells], name == "wading_dark", unsure)

    layers = Derived(("wading", "wading_dark", "redd"), read, channel.grid.n_wet)
    curves = curves or load_curves()
    lit = _by_day_and_in_the_dark(outlooks)
    spans = {}
    if days is not None and len(lies.table):
        spans = {name: through_day(channel, outlook, lies, days[name], curves) for name, outlook in lit.items()}
    seasons = _of_one_sun(channel.beat, outlooks, days)
    grounds = _grounds(channel, lies, seasons, curves.eyes.mar_arcmin(channel.beat.fish))
    season_of = {name: season for season in seasons for name in season}
    ground_of = {name: ground for season, ground in zip(seasons, grounds, strict=True) for name in season}
    orders = {
        name: order_of(
            ground_of[name], lies, name, spans.get(name), _met(channel.beat, lies, season_of[name], {}, days), start
        )
        for name in lit
    }
    stands = [_stances_of(ground, lies, season, orders, days) for season, ground in zip(seasons, grounds, strict=True)]
    found = {name: stand for season, stand in zip(seasons, stands, strict=True) for name in season}
    lit_days = {name: one.day for name, one in spans.items()}
    span = next(iter(spans.values()), None)
    return Visit(
        lanes(channel, first.sight, lies, curves.eyes["view_cone_deg"]),
        gpd.GeoDataFrame(pd.concat(stands, ignore_index=True)),
        span.score if span else pd.DataFrame(),
        span.eye if span else pd.Series(dtype=float),
        {name: without_place_told(order, found[name], lit_days.get(name)) for name, order in orders.items()},
        {
            name: {int(n): _seen(channel, outlook, lies, int(n), curves.eyes) for n in lies.table.index}
            for name, outlook in lit.items()
        },
        layers,
        (*cautions(channel, scenes), *_shut_banks(grounds)),
    )


def _of_one_sun(
    beat: Beat, outlooks: Mapping[str, Outlook], days: Mapping[str, DayLight] | None
) -> list[dict[str, Outlook]]:
    """The scenes by their names, those together on whose dates the sun goes alike; without days those of one date."""

    def alike(one: str, other: str) -> bool:
        if days is None:
            return len({beat.local(outlooks[name].scene.when).date() for name in (one, other)}) == 1
        high, there = ([sun.altitude_deg for sun in days[name].sun] for name in (one, other))
        return len(high) == len(there) and np.abs(np.subtract(high, there)).max() <= SAME_SUN_DEG

    seasons: list[dict[str, Outlook]] = []
    for name, outlook in outlooks.items():
        season = next((known for known in seasons if alike(next(iter(known)), name)), None)
        if season is None:
            seasons.append({name: outlook})
        else:
            season[name] = outlook
    return seasons


def _shut_banks(grounds: Sequence[Ground]) -> tuple[Caution, ...]:
    """What to say where much of the banks stands too high for anybody to be sent there."""
    shut = max((ground.ways.shut for ground in grounds), default=0.0)
    if shut < MUCH_SHUT:
        return ()
    what = f"{shut:.0%} of the banks stand more than {HIGHEST_M:g} m above the water as your files have it"
    return (Caution("bank", f"{what}, as cliffs and woods do: nobody is sent to stand or step in there."),)


def _grounds(channel: Channel, lies: Lies, seasons: Sequence[Mapping[str, Outlook]], mar_arcmin: float) -> list[Ground]:
    """Where one may tread under each sun: off the redds in their season, which is not that of every scene."""
    made: dict[bool, Ground] = {}
    out = []
    for season in seasons:
        scenes = [outlook.scene for outlook in season.values()]
        spawning = any(spawning_now(channel.beat, scene) for scene in scenes)
        if spawning not in made:
            made[spawning] = find_ground(channel, redds(channel, scenes) > 0, lies, mar_arcmin)
        out.append(made[spawning])
    return out


def _stances_of(
    ground: Ground,
    lies: Lies,
    season: Mapping[str, Outlook],
    orders: Mapping[str, pd.DataFrame],
    days: Mapping[str, DayLight] | None,
) -> gpd.GeoDataFrame:
    """The stances under the sun of some scenes, from the bank their orders keep to, with the dates they are for."""
    beat, own = ground.channel.beat, {name: order for name, order in orders.items() if name in season}
    dates = sorted({f"{beat.local(outlook.scene.when):%Y-%m-%d}" for outlook in season.values()})
    found = stances(ground, _met(beat, lies, season, own, days), banks_of(own, days or {}))
    return found.assign(dates=", ".join(dates))


def _by_day_and_in_the_dark(outlooks: Mapping[str, Outlook]) -> dict[str, Outlook]:
    """The first scene, and the first after dark if that is by day, or the other way round, by their names."""
    dark = {name: is_dark(outlook.light.sun) for name, outlook in outlooks.items()}
    first = next(iter(dark))
    other = [name for name in dark if dark[name] != dark[first]][:1]
    return {name: outlooks[name] for name in (first, *other)}


def _met(
    beat: Beat,
    lies: Lies,
    outlooks: Mapping[str, Outlook],
    orders: Mapping[str, pd.DataFrame],
    days: Mapping[str, DayLight] | None,
) -> dict[int, list[list[Hour]]]:
    """When each lie is met under one sun: as the order of the first scene has it, else at that scene's hour.

    And once more in the dark if that is by day, or the other way round, to know where to stand then: in another scene
    likewise, or when the sun stands lowest or highest. Either with the hours to try where there is no place at the
    first; without orders these alone.

    Parameters
    ----------
    outlooks : scenes of that sun, of which the first and the first of the other light count
    orders : of some of them
    days : of all scenes; None leaves out orders, and where the sun stands lowest and highest
    """
    numbers, rounds = lies.table.index.tolist(), list[dict[int, Hour]]()
    for name, outlook in _by_day_and_in_the_dark(outlooks).items():
        met = dict.fromkeys(numbers, _hour(beat.local(outlook.scene.when), outlook.light.sun))
        if days is not None and name in orders:
            rounds.append(met | {row.lie: _at_step(days[name], row.step) for row in orders[name].itertuples()})
        rounds.append(met)
    if days is not None:
        day = days[next(iter(outlooks))]
        heights = [sun.altitude_deg for sun in day.sun]
        rounds += [dict.fromkeys(numbers, _at_step(day, at)) for at in (np.argmin(heights), np.argmax(heights))]

    def tries(number: int, dark: bool) -> list[Hour]:
        return list(dict.fromkeys(met[number] for met in rounds if met[number].dark == dark))

    found = {n: [tries(n, hour.dark), tries(n, not hour.dark)] for n, hour in rounds[0].items()}
    return {n: [hours for hours in both if hours] for n, both in found.items()}


def _at_step(day: DayLight, step: int | np.intp) -> Hour:
    return _hour(day.times[step], day.sun[step])


def _hour(when: datetime, sun: Body) -> Hour:
    return Hour(sun, is_dark(sun), f"{when:%H:%M}")


def _seen(channel: Channel, outlook: Outlook, lies: Lies, number: int, eyes: Eyes) -> dict[str, Any]:
    """What the fish makes out at one lie."""
    light, sight, cells = outlook.light, outlook.sight, lies.cells[number]
    reach, seconds = (float(sight.at(name, cells).mean()) for name in ("sighting_range", "decide_time"))
    fish, near = channel.beat.fish, min(reach, COLOURS_M)
    mar = eyes.mar_arcmin(fish)
    depth, lux = float(channel["depth"][cells].mean()), float(light["light_bed"][cells].mean())
    shown = colours_at(light, depth, near, lux, least_contrast(lux, eyes, fish)) if reach > 0 else ()
    return {
        "range_m": round(reach, 2),
        "seconds": round(seconds, 1),
        "detail_mm_1m": round(1000 * float(smallest_feature(1.0, mar)), 1),
        "detail_mm_0.3m": round(1000 * float(smallest_feature(0.3, mar)), 1),
        "eye": "day eye" if float(light["eye_day"][cells].mean()) >= 0.5 else "night eye",
        "inspects": bool(seconds > eyes["inspect_s"]),
        "colours_at_m": round(near, 2),
        "colours": {one.name: one.verdict for one in shown},
    }
