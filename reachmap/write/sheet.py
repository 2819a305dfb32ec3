"""A field sheet: the outline under a grid, and blanks for a day's soundings and float timings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape

import numpy as np
import shapely

from reachmap.beat.model import SPEED_HOW, Beat
from reachmap.beat.place import Anchor, anchor_of, to_degrees
from reachmap.visit.wading import STANDING_CAUTIONS
from reachmap.write.drawing import LENGTHS, north_mark, scale_bar
from reachmap.write.pages import plain_page

SPACINGS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000)
LINES = 26
"""Grid lines along the longer side, about."""

SOUNDING_ROWS, FLOAT_ROWS = 20, 6


@dataclass(frozen=True)
class Measures:
    """What one measures in.

    Parameters
    ----------
    unit_m : the length [m]
    length, speed : as they end the name of a column
    said : the length in words
    flow, warmth : units of blanks
    """

    unit_m: float
    length: str
    speed: str
    said: str
    flow: str
    warmth: str

    @property
    def sounding_heads(self) -> tuple[str, ...]:
        """Columns of the table of soundings, by the names they have in soundings.csv."""
        measured = tuple(f"{name}_{self.length}" for name in ("x", "y", "depth"))
        return ("No.", *measured, f"speed_{self.speed}", "speed_how", "line", "note")

    @property
    def float_heads(self) -> tuple[str, ...]:
        """Columns of the table of float timings, place and depth by the names they have in soundings.csv."""
        where = tuple(f"{name}_{self.length}" for name in ("x", "y", "depth"))
        times = ("s, first", "s, second", "s, third")
        return ("No.", *where, f"distance {self.length}", *times, f"{self.said} ÷ middle s")


MEASURES = {
    "metric": Measures(*LENGTHS["metric"], "m_s", "metres", "m³/s", "°C"),
    "imperial": Measures(*LENGTHS["imperial"], "ft_s", "feet", "cfs", "°F"),
}

STYLE = """
@page{size:A4;margin:11mm}*{box-sizing:border-box}body{font:10pt/1.3 system-ui,sans-serif;color:#1f2a2e;
background:#fff;margin:0 auto;max-width:188mm}h1{font-size:15pt;margin:0}h2{font-size:11.5pt;margin:.5em 0 .2em}
p{margin:.25em 0}section{break-after:page}section:last-of-type{break-after:auto}
svg{width:100%;max-height:198mm;display:block}text{fill:#1f2a2e}
.bank{fill:#1f2a2e14;stroke:#1f2a2e;stroke-width:1.4;vector-effect:non-scaling-stroke;fill-rule:evenodd}
.grid{stroke:#1f2a2e;stroke-width:.35;stroke-opacity:.55;vector-effect:non-scaling-stroke}
.bar{stroke:#1f2a2e;stroke-width:2.5;vector-effect:non-scaling-stroke}
table{border-collapse:collapse;width:100%;font-size:9pt}th,td{border:.3mm solid #1f2a2e;padding:.4mm 1mm}
th{text-align:left}td{height:6.1mm}.no{width:8mm}.wide{width:34mm}ul{margin:.2em 0;padding-left:1.3em}
@media screen{body{padding:8px 12px}}@media screen and (max-width:440px){table{font-size:6.5pt}}
"""


def sheet_page(beat: Beat) -> str:
    """The sheet of a beat as one html page that prints on two sides of A4 or letter, without anything from outside.

    Places are in metres, or feet where the beat is measured in them, so that what is written can be typed in as `x_m`,
    `y_m` or `x_ft`, `y_ft`: in the frame of the beat's `[place]` where it has one, as other files may lie in it; else
    east and north of the south-west corner of the grid, which the sheet gives in degrees for an `anchor`.
    """
    measures = MEASURES[beat.units]
    ft = measures.length
    frame = _frame(beat, measures.unit_m)
    at = f"{frame.anchor.lat:.6f}, {frame.anchor.lon:.6f}"
    name = escape(beat.name)
    body = f"""<section><h1>{name}: field sheet</h1>
<p>Day ______________ Water level at ______________ : ________ {ft} &ensp; Flow ________ {measures.flow} &ensp;
Water ________ {measures.warmth} &ensp; Clear to ________ {ft}</p>
{_map(frame, ft)}
<p>Grid {frame.step} {ft}; {"(0, 0)" if frame.own else "its south-west corner (0, 0)"} is at {at} (latitude, longitude);
{_ways(frame, ft)}.
Mark the direction of the flow with an arrow.</p></section>
<section><h2>Soundings</h2>{_table(measures.sounding_heads, SOUNDING_ROWS)}
<p>speed_how: {escape(", ".join(SPEED_HOW))}. Give points of one cross-section the same word under line. Two in the
deepest water you can safely reach are worth ten on the bar.</p>
<h2>Float timings</h2>{_table(measures.float_heads, FLOAT_ROWS)}
<p>Place and depth are those of the middle of the run; without a depth a speed does not count. The last column goes into
speed_{measures.speed} with speed_how “surface float”; the map takes it down to the mean of the depth by the roughness
of the bed. {_typing(beat, frame, ft)}</p>
<h2>Before you wade</h2><ul>{"".join(f"<li>{escape(text)}</li>" for text in STANDING_CAUTIONS)}</ul></section>"""
    return plain_page(f"{name}: field sheet", STYLE, body)


@dataclass(frozen=True)
class Frame:
    """What places on a sheet are counted from, and the grid; lengths are those one measures in.

    Parameters
    ----------
    anchor : where (0, 0) lies and which way +y points
    own : whether that is the beat's own `[place]`
    water : the outline in it
    west, south, width, height, step : sides and spacing of the grid, all whole multiples of the spacing
    """

    anchor: Anchor
    own: bool
    water: shapely.Geometry
    west: float
    south: float
    width: float
    height: float
    step: int


def _frame(beat: Beat, unit_m: float) -> Frame:
    """The frame of a beat's sheet, in lengths of so many metres."""
    place = beat.settings.get("place")
    own = anchor_of(place) if isinstance(place, Mapping) else None
    water = beat.outline
    if own is not None:
        water = shapely.transform(water, lambda xy: own.from_degrees(to_degrees(xy, beat.crs)))
    water = shapely.transform(water, lambda xy: xy / unit_m)
    x0, y0, x1, y1 = water.bounds
    step = next((s for s in SPACINGS if max(x1 - x0, y1 - y0) / s <= LINES), SPACINGS[-1])
    west, south = (float(np.floor(low / step) * step) for low in (x0, y0))
    width, height = (float(np.ceil((high - low) / step) * step) for high, low in ((x1, west), (y1, south)))
    if own is not None:
        return Frame(own, True, water, west, south, width, height, step)
    corner = np.array([west, south])
    [(lon, lat)] = to_degrees(unit_m * corner[None, :], beat.crs)
    return Frame(
        Anchor(lat, lon), False, shapely.transform(water, lambda xy: xy - corner), 0.0, 0.0, width, height, step
    )


def _ways(frame: Frame, unit: str) -> str:
    """Which way the two lengths of a place are counted."""
    bearing = frame.anchor.bearing_deg % 360
    if bearing:
        return f"y_{unit} runs toward {bearing:g}° from north, x_{unit} to the right of it"
    return f"x_{unit} is east of it, y_{unit} north"


def _typing(beat: Beat, frame: Frame, unit: str) -> str:
    """Where what was written down is to be typed in, so that what other files mean stays as it is."""
    taken = {name.lower() for name in beat.sources}
    names = ("soundings.csv", *(f"soundings-{k}.csv" for k in range(2, len(taken) + 3)))
    file = "soundings.csv" if not len(beat.soundings) else next(name for name in names[1:] if name not in taken)
    told = f"Type both tables into <b>{file}</b> with the column names above (x_{unit}, y_{unit})"
    lat, lon = frame.anchor.lat, frame.anchor.lon
    told += "." if frame.own else f", and put <b>anchor = [{lat:.6f}, {lon:.6f}]</b> under [place] in beat.toml."
    files = beat.settings.get("files")
    said = files.get("soundings", {}) if isinstance(files, Mapping) else {}
    if said not in ({}, {"crs": "local"}):
        told += (
            " What beat.toml says of other soundings must not count for these: there, name every file of soundings by "
            "a [[files.soundings]] with its path, this one with crs = &quot;local&quot;."
        )
    return told


def _map(frame: Frame, unit: str) -> str:
    """The outline under the grid with labels, a scale bar and an arrow to the north."""
    width, height, step = frame.width, frame.height, frame.step
    size = max(width, height) / 45
    lines, labels = [], []
    for east in np.arange(0, width + step / 2, step):
        lines.append(f"<path class='grid' d='M{east:g} 0V{-height:g}'/>")
        at = f"x='{east:g}' y='{1.3 * size:.2f}'"
        labels.append(f"<text {at} font-size='{size:.2f}' text-anchor='middle'>{frame.west + east:.0f}</text>")
    for north in np.arange(0, height + step / 2, step):
        lines.append(f"<path class='grid' d='M0 {-north:g}H{width:g}'/>")
        at = f"x='{-0.4 * size:.2f}' y='{-north + 0.35 * size:.2f}'"
        labels.append(f"<text {at} font-size='{size:.2f}' text-anchor='end'>{frame.south + north:.0f}</text>")
    water = "".join(
        "M" + "L".join(f"{x:.1f} {-y:.1f}" for x, y in shapely.get_coordinates(ring) - (frame.west, frame.south)) + "Z"
        for part in shapely.get_parts(frame.water)
        for ring in (part.exterior, *part.interiors)
    )
    top = -height - 2.2 * size
    up = "" if frame.anchor.bearing_deg % 360 else ", north up"
    return (
        f"<svg viewBox='{-3.4 * size:.2f} {top:.2f} {width + 5.4 * size:.2f} {height + 6.2 * size:.2f}' role='img' "
        f"aria-label='outline under a grid of {step} {unit}{up}'><path class='bank' d='{water}'/>"
        f"{''.join(lines)}{''.join(labels)}{scale_bar(0, 2.6 * size, step, f'{step} {unit}', size)}"
        f"{north_mark(width - size, top, size, frame.anchor.bearing_deg)}</svg>"
    )


def _table(heads: tuple[str, ...], rows: int) -> str:
    """An empty table with numbered rows."""
    widths = {"No.": " class=no", "note": " class=wide"}
    head = "".join(f"<th{widths.get(h, '')}>{escape(h)}</th>" for h in heads)
    blank = "<td></td>" * (len(heads) - 1)
    return f"<table><tr>{head}</tr>{''.join(f'<tr><td>{k}</td>{blank}</tr>' for k in range(1, rows + 1))}</table>"
