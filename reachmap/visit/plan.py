"""The visit, for the first scene of a run; stances, order and what the fish sees also for the first after dark."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any

import numpy as np
import pandas as pd

from reachmap.beat.model import Beat
from reachmap.channel.model import Channel
from reachmap.layers import Derived, WetCells
from reachmap.light import bed_terms, edge_through_day, eye_through_day, is_dark, lux_through_day
from reachmap.light.model import Body, DayLight, Light
from reachmap.sight import colours_at, smallest_feature
from reachmap.sight.eyes import Eyes
from reachmap.sight.sighting import full_range, least_contrast, light_factor
from reachmap.trout import load_curves
from reachmap.trout.curves import LUX_FLOOR, Curves
from reachmap.trout.energy import Flow, energy_through_day
from reachmap.trout.model import Lies, Outlook
from reachmap.trout.reasons import moon_at_bed, night_words, shade_is_seen
from reachmap.trout.score import cover_number, edge_cover, score_again
from reachmap.visit.drift import lanes
from reachmap.visit.model import Visit
from reachmap.visit.stand import Ground, Hour, find_ground, has_place, stances
from reachmap.visit.wading import cautions, redds, wading_class
from reachmap.visit.worth import best_lies

WALK_M_S = 0.5
"""Pace along the bank between lies, wading pauses included (assumed) [m/s]."""

SWITCHED = 0.1
"""State of the eye below which it counts as the night's (assumed)."""

MINUTES_A_LIE = 20
"""Time to fish one lie (assumed) [min]."""

MOST_IN_ORDER = 8
"""Lies of an order at most (assumed)."""

COLOURS_M = 1.0
"""How far off a fly's colours are looked at, or as far as the fish sees it (assumed) [m]."""

HOUR_CELLS, BRIGHT_CELLS = 200, 1000
"""Cells at most, spread over a lie, for which the hours of its day are worked out, and spread over the reach, among
which the brightest water of every hour is looked for; assumed."""


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
        spans = {name: _through(channel, outlook, lies, days[name], curves) for name, outlook in lit.items()}
    ground = find_ground(channel, layers, curves.eyes.mar_arcmin(channel.beat.fish))
    lit_days = {name: one.day for name, one in spans.items()}
    hours = _met(channel.beat, lies, lit, {}, lit_days)
    orders = {name: _order(ground, lies, name, spans.get(name), hours, start) for name in lit}
    span = next(iter(spans.values()), None)
    stands = stances(ground, _met(channel.beat, lies, lit, orders, lit_days), lies)
    return Visit(
        lanes(channel, first.sight, lies, curves.eyes["view_cone_deg"]),
        stands,
        span.score if span else pd.DataFrame(),
        span.eye if span else pd.Series(dtype=float),
        {name: _without_place_told(order, stands, lit_days.get(name)) for name, order in orders.items()},
        {
            name: {int(n): _seen(channel, outlook, lies, int(n), curves.eyes) for n in lies.table.index}
            for name, outlook in lit.items()
        },
        layers,
        cautions(channel.beat, channel, scenes),
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


@dataclass(frozen=True)
class _Span:
    """What the lies come to over a scene's day, under its cloud and water.

    Parameters
    ----------
    light : of the scene
    day : its day
    score, lux : hold score and light at the bed [lux], a row a step, a column a lie
    eye : state of the eye over the lies at every step
    """

    light: Light
    day: DayLight
    score: pd.DataFrame
    lux: pd.DataFrame
    eye: pd.Series


def _through(channel: Channel, outlook: Outlook, lies: Lies, day: DayLight, curves: Curves) -> _Span:
    """The lies over a day: light and shade anew at every step, and what depends on them; all else does not change."""
    scene, holding = outlook.scene, outlook.holding
    some = {number: own[:: max(1, -(-len(own) // HOUR_CELLS))] for number, own in lies.cells.items()}
    cells, label = np.concatenate([*some.values()]), np.repeat([*some], [len(own) for own in some.values()])
    lux = lux_through_day(channel, day, scene.cloud, scene.water, cells, scene.town_glow_lux)
    eye = eye_through_day(lux, day.step_min, channel.beat.fish.species)
    log_lux = np.log10(np.maximum(lux, LUX_FLOOR))
    edge = edge_through_day(channel, day, scene.cloud, cells, scene.town_glow_lux)
    hides = np.maximum(cover_number(channel, curves, cells), edge_cover(edge, curves))
    light_day, light_night = (
        {"light": one["light"](log_lux), "cover": one["cover"](hides)}
        for one in curves.shifted(holding.fish, scene.water.temperature_c)
    )
    fed = _fed_through(channel, outlook, day, cells, lux, curves) if holding.engine == "energy" else {}
    by_day = score_again(holding.factors_day.at(cells), {**light_day, **fed}, holding.weights_day)
    by_night = score_again(holding.factors_night.at(cells), light_night, holding.weights_night)
    score = eye * by_day + (1 - eye) * by_night
    times = pd.Index(day.times, name="time")

    def by_lie(values: np.ndarray) -> pd.DataFrame:
        return pd.DataFrame({n: values[:, label == n].mean(axis=1) for n in lies.table.index}, index=times)

    return _Span(outlook.light, day, by_lie(score), by_lie(lux), pd.Series(eye.mean(axis=1), index=times))


def _fed_through(
    channel: Channel, outlook: Outlook, day: DayLight, cells: np.ndarray, lux: np.ndarray, curves: Curves
) -> dict[str, np.ndarray]:
    """What the energy engine makes of food and nose speed at every step: how far the fish sees goes with the light.

    Parameters
    ----------
    cells, lux : of the lies, and the light at their bed at every step [lux] (n_steps, n_cells)
    """
    scene, fish = outlook.scene, outlook.holding.fish
    good = full_range(outlook.light, fish, curves.eyes)
    # Where it sees farthest: in the water that is brightest in the scene, or in some all over the reach.
    few = np.linspace(0, channel.grid.n_wet - 1, BRIGHT_CELLS).astype(int)
    bright = np.unique(np.r_[few, np.argmax(outlook.light["light_bed"])])
    most = lux_through_day(channel, day, scene.cloud, scene.water, bright, scene.town_glow_lux).max(axis=1)
    clear, seen = (
        good * light_factor(values, curves.eyes, fish) for values in (np.maximum(most, lux.max(axis=1)), lux)
    )
    drift, nose, depth = (channel[name][cells] for name in ("drift_speed", "nose_speed", "depth"))
    flow = Flow(drift, nose, depth, seen)
    return energy_through_day(flow, fish, curves.energy, scene.water.temperature_c, clear)


def _order(
    ground: Ground,
    lies: Lies,
    name: str,
    span: _Span | None,
    hours: Mapping[int, list[list[Hour]]],
    start: datetime | None,
) -> pd.DataFrame:
    """A scene's best lies from downstream to upstream, as many as there is time for before midnight.

    Parameters
    ----------
    hours : lie -> hours at which to look for a place to stand there, in daylight and in the dark
    """
    scene = lies.scenes[name]
    few = _best_few(ground, lies, name, span, hours, start) if span is not None else []
    # By place, not by number: lies that came up besides those known before stand last in number only.
    way = lies.table.loc[sorted(few), "along_m"].sort_values(ascending=False, kind="stable")
    chosen, along = way.index.tolist(), way.to_numpy(float)
    if not chosen or span is None:
        return pd.DataFrame(columns=["lie", "when", "why", "step"])
    walk = np.r_[0, np.cumsum(np.abs(np.diff(along)) / WALK_M_S / 60)]
    after = walk + MINUTES_A_LIE * np.arange(len(chosen))
    offsets = np.rint(after / span.day.step_min).astype(int)
    best = _best_start(span, chosen, offsets) if start is None else span.day.step_of(start)
    begin = span.score.index[best] if start is None else pd.Timestamp(start)
    times = [begin + pd.Timedelta(minutes=float(minutes)) for minutes in after]
    # What comes after midnight isn't known.
    steps = [step for step in (best + offsets).tolist() if step < len(span.day.times)]
    rows = [
        {
            "lie": int(number),
            "when": f"{when:%H:%M}",
            "why": str(scene.loc[number, "lasting"])
            + _light_then(ground.channel, span, step, lies.cells[int(number)], span.lux[number].iloc[step]),
            "step": int(step),
        }
        for number, when, step in zip(chosen, times, steps, strict=False)
    ]
    order = pd.DataFrame(rows)
    order.attrs["late"] = [int(number) for number in chosen[len(rows) :]]
    return order


def _best_few(
    ground: Ground,
    lies: Lies,
    name: str,
    span: _Span,
    hours: Mapping[int, list[list[Hour]]],
    start: datetime | None,
) -> list[int]:
    """The best lies with a place to stand in the light of the visit; where none has any, the best."""
    # Where none stands out then, those that do in the like light; but not where the visit is to begin then.
    best = best_lies(lies, name, span.score[_alike(span)] if start is None else pd.DataFrame())
    dark = is_dark(span.light.sun if start is None else span.day.sun[span.day.step_of(start)])

    def found(number: int) -> bool:
        tries = (hour for both in hours[number] for hour in both if hour.dark == dark)
        return has_place(ground, tries, lies.table.loc[number])

    return [*islice(filter(found, best), MOST_IN_ORDER)] or best[:MOST_IN_ORDER]


def _without_place_told(order: pd.DataFrame, stands: pd.DataFrame, day: DayLight | None) -> pd.DataFrame:
    """An order that says of which lies no place to stand was found in the light they are met in.

    Parameters
    ----------
    stands : as `Visit.stances`
    day : that of the order; None if that is empty
    """
    if day is None:
        return order
    known = set(zip(stands["lie"], stands["dark"], strict=True))
    have = [(row.lie, is_dark(day.sun[row.step])) in known for row in order.itertuples()]
    words = ["" if found else "; no place to stand was found" for found in have]
    return order.assign(why=[why + more for why, more in zip(order["why"], words, strict=True)])


def _best_start(span: _Span, numbers: list[int], offsets: np.ndarray) -> int:
    """The step to begin at so that most lies are met well.

    By daylight where the scene is a day's, else in the dark, once the fish's eye has switched over: before that
    fishing is dull. Where day or night is too short for that, as dark or light as the scene is; where it is too short
    for all of them even so, for as many as can be.

    Parameters
    ----------
    numbers : of the lies in their order
    offsets : steps from the begin to each (n_lies,)
    """
    score, alike, dark = span.score[numbers].to_numpy(), _alike(span), is_dark(span.light.sun)
    wished = span.eye.to_numpy() < SWITCHED if dark else np.array([sun.altitude_deg > 0 for sun in span.day.sun])
    steps = np.arange(len(alike))[:, None] + offsets
    before_midnight, steps = steps < len(alike), np.minimum(steps, len(alike) - 1)
    met = np.zeros(len(alike), int)
    for light in (alike & wished, alike):
        met = light * (light[steps] & before_midnight).sum(axis=1)
        if met.max() == len(offsets):
            break
    worth = score[steps, np.arange(len(offsets))].sum(axis=1)
    return int(np.argmax(np.where(met == met.max(), worth, -np.inf)))


def _alike(span: _Span) -> np.ndarray:
    """Steps of a day as dark or light as its scene (n_steps,) bool."""
    return np.array([is_dark(sun) == is_dark(span.light.sun) for sun in span.day.sun])


def _light_then(channel: Channel, span: _Span, step: int, cells: np.ndarray, lux: float) -> str:
    """Sun, shade or moon over a lie at that step, to end its reasons with; "" where none can be told."""
    day, sun, scene = span.day, span.day.sun[step], span.light.scene
    if is_dark(sun):
        share = day.moon_share[step][day.columns(cells)] / 255
        terms = bed_terms(sun, day.moon[step], scene.cloud, scene.town_glow_lux)
        moon_lux = moon_at_bed(terms, share, span.light.kd_per_m, channel["depth"][cells])
        return f"; {night_words(sun, lux, float(share.mean()), moon_lux)} then"
    if not shade_is_seen(sun, scene.cloud):
        return ""
    return "; in the sun then" if day.sun_on(cells)[step].mean() >= 255 / 2 else "; in shade then"


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
