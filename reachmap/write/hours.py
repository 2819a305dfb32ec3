"""The hours of the best lies: a table for the terminal, and a picture."""

from __future__ import annotations

from html import escape

import numpy as np
import pandas as pd

from reachmap.light import is_dark
from reachmap.light.bodies import RISE_DEG
from reachmap.light.day import SHADED
from reachmap.light.model import DayLight, Light
from reachmap.trout.reasons import OVERCAST_OKTAS, shade_is_seen
from reachmap.visit.worth import best_lies, ranked
from reachmap.write.imperial import as_typed
from reachmap.write.model import Result
from reachmap.write.pages import plain_page
from reachmap.write.summary import (
    beside_the_map,
    engine_words,
    fish_words,
    level_words,
    new_numbers,
    order_words,
    other_hours_words,
    place_words,
    printed,
    water_words,
)

DULL = "For about an hour after dusk the eye switches over and fishing is often dull (common practice)."

ADD_SCENE = "To have them there, map this moment with --when, or add a scene of this day and sky to beat.toml."

NO_LIE = "No lie of the beat's own scenes stands out on this day; at another hour others may."

NO_HOURS = (
    "No lie of the beat's own scenes stands out on this day, so there are no hours to show; at another hour others "
    "may: try lies --when."
)
"""Lies are looked for at the hours of scenes, so a day without any of those is not told to be without lies."""

INK = "#1f2a2e"
ROW, LEFT, STEP, TOP = 13, 22, 3, 34
"""Height of a lie's row, width of the numbers, width of a ten-minute step, room above the rows, in units of the
picture."""

WORDS, GAP = 62, 2
"""Room for the words of a moment, a space behind them included, and between them and their line (assumed)."""

POOR = 0.35
"""Scores up to this are left nearly white, so that what sets good hours apart can be seen."""

EVENT_WORDS = {
    "sunrise": "sun up",
    "sunset": "sun down",
    "moonrise": "moon up",
    "moonset": "moon down",
}
"""Moments named in the picture; the others stand in the text."""


def hours_text(result: Result, every_min: int = 60, count: int = 6, clouded: Result | None = None) -> str:
    """Scores of the best lies over the day, the day's moments, and the order to fish them.

    Parameters
    ----------
    every_min : minutes between rows; rounded to the day's steps
    count : how many lies
    clouded : the same day under full cloud, for what to do then
    """
    scene, outlook = result.first
    numbers, order, sky = _shown(result, count), result.visit.order, outlook.scene
    water = level_words(result.channel, ", ") + engine_words(result, ", ")
    lines = [f"{sky.when:%d %b %Y}, cloud {sky.cloud}/8 all day, {water_words(sky.water)}{water}", ""]
    lines += _table(result, numbers, every_min) if numbers else [NO_HOURS]
    lines += ["", *filter(None, (event_words(result.day), light_words(result.day)))]
    if len(order):
        hours = order_words(result, scene)
        lines += ["", f"In this order, upstream{hours and f'. {hours}'}:"]
        lines += [f"{row.when}  lie {row.lie}, {row.why}" for row in order.itertuples()]
    lines += ["", beside] if (beside := _beside(result, numbers)) else []
    if clouded is not None:
        lines += ["", if_clouded(result, clouded)]
    suns = [result.day.sun[step] for step in order["step"]] or [outlook.light.sun]
    dark = any(is_dark(sun) for sun in suns)
    told = [caution for caution in result.visit.cautions if caution.grave(dark)]
    lines += ["", *(f"- {caution.text}" for caution in told)]
    return printed("\n".join(lines), result.channel.beat)


def _shown(result: Result, count: int) -> list[int]:
    """The lies whose hours are told, at most so many, the best first."""
    return best_lies(result.lies, result.first[0], result.visit.hours)[:count] if len(result.visit.hours) else []


def _table(result: Result, numbers: list[int], every_min: int) -> list[str]:
    """Scores of some lies and the state of the eye, a line every so many minutes."""
    rows = result.visit.hours.iloc[:: max(1, round(every_min / result.day.step_min))]
    lines = [f"{words}\n"] if (words := other_hours_words(result)) else []
    lines.append("time   " + "".join(f"{n:>7}" for n in numbers) + "   eye")
    return lines + [
        f"{when:%H:%M}  " + "".join(f"{row[n]:7.2f}" for n in numbers) + f"   {eye_word(result.visit.eye[when])}"
        for when, row in rows.iterrows()
    ]


def event_words(day: DayLight) -> str:
    """Sunrise to moonset in one line; "" on a day without any."""
    return ", ".join(f"{name.replace('_', ' ')} {when:%H:%M}" for name, when in day.events.items())


def light_words(day: DayLight) -> str:
    """What a day without sunrise and sunset is like, and that the hour after dusk is dull if there is a dusk."""
    up = day.sun[len(day.sun) // 2].altitude_deg > RISE_DEG
    stays = "The sun stays up all day." if up else "The sun does not rise this day."
    turns, dusk = {"sunrise", "sunset"} & day.events.keys(), {"civil_dusk", "nautical_dusk"} & day.events.keys()
    return " ".join(filter(None, ("" if turns else stays, DULL if dusk else "")))


def eye_word(state: float) -> str:
    """The state of the eye in a word."""
    return "day" if state > 0.9 else "night" if state < 0.1 else "switching"


def _beside(result: Result, numbers: list[int]) -> str:
    """What to know of those of some lies, or of those in the order, that the map does not have; "" if it has all."""
    words = beside_the_map(result.lies, {*numbers, *result.visit.order["lie"]})
    return f"{words} {ADD_SCENE}" if words else ""


def if_clouded(result: Result, clouded: Result) -> str:
    """What changes when it clouds over: the share of good water and the lies worth going to at the scene's hour."""
    one, other = (r.first[1].holding for r in (result, clouded))
    share = [100 * float((holding["hold"] > 0.5).mean()) for holding in (one, other)]
    first = [ranked(r.lies, next(iter(r.lies.scenes)))[:3] for r in (result, clouded)]
    new = new_numbers(clouded.lies, first[1])
    places = [
        f"lie {number}{' (not on the map)' if number in new else ''}, {place_words(clouded.lies, number)}"
        for number in first[1]
    ]
    advice = ""
    if first[1] and share[1] > share[0] + 5:
        advice = ": leave the shade and cover water" if _some_in_shade(result) else ": cover water"
    elif first[0] and first[1]:
        advice = ": stay with the best lies"
    best = "; ".join(places) or "nothing that stands out"
    when = clouded.channel.beat.local(clouded.first[1].scene.when)
    return (
        f"If it clouds over, at {when:%H:%M} {share[1]:.0f} % of the water scores above 0.5 instead of {share[0]:.0f} %"
        f"{advice}. Best then: {best}.{f' {ADD_SCENE}' if new else ''}"
    )


def _some_in_shade(result: Result) -> bool:
    """Whether any water is in the shade of the sun at the hour of the first scene, as far as one can tell."""
    light = result.first[1].light
    return shade_is_seen(light.sun, light.scene.cloud) and lit_percent(light) < 100


def lit_percent(light: Light) -> int:
    """How much of the water the sun reaches, or by night the moon [%]."""
    return round(100 * float((light["sun_share"] >= SHADED).mean()))


def hours_picture(result: Result, count: int = 6) -> str:
    """Lies by time as an svg in a frame of its own.

    The darker, the better; the eye above, shade under each lie, the day's moments as lines.

    Parameters
    ----------
    count : how many lies
    """
    hours, numbers = result.visit.hours, _shown(result, count)
    if not numbers:
        return f"<p>{'No day was worked out.' if hours.empty and len(result.lies.table) else NO_LIE}</p>"
    n = len(hours)
    wide, foot = LEFT + STEP * n, TOP + ROW * len(numbers)
    parts = [_eye_strip(result.visit.eye)]
    for row, number in enumerate(numbers):
        parts.append(_lie_row(result, number, TOP + ROW * row))
    parts.append(_moments(result, foot))
    for k in range(0, n, 12):
        at = LEFT + STEP * k
        parts.append(f"<text x='{at}' y='{foot + 9}' font-size='7'>{hours.index[k]:%H}</text>")
    label = "lies by hour of the day, darker is better; bars under a lie mark its shade"
    # Wider than a phone, which may push it aside, so that the hours can be read.
    words = f"<p>{words}</p>" if (words := other_hours_words(result)) else ""
    return (
        f"{words}<div style='overflow-x:auto' tabindex='0' role='region' aria-label='lies by hour'>"
        f"<svg xmlns='http://www.w3.org/2000/svg' style='min-width:30rem' viewBox='0 0 {wide} {foot + 12}' role='img' "
        f"aria-label='{label}' fill='{INK}' font-family='system-ui,sans-serif'>{''.join(parts)}</svg></div>"
    )


def _runs(states: np.ndarray) -> list[tuple[int, int]]:
    """First step and length of every stretch in which something is true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], states.astype(np.int8), [0]])))
    return [(int(a), int(b - a)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _eye_strip(eye: pd.Series) -> str:
    """The fish's eye over the day: open by day, filled by night, hatched while it switches."""
    state = eye.to_numpy()
    hatch = f"<path d='M0 3L3 0' stroke='{INK}' stroke-width='.8'/>"
    parts = [
        f"<defs><pattern id='switching' width='3' height='3' patternUnits='userSpaceOnUse'>{hatch}</pattern></defs>",
        f"<text x='0' y='{TOP - 6}' font-size='7'>eye</text>",
    ]
    for rule, fill in ((state > 0.9, "none"), (state < 0.1, INK), ((state >= 0.1) & (state <= 0.9), "url(#switching)")):
        for start, length in _runs(rule):
            box = f"x='{LEFT + STEP * start}' y='{TOP - 12}' width='{STEP * length}' height='8'"
            parts.append(f"<rect {box} fill='{fill}' stroke='{INK}' stroke-width='.4'/>")
    return "".join(parts)


def _lie_row(result: Result, number: int, top: int) -> str:
    """One lie: its number, its score as shades of ink, its shade as a bar below while one sees any."""
    score = np.round(np.clip(result.visit.hours[number].to_numpy(), 0, 1) * 10) / 10
    parts = [f"<text x='0' y='{top + 8}' font-size='8'>{number}</text>"]
    for value in np.unique(score[score > 0]):
        for start, length in _runs(score == value):
            box = f"x='{LEFT + STEP * start}' y='{top}' width='{STEP * length}' height='8'"
            parts.append(f"<rect {box} fill-opacity='{np.clip((value - POOR) / (1 - POOR), 0.03, 1):.2f}'/>")
    lit = result.day.sun_on(result.lies.cells[number]).mean(axis=1) / 255
    cloud = result.first[1].scene.cloud
    seen = np.array([shade_is_seen(sun, cloud) for sun in result.day.sun])
    for start, length in _runs((lit < SHADED) & seen):
        parts.append(f"<rect x='{LEFT + STEP * start}' y='{top + 9}' width='{STEP * length}' height='2'/>")
    return "".join(parts)


def _moments(result: Result, foot: int) -> str:
    """Sunrise to moonset as lines with their words, those of the moon a line higher."""
    # Differences of local times do not see a change of clocks.
    begin_s, step_s = result.day.times[0].timestamp(), 60 * result.day.step_min
    wide, parts = LEFT + STEP * len(result.day.times), []
    for names, high in ((("moonrise", "moonset"), 6), (("sunrise", "sunset"), 14)):
        events = [(EVENT_WORDS[name], when) for name, when in result.day.events.items() if name in names]
        places = [LEFT + STEP * (when.timestamp() - begin_s) / step_s for _, when in events]
        for (word, when), at, (x, anchor) in zip(events, places, _beside_lines(places, wide), strict=True):
            parts.append(
                f"<path d='M{at:.1f} {high + 1}V{foot}' stroke='{INK}' stroke-width='.5' stroke-dasharray='2 2'/>"
                f"<text x='{x:.1f}' y='{high}' font-size='6.5' text-anchor='{anchor}'>{word} {when:%H:%M}</text>"
            )
    return "".join(parts)


def _beside_lines(places: list[float], wide: float) -> list[tuple[float, str]]:
    """Where the words of one moment or two stand beside their lines, and which end of them, so that all can be read.

    Parameters
    ----------
    places : of the lines across the picture, the earlier first
    wide : width of the picture
    """
    out = [(at + GAP, "start") if at + GAP + WORDS <= wide else (at - GAP, "end") for at in places]
    begin = [x if anchor == "start" else x - WORDS for x, anchor in out]
    if len(places) < 2 or begin[1] - begin[0] >= WORDS:
        return out
    first, last = places
    if first - GAP < WORDS:
        return [(first + GAP, "start"), (first + GAP + WORDS, "start")]
    if last + GAP + WORDS > wide:
        return [(last - GAP - WORDS, "end"), (last - GAP, "end")]
    return [(first - GAP, "end"), (last + GAP, "start")]


def hours_page(result: Result, clouded: Result | None = None, count: int = 10) -> str:
    """The hours of a day as one html page without anything from outside."""
    beat, scene = result.channel.beat, result.first[1].scene
    name, when = as_typed(escape(beat.name)), f"{scene.when:%d %B %Y}".lstrip("0")
    order = "".join(
        f"<li>{escape(row.when)} lie {row.lie}, {escape(row.why)}</li>" for row in result.visit.order.itertuples()
    )
    order = f"<ol>{order}</ol>" if order else f"<p>{NO_LIE}</p>"
    hours = order_words(result, result.first[0])
    told = f"<p>{hours}.</p>" if hours else ""
    cautions = "".join(f"<li>{escape(caution.text)}</li>" for caution in result.visit.cautions)
    of_day = light_words(result.day)
    water = water_words(scene.water) + level_words(result.channel, ", ") + engine_words(result, ", ")
    beside = f"<p>{escape(_beside(result, _shown(result, count)))}</p>"
    clouds = f"<p>{escape(if_clouded(result, clouded))}</p>" if clouded is not None else ""
    seen = scene.cloud < OVERCAST_OKTAS
    shade = "a bar under a row marks shade" if seen else "under so much cloud no shade is to be seen"
    body = (
        f"<h1>{name}, {when}</h1><p>For {fish_words(beat.fish)}: cloud {scene.cloud}/8 all day, {water}. "
        f"Rows are lies, the darker the better; {shade}. "
        "The strip on top is the fish's eye: open by day, filled by night, "
        f"hatched while it switches.</p>{hours_picture(result, count)}<p>{of_day}</p><h2>In this order, upstream</h2>"
        f"{told}{order}{beside}{clouds}<h2>Before you wade</h2><ul>{cautions}</ul>"
    )
    style = "body{font:16px/1.5 system-ui,sans-serif;color:#1f2a2e;background:#fff;max-width:60rem;margin:1.5rem auto;"
    style += "padding:0 1rem}svg{width:100%;height:auto}"
    return printed(plain_page(f"{name}: hours", style, body), beat)
