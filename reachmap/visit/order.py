"""The order in which to fish the lies of a scene, and when."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from itertools import islice

import numpy as np
import pandas as pd

from reachmap.channel.model import Channel
from reachmap.light import bed_terms, is_dark
from reachmap.light.model import DayLight
from reachmap.trout.model import Lies
from reachmap.trout.reasons import moon_at_bed, night_words, shade_is_seen
from reachmap.visit.bank import BANKS
from reachmap.visit.span import Span
from reachmap.visit.stand import Ground, Hour, has_place
from reachmap.visit.worth import best_lies

WALK_M_S = 0.5
"""Pace along the bank between lies, wading pauses included (assumed) [m/s]."""

SWITCHED = 0.1
"""State of the eye below which it counts as the night's (assumed)."""

MINUTES_A_LIE = 20
"""Time to fish one lie (assumed) [min]."""

MOST_IN_ORDER = 8
"""Lies of an order at most (assumed)."""


def order_of(
    ground: Ground,
    lies: Lies,
    name: str,
    span: Span | None,
    hours: Mapping[int, list[list[Hour]]],
    start: datetime | None,
) -> pd.DataFrame:
    """A scene's best lies from downstream to upstream, as many as there is time for before midnight.

    Parameters
    ----------
    hours : lie -> hours at which to look for a place to stand there, in daylight and in the dark
    """
    if span is None:
        return pd.DataFrame(columns=["lie", "when", "why", "step"])
    # Where none stands out then, those that do in the like light; but not where the visit is to begin then.
    best = best_lies(lies, name, span.score[span.alike] if start is None else pd.DataFrame())
    dark = is_dark(span.light.sun if start is None else span.day.sun[span.day.step_of(start)])
    tries = {number: [hour for both in hours[number] for hour in both if hour.dark == dark] for number in best}

    def planned(crossed: bool) -> pd.DataFrame:
        few, bank = _best_few(ground, tries, crossed)
        order = _in_order(ground.channel, lies, name, span, few, start)
        order.attrs["bank"] = bank
        return order

    order = planned(ground.ways.crossed(dark))
    # One that runs on into another light may come to where nobody gets across any more.
    lights = {is_dark(span.day.sun[step]) for step in order["step"]}
    if order.attrs.get("bank") == "either" and not all(ground.ways.crossed(light) for light in lights):
        return planned(False)
    return order


def _in_order(
    channel: Channel, lies: Lies, name: str, span: Span, few: list[int], start: datetime | None
) -> pd.DataFrame:
    """A few lies from downstream to upstream, as `order_of`."""
    scene = lies.scenes[name]
    # By place, not by number: lies that came up besides those known before stand last in number only.
    way = lies.table.loc[sorted(few), "along_m"].sort_values(ascending=False, kind="stable")
    chosen, along = way.index.tolist(), way.to_numpy(float)
    if not chosen:
        return pd.DataFrame(columns=["lie", "when", "why", "step"])
    walk = np.r_[0, np.cumsum(np.abs(np.diff(along)) / WALK_M_S / 60)]
    after = walk + MINUTES_A_LIE * np.arange(len(chosen))
    offsets = np.rint(after / span.day.step_min).astype(int)
    best = best_start(span, chosen, offsets) if start is None else span.day.step_of(start)
    begin = span.score.index[best] if start is None else pd.Timestamp(start)
    times = [begin + pd.Timedelta(minutes=float(minutes)) for minutes in after]
    # What comes after midnight isn't known.
    steps = [step for step in (best + offsets).tolist() if step < len(span.day.times)]
    rows = [
        {
            "lie": int(number),
            "when": f"{when:%H:%M}",
            "why": str(scene.loc[number, "lasting"])
            + _light_then(channel, span, step, lies.cells[int(number)], span.lux[number].iloc[step]),
            "step": int(step),
        }
        for number, when, step in zip(chosen, times, steps, strict=False)
    ]
    order = pd.DataFrame(rows)
    order.attrs["late"] = [int(number) for number in chosen[len(rows) :]]
    return order


def _best_few(ground: Ground, tries: Mapping[int, list[Hour]], crossed: bool) -> tuple[list[int], str]:
    """The best lies with a place to stand in the light of the visit, and the bank; where none has any, the best.

    From either bank, or where nobody gets across all from the one that more of the best can be met from.

    Parameters
    ----------
    tries : lie -> hours at which to look for a place to stand, the best lie first
    """

    def met_from(bank: str) -> list[int]:
        found = (number for number, some in tries.items() if has_place(ground, some, number, BANKS[bank]))
        return [*islice(found, MOST_IN_ORDER)]

    either = met_from("either")
    if crossed or not either:
        return either or [*islice(tries, MOST_IN_ORDER)], "either"
    sides = {bank: met_from(bank) for bank in ("left", "right")}
    bank = max(sides, key=lambda side: (len({*either} & {*sides[side]}), either[0] in sides[side]))
    return sides[bank], bank


def banks_of(orders: Mapping[str, pd.DataFrame], days: Mapping[str, DayLight]) -> dict[tuple[int, bool], int]:
    """Which banks the lies of orders are met from: lie, dark -> as in `BANKS`."""
    return {
        (int(row.lie), is_dark(days[name].sun[row.step])): BANKS[order.attrs["bank"]]
        for name, order in orders.items()
        for row in order.itertuples()
    }


def without_place_told(order: pd.DataFrame, stands: pd.DataFrame, day: DayLight | None) -> pd.DataFrame:
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


def best_start(span: Span, numbers: list[int], offsets: np.ndarray) -> int:
    """The step to begin at so that most lies are met well.

    By daylight where the scene is a day's, else in the dark, once the fish's eye has switched over: before that
    fishing is dull. Where day or night is too short for that, as dark or light as the scene is; where it is too short
    for all of them even so, for as many as can be.

    Parameters
    ----------
    numbers : of the lies in their order
    offsets : steps from the begin to each (n_lies,)
    """
    score, alike, dark = span.score[numbers].to_numpy(), span.alike, is_dark(span.light.sun)
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


def _light_then(channel: Channel, span: Span, step: int, cells: np.ndarray, lux: float) -> str:
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
