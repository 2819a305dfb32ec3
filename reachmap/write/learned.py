"""The page of what the log says about the map: counts by score class, where it was wrong, what to measure next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

import pandas as pd
import shapely

from reachmap.channel.model import Channel
from reachmap.trout.learn import Joined, Verdict
from reachmap.trout.model import FACTORS, SCORE_WORDS
from reachmap.trout.tune import Tuning, counted
from reachmap.visit.wading import STANDING_CAUTIONS
from reachmap.write.pages import plain_page
from reachmap.write.summary import printed

STYLE = """
body{background:#f7f4ec;color:#1f2a2e;font:16px/1.5 system-ui,sans-serif;max-width:46rem;margin:1.5rem auto;
padding:0 1rem}table{border-collapse:collapse}th,td{text-align:left;padding:.3rem .8rem .3rem 0;
border-bottom:1px solid #b9b3a3;font-variant-numeric:tabular-nums}svg{width:100%;height:auto}
.water{fill:none;stroke:#1f2a2e;stroke-width:1.5;vector-effect:non-scaling-stroke}
@media(prefers-color-scheme:dark){body{background:#14181a;color:#e9e4d6}.water{stroke:#e9e4d6}}
"""

AGAINST_A_GUESS = "It is this guess that the log is held against."

FOOT = """<p>Fish at one place on one trip are one meeting, however many they were, and it is meetings that the map is
held against. Anglers fish where they expect fish, so it is held against the fished water only, and whole trips are
held out of the tuning. Scores rank places; they are no probability of a fish.</p>"""

CAUTIONS = f"<h2>Before you wade</h2><ul>{''.join(f'<li>{escape(text)}</li>' for text in STANDING_CAUTIONS)}</ul>"
"""The page sends one back to the water, to measure or to fish where the map was wrong."""


@dataclass(frozen=True)
class Section:
    """What the page says of one beat, or of several together (then without water of its own).

    Parameters
    ----------
    name : heading
    verdicts, tunings : by eye, "day" and "night"
    joined : the log joined to the water
    guess : what of the water was not measured, "" if nothing
    channel : the water, None for several beats together
    measure : stretches worth a survey, as `trout.survey.worth_measuring` returns them
    """

    name: str
    verdicts: Mapping[str, Verdict]
    tunings: Mapping[str, Tuning]
    joined: Joined
    guess: str = ""
    channel: Channel | None = None
    measure: Sequence[tuple[float, float, str]] = ()


def learned_page(sections: Sequence[Section]) -> str:
    """One offline html page of what the logs say."""
    title = f"{escape(sections[0].name)}: what the log says"
    parts: list[str] = []
    for section in sections:
        parts.append(f"<h1>{escape(section.name)}: what the log says</h1>")
        parts += [f"<p><strong>{escape(section.guess)}. {AGAINST_A_GUESS}</strong></p>"] if section.guess else []
        parts += [_by_eye(eye, verdict, section.tunings.get(eye)) for eye, verdict in section.verdicts.items()]
        if section.channel is not None:
            parts.append(_wrong(section.channel, section.joined.entries))
            parts.append(printed(_measure(section.measure), section.channel.beat))
            parts.append(_left_out(section.joined))
    return plain_page(title, STYLE, "\n".join(part for part in [*parts, FOOT, CAUTIONS] if part))


def _by_eye(eye: str, verdict: Verdict, tuning: Tuning | None) -> str:
    """One eye: the sentence, the counts, the selection ratios, the tuning."""
    rows = []
    ratios = verdict.selection
    seen = 0
    for (_, word), row in zip(SCORE_WORDS, verdict.classes.itertuples(), strict=True):
        cells = [
            f"{word}<br><small>{row.low:.2f} to {row.high:.2f}</small>",
            f"{row.fish}",
            f"{row.meetings}",
            f"{100 * row.water_share:.0f} %",
        ]
        if ratios is not None:
            ratio = ""
            if row.water_share > 0:
                limits = f"{ratios.low[seen]:.2f} to {ratios.high[seen]:.2f}"
                ratio = f"{ratios.ratio[seen]:.2f}<br><small>{limits}</small>"
                seen += 1
            cells.append(ratio)
        rows.append(f"<tr>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>")
    names = ["water", "fish", "meet&shy;ings", "fished water", "meetings per water (95 %)"][: len(cells)]
    head = f"<tr>{''.join(f'<th>{name}</th>' for name in names)}</tr>"
    text = f"<h2>By {eye}</h2><p>{escape(verdict.sentence)}.</p><table>{head}{''.join(rows)}</table>"
    return text + (_tuning(tuning) if tuning else "")


def _tuning(tuning: Tuning) -> str:
    """What the tuning came to."""
    text = f"<p>{escape(tuning.why[0].upper() + tuning.why[1:])}.</p>"
    if not tuning.better:
        return text
    rows = "".join(
        f"<tr><td>{factor}</td><td>{w:.2f}</td><td>{low:.2f} to {high:.2f}</td></tr>"
        for factor, w, low, high in zip(FACTORS, tuning.weights, tuning.low, tuning.high, strict=True)
    )
    head = "<tr><th>factor</th><th>tuned weight in the curves file</th>"
    head += "<th>what the log alone would say (90 %)</th></tr>"
    pulled = "A tuned weight is pulled toward what it was before, so it may lie outside what the log alone would say."
    return f"{text}<table>{head}{rows}</table><p>{pulled}</p>"


def _wrong(channel: Channel, entries: pd.DataFrame) -> str:
    """A sketch of the water with the fish met below fair water and the blanks above it."""
    (low, poor), (high, _) = SCORE_WORDS[1:3]
    surprise = entries[entries["met"] & (entries["score"] < low)]
    empty = entries[~entries["met"] & (entries["score"] >= high)]
    outline = channel.beat.outline
    x0, y0, x1, y1 = outline.bounds
    size = max(x1 - x0, y1 - y0) / 90
    shapes = "".join(_ring(ring) for part in outline.geoms for ring in (part.exterior, *part.interiors))
    marks = "".join(
        f'<circle cx="{e.x:.1f}" cy="{-e.y:.1f}" r="{size:.2f}" fill="currentColor"/>' for e in surprise.itertuples()
    )
    crosses = "".join(
        f'<path d="M{e.x - size:.1f} {-e.y - size:.1f}l{2 * size:.1f} {2 * size:.1f}m0 {-2 * size:.1f}'
        f'l{-2 * size:.1f} {2 * size:.1f}" stroke="currentColor" stroke-width="{size / 3:.2f}"/>'
        for e in empty.itertuples()
    )
    box = f"{x0 - size:.1f} {-y1 - size:.1f} {x1 - x0 + 2 * size:.1f} {y1 - y0 + 2 * size:.1f}"
    return (
        f"<h2>Where the map was wrong</h2><p>{counted(len(surprise), 'record')} of fish where the map says {poor} or "
        f"less (dots), {counted(len(empty), 'blank')} in likely or best water (crosses).</p>"
        f'<svg viewBox="{box}" role="img" aria-label="where the map was wrong">{shapes}{marks}{crosses}</svg>'
    )


def _ring(ring: shapely.LinearRing) -> str:
    """One ring of the outline as a path, north up."""
    points = " ".join(f"{x:.1f},{-y:.1f}" for x, y in ring.coords)
    return f'<polygon class="water" points="{points}"/>'


def _measure(measure: Sequence[tuple[float, float, str]]) -> str:
    """What one more survey day should measure."""
    if not measure:
        return ""
    rows = "".join(f"<li>{low:.0f} to {high:.0f} m below the head: {what}</li>" for low, high, what in measure)
    return f"<h2>What to measure next</h2><p>Here the doubt about the water moves good places most.</p><ol>{rows}</ol>"


def _left_out(joined: Joined) -> str:
    """Entries that could not be used."""
    if not joined.left_out:
        return ""
    rows = "".join(f"<li>{escape(str(finding))}</li>" for finding in joined.left_out)
    return f"<h2>Left out</h2><ul>{rows}</ul>"
