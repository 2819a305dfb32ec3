"""The entries that a map can be held against: those of the log, and the map's notes that say what was met."""

from __future__ import annotations

from datetime import date, datetime
from itertools import islice

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from reachmap.beat.astray import FAR_M
from reachmap.beat.dates import read_moments
from reachmap.beat.model import Beat
from reachmap.channel.model import Channel
from reachmap.errors import Finding, InputError

MET = ("catch", "follow", "refusal", "sighting")
"""Entries that say a fish was there; "blank" says water was fished and none was met."""

LOST_M = FAR_M["log"]
"""An entry farther than this from the water is left out and listed [m]."""


def usable_entries(channel: Channel) -> tuple[gpd.GeoDataFrame, tuple[Finding, ...]]:
    """Entries of a known kind, with a time, near the water, each at one point; the rest as findings.

    Raises
    ------
    InputError : the beat has no log, or none of its entries can be used
    """
    log = _entries(channel.beat)
    if log.empty:
        raise InputError([Finding("error", "log.*", "", "this beat has no log", "Add log.csv, see the README.")])
    tree = cKDTree(channel.grid.points(slice(None)))
    away = tree.query(np.column_stack([log.geometry.x, log.geometry.y]))[0]
    known = log["what"].isin([*MET, "blank"]).to_numpy()
    timed = log["time"].notna().to_numpy()
    why = np.where(~known, "unknown kind", np.where(~timed, "no time", f"more than {LOST_M:g} m from the water"))
    use = known & timed & (away <= LOST_M)
    left_out = tuple(
        Finding(
            "warning",
            log["file"].iloc[i],
            log["where"].iloc[i],
            f"left out: {why[i]}",
            "Mend it to have it count.",
            "log-left-out",
        )
        for i in np.flatnonzero(~use)
    )
    if not use.any():
        none = "none of its entries can be used"
        raise InputError([*left_out, Finding("error", "log.*", "", none, "Mend them, or log a day on this water.")])
    return log[use], left_out


def _entries(beat: Beat) -> gpd.GeoDataFrame:
    """The log and the notes that belong to it, each at one point; lines and areas at one within them.

    What was met none times is a blank.
    """
    log = _with_notes(beat)
    log = log.assign(what=log["what"].mask(log["what"].isin(MET) & (log["count"] == 0), "blank"))
    return log.set_geometry(shapely.point_on_surface(log.geometry.to_numpy()), crs=log.crs)


def _with_notes(beat: Beat) -> gpd.GeoDataFrame:
    """The log with the map's notes that say a fish was met or none was; one that stands in the log too counts once."""
    notes = beat.notes[beat.notes["kind"].isin([*MET, "blank"]) & ~beat.notes["id"].isin(beat.log["id"])]
    if notes.empty:
        return beat.log
    written, days = _first_written(notes, beat.time_zone)
    more = notes[["id", "text", "kind", "file", "where", "geometry"]].assign(
        what=notes["kind"],
        time=pd.Series(pd.to_datetime(written, utc=True), dtype="datetime64[us, UTC]").to_numpy(object),
        trip=[day.isoformat() if day else "" for day in days],
        species="",
        **dict.fromkeys(("length_m", "count", "hours", "cloud", "clarity_m"), np.nan),
    )
    if beat.log.empty:
        return more.reset_index(drop=True)
    return gpd.GeoDataFrame(pd.concat([beat.log, more], ignore_index=True), crs=beat.log.crs)


def _first_written(notes: gpd.GeoDataFrame, zone: str) -> tuple[list[datetime | None], list[date | None]]:
    """Moments and days the notes were first written: their own time is that of the last edit, which may be days later.

    Those they replace tell the earlier ones.
    """
    times = [[time, *replaced] for time, replaced in zip(notes["time"], notes["replaces"], strict=True)]
    found = read_moments([time for one in times for time in one], zone)
    read = iter(zip(found.when, found.day, strict=True))
    versions = [list(islice(read, len(one))) for one in times]
    first = [min((one for one in known if one[0]), default=known[0]) for known in versions]
    return [when for when, _ in first], [day for _, day in first]
