"""What every map on paper needs: which way north is and how long things are, as pieces of an svg."""

from __future__ import annotations

import math

from reachmap.constants import FOOT_M

LENGTHS = {"metric": (1.0, "m"), "imperial": (FOOT_M, "ft")}
"""By the beat's units the length one measures in: in metres, in letters."""

LONG_WAYS = {"metric": (1000.0, "km"), "imperial": (5280 * FOOT_M, "mi")}
"""The same for long ways."""


def north_mark(x: float, top: float, size: float, up_deg: float = 0.0) -> str:
    """An arrow to the north with its letter, two letters of this size high, its shaft at x.

    Parameters
    ----------
    up_deg : where up lies [deg], clockwise from north
    """
    arrow = f"M{x:.2f} {top + 2 * size:.2f}V{top + 0.4 * size:.2f}m{-0.4 * size:.2f} {0.6 * size:.2f}"
    arrow += f"l{0.4 * size:.2f} {-0.6 * size:.2f}l{0.4 * size:.2f} {0.6 * size:.2f}"
    at = f"x='{x - 1.3 * size:.2f}' y='{top + 1.6 * size:.2f}'"
    mark = f"<path class='bar' fill='none' d='{arrow}'/><text {at} font-size='{size:.2f}'>N</text>"
    return f"<g transform='rotate({-up_deg:g} {x:.2f} {top + size:.2f})'>{mark}</g>" if up_deg else mark


def scale_bar(x: float, y: float, length: float, words: str, size: float) -> str:
    """A line of this length, in what the drawing is measured in, with words behind it in letters of this size."""
    return (
        f"<path class='bar' fill='none' d='M{x:.2f} {y:.2f}h{length:.2f}'/>"
        f"<text x='{x + length + 0.5 * size:.2f}' y='{y + 0.35 * size:.2f}' font-size='{size:.2f}'>{words}</text>"
    )


def round_length(most_m: float, units: str) -> tuple[float, str]:
    """The longest 1, 2 or 5 times a power of ten of the beat's units up to this length, in metres and in words."""
    unit_m, word = (LONG_WAYS if most_m >= LONG_WAYS[units][0] else LENGTHS)[units]
    ten = 10.0 ** math.floor(math.log10(most_m / unit_m))
    figure = max(step * ten for step in (1, 2, 5) if step * ten <= most_m / unit_m * (1 + 1e-9))
    return figure * unit_m, f"{figure:g} {word}"
