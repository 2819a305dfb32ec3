"""The visit, for the first scene of a run; stances, order and what the fish sees also for the first after dark."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

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
from reachmap.visit.model import Visit
from reachmap.visit.order import banks_of, order_of, without_place_told
from reachmap.visit.span import through_day
from reachmap.visit.stand import Hour, find_ground, stances
from reachmap.visit.wading import cautions, redds, wading_class

COLOURS_M = 1.0
"""How far off a fly's colours are looked at, or as far as the fish sees it (assumed) [m]."""


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
    ground = find_ground(channel, layers, lies, curves.eyes.mar_arcmin(channel.beat.fish))
    lit_days = {name: one.day for name, one in spans.items()}
    hours = _met(channel.beat, lies, lit, {}, lit_days)
    orders = {name: order_of(ground, lies, name, spans.get(name), hours, start) for name in lit}
    span = next(iter(spans.values()), None)
    stands = stances(ground, _met(channel.beat, lies, lit, orders, lit_days), banks_of(orders, lit_days))
    return Visit(
        lanes(channel, first.sight, lies, curves.eyes["view_cone_deg"]),
        stands,
        span.score if span else pd.DataFrame(),
        span.eye if span else pd.Series(dtype=float),
        {name: without_place_told(order, stands, lit_days.get(name)) for name, order in orders.items()},
        {
            name: {int(n): _seen(channel, outlook, lies, int(n), curves.eyes) for n in lies.table.index}
            for name, outlook in lit.items()
        },
        layers,
        cautions(channel, scenes),
    )


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
    days: Mapping[str, DayLight],
) -> dict[int, list[list[Hour]]]:
    """When each lie is met: as the order of the first scene has it, else at that scene's hour.

    And once more in the dark if that is by day, or the other way round, to know where to stand then: in another scene
    likewise, or when the sun stands lowest or highest. Either with the hours to try where there is no place at the
    first; without orders these alone.
    """
    numbers, rounds = lies.table.index.tolist(), list[dict[int, Hour]]()
    for name, outlook in outlooks.items():
        met = dict.fromkeys(numbers, _hour(beat.local(outlook.scene.when), outlook.light.sun))
        stops = orders[name].itertuples() if name in orders else ()
        rounds += [met | {row.lie: _at_step(days[name], row.step) for row in stops}, met]
    for day in [*days.values()][:1]:
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
