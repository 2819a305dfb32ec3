"""The far skyline: horizon.csv, what a compass and a clinometer say about the valley sides."""

from __future__ import annotations

import math

import numpy as np

from reachmap.beat.columns import tidy
from reachmap.beat.messages import Report, stop
from reachmap.beat.model import Skyline
from reachmap.beat.numbers import NotNumberError, number
from reachmap.beat.tables import Table

AZIMUTH = ("azimuth_deg", "azimuth", "bearing", "bearing_deg")
ELEVATION = ("elevation_deg", "elevation", "angle_deg", "angle", "horizon_deg")
HIGHEST_DEG = 89.0
FEWEST = 3
WIDE_GAP_DEG = 60.0
"""Between directions farther apart than this a ridge may hide; it is said."""


def read_skyline(table: Table, report: Report) -> Skyline:
    """Horizon by direction: columns azimuth_deg (clockwise from true north) and elevation_deg (0 where flat).

    Raises
    ------
    InputError : a column is missing, a cell is no angle, or fewer than three directions are given
    """
    names = [tidy(name) for name in table.header]
    columns = []
    for wanted in (AZIMUTH, ELEVATION):
        found = next((names.index(name) for name in wanted if name in names), None)
        if found is None:
            raise stop("skyline-column", table.file, "row 1", name=wanted[0], names=", ".join(table.header))
        columns.append(found)
    pairs = [
        (_angle(cells[columns[0]], table, row, -360.0, 360.0), _angle(cells[columns[1]], table, row, -5.0, HIGHEST_DEG))
        for row, cells in table.rows
    ]
    if len(pairs) < FEWEST:
        raise stop("skyline-few", table.file, count=len(pairs))
    azimuth, elevation = np.array(pairs).T
    azimuth = azimuth % 360.0
    # The highest counts where a direction is given twice.
    order = np.lexsort((-elevation, azimuth))
    azimuth, elevation = azimuth[order], np.maximum(elevation[order], 0.0)
    azimuth, first = np.unique(azimuth, return_index=True)
    gap = float(np.diff(np.append(azimuth, azimuth[0] + 360.0)).max())
    if gap > WIDE_GAP_DEG:
        report.say("skyline-gap", table.file, gap=f"{gap:.0f}")
    return Skyline(azimuth, elevation[first])


def _angle(cell: object, table: Table, row: int, low: float, high: float) -> float:
    """A cell as an angle within limits [deg]."""
    try:
        value = number(cell, table.decimal)
    except NotNumberError:
        value = math.nan
    if not low <= value <= high:
        raise stop(
            "skyline-angle", table.file, f"{table.word} {row}", value=str(cell), low=f"{low:g}", high=f"{high:g}"
        )
    return value
