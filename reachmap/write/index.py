"""The page over many beats: where they lie, which lie is best on each, what failed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from html import escape
from typing import Any
from urllib.parse import quote

import numpy as np
import shapely

from reachmap.constants import METRES_A_DEGREE
from reachmap.write.drawing import north_mark, round_length, scale_bar
from reachmap.write.imperial import in_units
from reachmap.write.labels import place_labels
from reachmap.write.pages import plain_page

STYLE = """
body{background:#f7f4ec;color:#1f2a2e;font:16px/1.45 system-ui,sans-serif;max-width:60rem;
margin:1.5rem auto;padding:0 1rem}
table{border-collapse:collapse;width:100%}th,td{text-align:left;padding:.4rem .6rem .4rem 0;
border-bottom:1px solid #b9b3a3;vertical-align:top}td{overflow-wrap:anywhere}
td.n{font-variant-numeric:tabular-nums;white-space:nowrap}
svg{width:100%;max-width:40rem;height:auto;border:1px solid #b9b3a3}.bar{stroke:currentColor;stroke-width:1.5}
text{fill:currentColor}
a{color:inherit}.bad{border-left:4px solid #1f2a2e;padding-left:.6rem}
@media(prefers-color-scheme:dark){body{background:#14181a;color:#e9e4d6}}
"""


WIDE, HIGH, EDGE, DOT = 420.0, 320.0, 20.0, 4.0
"""Width of the sketch, which sets its unit, its height at most, its margin, and half the size of a dot."""

LONGEST_NAME, LETTER, LINE, GAPS = 34, 7.0, 14.0, (8.0, 14.0)
"""Letters of a name beside its dot, the room for a letter and a line, and how far from the dot it may be (assumed)."""

FOOT = """<p>Scores rank places; they promise no fish and no safe footing.
Local rules, access and licensed guides come first.</p>"""


def index_page(outcomes: Sequence[Mapping[str, Any]]) -> str:
    """One offline html page over many beats.

    Parameters
    ----------
    outcomes : title, out (folder below the page or None), message, told (of warm water, level and engine, in words),
        units (to print in), scenes (names), best (rows of `lies_table`), one a beat
    """
    good = [o for o in outcomes if o["out"]]
    scenes = list(dict.fromkeys(scene for o in good if o["best"] for scene in o["scenes"]))
    parts = [
        f"<h1>{len(good)} {'beat' if len(good) == 1 else 'beats'}</h1>",
        _where(good),
        *(_ranking(good, scene) for scene in scenes),
        _without([o for o in good if not o["best"]]),
        _failed([o for o in outcomes if not o["out"]]),
        FOOT,
    ]
    return plain_page("Beats", STYLE, "\n".join(part for part in parts if part))


def _ranking(good: Sequence[Mapping[str, Any]], scene: str) -> str:
    """Beats of one scene, the one with the best lie first; below them those without one then, if they have others."""
    rows = [(row, o) for o in good for row in o["best"] if row["scene"] == scene]
    rows.sort(key=lambda pair: (-pair[0]["score"], pair[1]["title"]))
    body = "".join(_row(rank, row, o) for rank, (row, o) in enumerate(rows, 1))
    head = "<tr><th>#</th><th>beat and its best lie</th><th>when</th><th>score</th></tr>"
    ranked = [o for _, o in rows]
    poor = ", ".join(_link(o) for o in good if o["best"] and scene in o["scenes"] and o not in ranked)
    table = f"<table>{head}{body}</table>" if rows else ""
    return f"<h2>{escape(scene)}</h2>{table}{f'<p>No lie stands out then: {poor}</p>' if poor else ''}"


def _row(rank: int, row: Mapping[str, Any], outcome: Mapping[str, Any]) -> str:
    """One line of the ranking."""
    lie = f"lie {row['lie']}, {escape(row['kind'])}: {escape(in_units(row['why'], outcome['units']))}"
    when = f"{datetime.fromisoformat(row['when']):%d %b<br>%H:%M}".lstrip("0")
    told = f"<td>{_link(outcome)}<br>{lie}</td><td class='n'>{when}</td><td class='n'>{row['score']:.2f}</td>"
    return f"<tr><td class='n'>{rank}</td>{told}</tr>"


def _link(outcome: Mapping[str, Any]) -> str:
    """The title of a beat as a link to its map, and what sets that apart."""
    told = f" ({escape(in_units(outcome['told'], outcome['units']))})" if outcome["told"] else ""
    return f"<a href='{quote(outcome['out'])}/map.html'>{escape(outcome['title'])}</a>{told}"


def _without(poor: Sequence[Mapping[str, Any]]) -> str:
    """The beats that have nothing to be ranked by."""
    body = "".join(f"<li>{_link(o)}</li>" for o in poor)
    return f"<h2>No lie stands out</h2><ul>{body}</ul>" if body else ""


def _failed(bad: Sequence[Mapping[str, Any]]) -> str:
    """What could not be mapped and why."""
    if not bad:
        return ""
    body = "".join(f"<p class='bad'><b>{escape(o['title'])}</b><br>{escape(o['message'])}</p>" for o in bad)
    return f"<h2>Not mapped</h2>{body}"


def _where(good: Sequence[Mapping[str, Any]]) -> str:
    """A plain sketch of where the beats lie, north up; latitude and longitude to scale at the middle."""
    spots = [(o["title"], o["best"][0]["lat"], o["best"][0]["lon"]) for o in good if o["best"]]
    if len(spots) < 2:
        return ""
    lat, lon = np.array([s[1] for s in spots]), np.array([s[2] for s in spots])
    # From the first beat on, so that some on either side of the 180th meridian lie side by side.
    east = (lon - lon[0] + 180.0) % 360.0
    east_m = METRES_A_DEGREE * (east - east.min()) * np.cos(np.radians(lat.mean()))
    south_m = METRES_A_DEGREE * (lat.max() - lat)
    scale = min((WIDE - 2 * EDGE) / max(np.ptp(east_m), 1.0), (HIGH - 2 * EDGE) / max(np.ptp(south_m), 1.0))
    height = 2 * EDGE + scale * np.ptp(south_m)
    at = np.column_stack([EDGE + scale * east_m, EDGE + scale * south_m]).tolist()
    dots = "".join(
        f"<circle cx='{a:.1f}' cy='{b:.1f}' r='{DOT:g}' fill='currentColor'><title>{escape(title)}</title></circle>"
        for (title, _, _), (a, b) in zip(spots, at, strict=True)
    )
    names = _names([title for title, _, _ in spots], at, height)
    feet = all(o["units"] == "imperial" for o in good if o["best"])
    length, words = round_length(WIDE / 3 / scale, "imperial" if feet else "metric")
    foot = scale_bar(EDGE, height + LINE, scale * length, words, LINE) + north_mark(WIDE - EDGE, height, LINE)
    box = f"0 0 {WIDE:g} {height + 2.5 * LINE:.0f}"
    return f"<svg viewBox='{box}' role='img' aria-label='where the beats lie, north up'>{dots}{names}{foot}</svg>"


def _names(titles: Sequence[str], spots: Sequence[tuple[float, float]], height: float) -> str:
    """The names beside their dots; one that would cover another or a dot is left to the dot's tooltip."""
    words = [title if len(title) <= LONGEST_NAME else title[: LONGEST_NAME - 1] + "…" for title in titles]
    sizes = [(LETTER * len(word), LINE) for word in words]
    places = place_labels(
        spots, sizes, GAPS, solid=[shapely.Point(spot).buffer(DOT) for spot in spots], frame=(0, 0, WIDE, height)
    )
    return "".join(
        f"<text x='{place.x:.1f}' y='{place.y + 4:.1f}' font-size='12' text-anchor='middle' "
        f"fill='currentColor'>{escape(word)}</text>"
        for word, place in zip(words, places, strict=True)
        if place.clear
    )
