"""The page over many beats: where they lie, which lie is best on each, what failed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any
from urllib.parse import quote

from reachmap.write.pages import plain_page

STYLE = """
body{background:#f7f4ec;color:#1f2a2e;font:16px/1.45 system-ui,sans-serif;max-width:60rem;
margin:1.5rem auto;padding:0 1rem}
table{border-collapse:collapse;width:100%}th,td{text-align:left;padding:.4rem .6rem;border-bottom:1px solid #b9b3a3;
vertical-align:top}td.n{font-variant-numeric:tabular-nums}svg{width:100%;height:auto;border:1px solid #b9b3a3}
a{color:inherit}.bad{border-left:4px solid #1f2a2e;padding-left:.6rem}
@media(prefers-color-scheme:dark){body{background:#14181a;color:#e9e4d6}}
"""


LONGEST_NAME, LETTER, LINE = 34, 7.0, 14.0
"""Letters of a name beside its dot, and the room for a letter and a line in units of the sketch (assumed)."""

FOOT = """<p>Scores rank places; they promise no fish and no safe footing.
Local rules, access and licensed guides come first.</p>"""


def index_page(outcomes: Sequence[Mapping[str, Any]]) -> str:
    """One offline html page over many beats.

    Parameters
    ----------
    outcomes : title, out (folder below the page or None), message, best (rows of `lies_table`), one a beat
    """
    good = [o for o in outcomes if o["out"]]
    scenes = list(dict.fromkeys(row["scene"] for o in good for row in o["best"]))
    parts = [
        f"<h1>{len(good)} {'beat' if len(good) == 1 else 'beats'}</h1>",
        _where(good),
        *(_ranking(good, scene) for scene in scenes),
        _failed([o for o in outcomes if not o["out"]]),
        FOOT,
    ]
    return plain_page("Beats", STYLE, "\n".join(part for part in parts if part))


def _ranking(good: Sequence[Mapping[str, Any]], scene: str) -> str:
    """Beats of one scene, the one with the best lie first."""
    rows = [(row, o) for o in good for row in o["best"] if row["scene"] == scene]
    rows.sort(key=lambda pair: (-pair[0]["score"], pair[1]["title"]))
    body = "".join(_row(rank, row, o) for rank, (row, o) in enumerate(rows, 1))
    head = "<tr><th>#</th><th>beat</th><th>best lie</th><th>why</th></tr>"
    return f"<h2>{escape(scene)}</h2><table>{head}{body}</table>"


def _row(rank: int, row: Mapping[str, Any], outcome: Mapping[str, Any]) -> str:
    """One line of the ranking, its title a link to the beat's map."""
    title = f"<a href='{quote(outcome['out'])}/map.html'>{escape(outcome['title'])}</a>"
    lie = f"lie {row['lie']}, {escape(row['kind'])}: {escape(row['why'])}"
    return f"<tr><td class='n'>{rank}</td><td>{title}</td><td class='n'>{row['score']:.2f}</td><td>{lie}</td></tr>"


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
    import numpy as np

    lat, lon = np.array([s[1] for s in spots]), np.array([s[2] for s in spots])
    x = (lon - lon.mean()) * np.cos(np.radians(lat.mean()))
    y = lat.mean() - lat
    span = max(np.ptp(x), np.ptp(y), 1e-6)
    across, down = 20 + 560 * (x - x.min()) / span, 20 + 560 * (y - y.min()) / span
    dots = "".join(
        f"<circle cx='{a:.1f}' cy='{b:.1f}' r='5' fill='currentColor'><title>{escape(title)}</title></circle>"
        for (title, _, _), a, b in zip(spots, across, down, strict=True)
    )
    names = _names([title for title, _, _ in spots], across.tolist(), down.tolist())
    height = 40 + 560 * np.ptp(y) / span
    return f"<svg viewBox='0 0 600 {height:.0f}' role='img' aria-label='where the beats lie'>{dots}{names}</svg>"


def _names(titles: Sequence[str], across: Sequence[float], down: Sequence[float]) -> str:
    """The names beside their dots, toward the middle; one that would cover another is left to the dot's tooltip."""
    taken: list[tuple[float, float, float]] = []
    out = ""
    for title, x, y in zip(titles, across, down, strict=True):
        word = title if len(title) <= LONGEST_NAME else title[: LONGEST_NAME - 1] + "…"
        wide = LETTER * len(word)
        left = x < 300
        start = x + 9 if left else x - 9 - wide
        if all(abs(y - line) > LINE or start + wide < a or start > b for a, b, line in taken):
            taken.append((start, start + wide, y))
            anchor = "start" if left else "end"
            out += f"<text x='{x + (9 if left else -9):.1f}' y='{y + 4:.1f}' font-size='12' text-anchor='{anchor}' "
            out += f"fill='currentColor'>{escape(word)}</text>"
    return out
