"""card.html: two small pages to print and pocket, readable in black and white."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

import numpy as np
import shapely

from reachmap.channel import Channel
from reachmap.light import is_dark
from reachmap.light.bodies import DOWN_DEG
from reachmap.light.model import Light
from reachmap.trout.reasons import OVERCAST_OKTAS, shade_is_seen
from reachmap.visit.worth import ranked
from reachmap.write.current import current_marks
from reachmap.write.drawing import north_mark, round_length, scale_bar
from reachmap.write.hours import event_words, hours_picture, light_words, lit_percent
from reachmap.write.imperial import as_typed
from reachmap.write.labels import place_labels
from reachmap.write.model import Result
from reachmap.write.pages import plain_page
from reachmap.write.summary import (
    SEEN_LEAST_M,
    clear_words,
    engine_words,
    fish_words,
    fly_words,
    level_words,
    order_words,
    printed,
)

if TYPE_CHECKING:
    import pandas as pd

VERBS = {"standing": "Stand", "kneeling": "Kneel"}
PLACES = {"water": "in the water", "bank": "on the bank"}

TOP = 6
"""Lies on the card."""

LETTER, GAPS, EDGE = 0.7, (0.5, 1.2, 2.0, 3.0, 4.2), 2.0
"""In the sketch, in heights of its letters: width of a figure, how far from its lie a number may stand, and the margin
round the water (assumed)."""

HIGH_MM, NARROW_MM = 140.0, 60.0
"""On paper, so that one page holds the lies as well: how high a sketch beside them may be, and how wide (assumed)."""

ARROWS = 8
"""Arrows in the sketch that say which way the water runs, as far as the lies leave room."""

STYLE = """
@page{size:148mm 210mm;margin:9mm}body{font:10pt/1.3 system-ui,sans-serif;color:#1f2a2e;background:#fff;margin:0 auto;
max-width:130mm}h1{font-size:15pt;margin:0}h2{font-size:12pt;margin:.5em 0 .2em}section{break-after:page;clear:both}
section:last-of-type{break-after:auto}p{margin:.2em 0}ol,ul{margin:.2em 0;padding-left:1.4em}li{margin:.1em 0}
.ticks{list-style:"☐ ";columns:2;column-gap:1em}.ticks li,.small li{font-size:9pt}
svg{width:100%;max-height:56mm}.beside{float:right;max-height:none}.beside~ol{list-style-position:inside;padding-left:0}
.ink{fill:none;stroke:#1f2a2e;stroke-width:1.2;vector-effect:non-scaling-stroke}
.lie{fill:#1f2a2e22;stroke:#1f2a2e;vector-effect:non-scaling-stroke}.lane{fill:none;stroke:#1f2a2e;
stroke-dasharray:3 2;vector-effect:non-scaling-stroke}.bar{stroke:#1f2a2e;stroke-width:2;
vector-effect:non-scaling-stroke}text{fill:#1f2a2e}.current{fill:none;stroke:#1f2a2e;stroke-width:1.5;
vector-effect:non-scaling-stroke}
@media screen{body{padding:8px 12px}}
"""


def card_page(result: Result) -> str:
    """The card as one html page without anything from outside."""
    beat = result.channel.beat
    scene, outlook = result.first
    when = f"{outlook.scene.when:%d %B %Y, %H:%M}".lstrip("0")
    name, title = (as_typed(escape(words)) for words in (beat.name, scene))
    cautions = "".join(f"<li>{escape(caution.text)}</li>" for caution in result.visit.cautions)
    top = ranked(result.lies, scene)[:TOP]
    told = level_words(result.channel, "; ") + engine_words(result, "; ")
    body = f"""<section><h1>{name}</h1>
<p>{when}, {title}; {fish_words(beat.fish)}{told}</p>
{_sketch(result, sorted({*top, *result.visit.order["lie"]}))}
<ol>{"".join(_lie_line(result, scene, n) for n in top)}</ol></section>
<section><h2>When</h2>{hours_picture(result, TOP)}{_events(result)}<h2>In this order</h2>{_order(result)}
<h2>Look once, then fish</h2>{_checklist(result)}
<h2>Before you wade</h2><ul class="small">{cautions}</ul></section>"""
    return printed(plain_page(f"{name}: card", STYLE, body), beat)


def _lie_line(result: Result, scene: str, number: int) -> str:
    """One lie: what, where from, what the fish sees."""
    row, kind = result.lies.scenes[scene].loc[number], result.lies.table.loc[number, "kind"]
    stances, (dark, hour) = result.visit.stances, _met(result, number)
    today = stances["dates"].str.contains(f"{result.day.date}")
    stands = stances[(stances["lie"] == number) & (stances["dark"] == dark) & today]
    stand = f" No place to stand was found {'for the dark' if dark else 'by daylight'}."
    if len(stands):
        best = stands.iloc[0]
        # Where no place was found for its own hour it is one for another, at which the shadow falls elsewhere.
        told = f", at {best['when']}" if best["when"] != hour else ""
        stand = f" {VERBS[best['how']]} {PLACES[best['on']]}, {best['reason']}{told}."
    seen = result.visit.seen[scene].get(number, {})
    view = ""
    if "range_m" in seen:
        time = ", time to inspect it" if seen["inspects"] else ""
        view = f" It sees the fly at {seen['range_m']:.{_decimals(result)}f} m for {seen['seconds']:.1f} s{time}."
        view = view if seen["range_m"] >= SEEN_LEAST_M else " It sees hardly a fly in this light."
    why = escape(str(row["why"]))
    return f"<li value='{int(row['rank'])}'><b>Lie {number}, {kind}.</b> {why}.{escape(stand)}{view}</li>"


def _met(result: Result, number: int) -> tuple[bool, str]:
    """Whether it is dark when a lie is met, and the hour its stance is for then: the order's, else the scene's."""
    order, outlook = result.visit.order.set_index("lie")["step"], result.first[1]
    if number in order:
        sun, when = result.day.sun[order[number]], result.day.times[order[number]]
    else:
        sun, when = outlook.light.sun, result.channel.beat.local(outlook.scene.when)
    return is_dark(sun), f"{when:%H:%M}"


def _sketch(result: Result, numbers: Iterable[int]) -> str:
    """The water with some lies and their lanes, north up."""
    beat = result.channel.beat
    x0, y0, x1, y1 = beat.outline.bounds
    size = max(x1 - x0, y1 - y0)
    wide = size / 40
    parts = [_path(ring, "ink", True) for part in beat.outline.geoms for ring in (part.exterior, *part.interiors)]
    table = result.lies.table.loc[list(numbers)]
    tags = [*zip(table["x"], table["y"], strict=True)]
    places = place_labels(
        tags,
        [(LETTER * len(str(number)) * wide, wide) for number in table.index],
        [gap * wide for gap in GAPS],
        solid=list(table.geometry),
        lines=shapely.simplify(beat.outline.boundary, wide / 10),
        frame=(x0 - EDGE * wide, y0 - EDGE * wide, x1 + EDGE * wide, y1 + EDGE * wide),
    )
    parts += _arrows(result.channel, [*tags, *((place.x, place.y) for place in places)], wide)
    for (number, lie), tag, place in zip(table.iterrows(), tags, places, strict=True):
        parts += [_path(p.exterior, "lie", True) for p in shapely.get_parts(lie.geometry) if p.geom_type == "Polygon"]
        parts.append(_path(shapely.LineString([tag, (place.x, place.y)]), "ink", False))
        parts.append(
            f"<text x='{place.x:.1f}' y='{-place.y:.1f}' dy='.35em' text-anchor='middle' font-size='{wide:.1f}' "
            f"font-weight='bold' stroke='#fff' stroke-width='{wide / 4:.1f}' paint-order='stroke'>"
            f"{number}</text>"
        )
        lanes = result.visit.lanes[result.visit.lanes["lie"] == number]
        parts += [_path(line, "lane", False) for line in lanes.geometry]
    length, words = round_length(size / 5, beat.units)
    parts.append(scale_bar(x0, -y0 + 2.5 * wide, length, words, wide))
    parts.append(north_mark(x1, -y0 + wide, wide))
    edge = EDGE * wide
    across, high = x1 - x0 + 2 * edge, y1 - y0 + edge + 3.5 * wide
    box = f"{x0 - edge:.1f} {-y1 - edge:.1f} {across:.1f} {high:.1f}"
    # Higher than wide, it would leave no room for the lies below it.
    beside = f" class='beside' style='width:{min(NARROW_MM, HIGH_MM * across / high):.0f}mm'" if high > across else ""
    return f"<svg{beside} viewBox='{box}' role='img' aria-label='the beat, north up'>{''.join(parts)}</svg>"


def _arrows(channel: Channel, taken: Iterable[tuple[float, float]], wide: float) -> list[str]:
    """Which way the water runs, in arrows two letters long, clear of what is written and drawn at some places."""
    kept, out = np.array([*taken]).reshape(-1, 2), list[str]()
    for east, north, *toward, _ in current_marks(channel):
        if len(out) < ARROWS and (np.hypot(*(kept - (east, north)).T) > 2.5 * wide).all():
            kept = np.vstack([kept, (east, north)])
            turn = -math.degrees(math.atan2(toward[1], toward[0]))
            out.append(
                f"<path class='current' transform='translate({east:.1f} {-north:.1f}) rotate({turn:.0f}) "
                f"scale({wide:.2f})' d='M-1 0H1M.5-.4L1 0 .5 .4'/>"
            )
    return out


def _path(line: shapely.Geometry, style: str, closed: bool) -> str:
    """A line as an svg path, north up."""
    points = "L".join(f"{x:.1f} {-y:.1f}" for x, y in shapely.get_coordinates(line))
    return f"<path class='{style}' d='M{points}{'Z' if closed else ''}'/>"


def _events(result: Result) -> str:
    """Sunrise to moonset in one line, and what they mean."""
    said = event_words(result.day)
    return f"<p>{escape(said)}{'. ' if said else ''}{light_words(result.day)}</p>"


def _order(result: Result) -> str:
    """The lies in the order to fish them, from downstream to upstream."""
    stops = [f"{row.when} lie {row.lie}" for row in result.visit.order.itertuples()]
    hours = order_words(result, result.first[0])
    told = f"{hours}: " if hours else ""
    return f"<p>{told}{escape(', then '.join(stops))}.</p>" if stops else "<p>No lie stands out at this hour.</p>"


def _checklist(result: Result) -> str:
    """One look at the bank, with this beat's values to compare with."""
    scene, outlook = result.first
    water, top = outlook.scene.water, ranked(result.lies, scene)[:TOP]
    table, visit = result.lies.table.loc[top], result.visit
    mine = visit.lanes[visit.lanes["lie"].isin(top)]
    leads = mine["lead_m"].dropna()
    crossing = sorted({int(n) for n in mine.loc[mine["crosses_seam"], "lie"]})
    seen = [visit.seen[scene][n]["range_m"] for n in top if "range_m" in visit.seen[scene].get(n, {})]
    fly = f"Fly seen at {_span(min(seen), max(seen), _decimals(result))} m" if seen else ""
    checks = [
        f"Water {water.colour}, {clear_words(water)}",
        fly if not seen or max(seen) >= SEEN_LEAST_M else "Hardly a fly seen in this light",
        f"Flies: {flies}" if top and (flies := fly_words(result, scene, top[0])) else "",
        f"Cloud {outlook.scene.cloud}/8",
        _sun_words(outlook.light),
        f"Drift {_span(table['depth_m'].min(), table['depth_m'].max(), 1)} m deep" if top else "",
        f"Cast {_span(leads.min(), leads.max(), 1)} m above the lie" if len(leads) else "",
        _shut_words(mine),
        _drag_words(crossing) if len(mine) else "",
    ]
    ticks = "".join(f"<li>{escape(check)}</li>" for check in checks if check)
    return f"<ul class='ticks'>{ticks}</ul><p>If one is not so, set the map to what you see.</p>"


def _shut_words(lanes: pd.DataFrame) -> str:
    """At which of the lies something stands too near above every lane for a fly to sink on its way; "" if at none."""
    shut = lanes[lanes.groupby("lie")["lead_m"].transform("count") == 0]
    numbers, kinds = sorted({*shut["lie"]}), sorted({*shut["shut_by"]})
    what = " or ".join(kind if kind == "land" else f"a {kind}" for kind in kinds)
    return f"Cast in from the side at lie {', '.join(map(str, numbers))}: {what} close above" if numbers else ""


def _drag_words(crossing: Sequence[int]) -> str:
    """At which of the lies a lane crosses a seam."""
    if not crossing:
        return "Drift even, no seam to cross"
    return f"Drag to expect at lie {', '.join(map(str, crossing))}: mend there"


def _sun_words(light: Light) -> str:
    """How much of the water the sun reaches, or by night the moon; a sun too low to tell says so."""
    lit = lit_percent(light)
    share = f"on {lit} % of the water{', the rest in shade' if lit < 100 else ''}"
    cloud = light.scene.cloud
    if shade_is_seen(light.sun, cloud):
        return f"Sun {share}"
    if not is_dark(light.sun):
        low = light.sun.altitude_deg > DOWN_DEG and cloud < OVERCAST_OKTAS
        return "Sun too low to tell its shade" if low else "No sun on the water"
    return f"Moon {share}" if light.moon.altitude_deg > 0 and cloud < OVERCAST_OKTAS else "No moon on the water"


def _decimals(result: Result) -> int:
    """Decimals of how far a fly is seen in metres: what is turned to feet after isn't to be rounded twice."""
    return 2 if result.channel.beat.units == "imperial" else 1


def _span(low: float, high: float, digits: int) -> str:
    """Two figures as a span, one where they print alike."""
    one, other = (f"{value:.{digits}f}" for value in (low, high))
    return one if one == other else f"{one} to {other}"
