"""Commands that hold the log against the map."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from reachmap.cli.base import SPECIES, Progress, beat_argument, show_findings
from reachmap.cli.typed import Measure, PlaceType, WhenType
from reachmap.errors import Finding, SettingError

if TYPE_CHECKING:
    from reachmap.beat import Beat

WHAT = ["catch", "follow", "refusal", "sighting", "blank"]
"""Repeated from the trout room, which takes a second to load."""


@click.command("learn")
@click.argument("beats", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="BEAT...")
@click.option("--out", type=click.Path(path_type=Path), default=Path("learned.html"), help="Where the page goes.")
@click.option("--write-curves", "tuned", type=click.Path(path_type=Path), help="Where tuned curves go, if better.")
@click.option("--curves", type=click.Path(path_type=Path), help="A curves file of your own.")
@click.option("--quiet", is_flag=True, help="No progress.")
def learn_command(beats: tuple[Path, ...], out: Path, tuned: Path | None, curves: Path | None, quiet: bool) -> None:
    """Hold the log of BEAT against the map: how well does it rank this water, and can the weights be tuned?

    Several beats are judged one by one and together; weights are then tuned on all of their trips.
    """
    from reachmap.ask import learn
    from reachmap.write.learned import AGAINST_A_GUESS

    progress = Progress(quiet)
    found = learn(beats, out, tuned=tuned, curves=curves, progress=progress)
    progress.done()
    show_findings(found[0].left_out)
    for one in found:
        if len(found) > 1:
            click.echo(f"{one.name}:")
        if one.guess:
            click.echo(f"{one.guess}. {AGAINST_A_GUESS}")
        for eye, verdict in one.verdicts.items():
            click.echo(verdict.sentence + ".")
            click.echo(f"By {eye}: {one.tunings[eye].why}.")
    better = any(tuning.better for tuning in found[0].tunings.values())
    click.echo(f"Written: {out}" + (f", {tuned}" if tuned and better else ""))


@click.group("log")
def log_group() -> None:
    """The log of what was met and where, and of the hours without."""


@log_group.command("add")
@beat_argument
@click.option("--what", type=click.Choice(WHAT), required=True, help="What happened; blank: fished, nothing met.")
@click.option("--at", "place", type=PlaceType(), metavar="LAT,LON", help="Where, in degrees.")
@click.option("--lie", type=click.IntRange(1), help="Where, by the number of a lie on the map.")
@click.option("--when", type=WhenType(), metavar="WHEN", help="2026-06-20 19:40, or 18:30 for today; default: now.")
@click.option("--species", type=click.Choice(SPECIES), help="Which trout.")
@click.option("--length", "length_m", type=Measure("length", 0.01, 2.0), metavar="M", help="Its length.")
@click.option("--count", type=click.IntRange(1, 10000), help="How many.")
@click.option("--hours", type=click.FloatRange(0, 48), help="How long the place was fished.")
@click.option("--cloud", type=click.IntRange(0, 8), help="Cloud in eighths.")
@click.option("--clarity", "clarity_m", type=Measure("length", 0.01, 60.0), metavar="M", help="How far one sees.")
@click.option("--note", help="A few words.")
@click.option("--trip", help="Entries of one outing share a word; default: the day.")
def log_add_command(
    beat: Path, place: tuple[float, float] | None, lie: int | None, when: datetime | None, **entry: object
) -> None:
    """Add one entry to the log of BEAT, in the file and the columns it has."""
    from reachmap.beat import read_beat
    from reachmap.beat.diary import add_entry

    if (place is None) == (lie is None):
        raise SettingError("say where: either --at LAT,LON or --lie NUMBER")
    checked = read_beat(beat)
    lat, lon = place or _of_lie(checked, lie or 0)
    local = _local_time(when, checked.time_zone)
    told = {"date_time": local, "lat": f"{lat:.6f}", "lon": f"{lon:.6f}", **entry}
    path = add_entry(beat, told)
    show_findings(_doubts(checked, lat, lon, local, path.name))
    click.echo(f"{entry['what']} at {lat:.6f}, {lon:.6f}, {local}: added to {path}")


def _doubts(beat: Beat, lat: float, lon: float, local: str, file: str) -> Sequence[Finding]:
    """Why an entry won't count as it stands, or hardly can be meant."""
    import numpy as np
    import shapely

    from reachmap.beat.astray import FAR_M
    from reachmap.beat.place import to_local
    from reachmap.write.summary import in_its_units

    away = beat.outline.distance(shapely.Point(to_local(np.array([[lon, lat]]), beat.crs)[0]))
    found = []
    if away > FAR_M["log"]:
        what = f"{lat:.6f}, {lon:.6f} lies {away:,.0f} m from the water, so it won't count"
        found.append(Finding("warning", file, "", what, "Mend its place in the file."))
    if local > _local_time(None, beat.time_zone):
        found.append(Finding("warning", file, "", f"{local} is still to come", "Mend its time in the file."))
    return in_its_units(found, beat)


def _of_lie(beat: Beat, number: int) -> tuple[float, float]:
    """Where the map has a lie."""
    from pyproj import Transformer

    from reachmap.run import analyse

    table = analyse(beat).lies.table
    if number not in table.index:
        there = f"lies 1 to {len(table)}" if len(table) else "no lie"
        raise SettingError(f"--lie {number}: the map has {there}")
    to_degrees = Transformer.from_crs(beat.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(table.loc[number, "x"], table.loc[number, "y"])
    return lat, lon


def _local_time(when: datetime | None, zone: str) -> str:
    """A moment as the log writes it, by the beat's clock; None is now."""
    from zoneinfo import ZoneInfo

    from reachmap.beat.clock import by_the_clock

    return f"{by_the_clock(when or datetime.now(UTC), ZoneInfo(zone))[0]:%Y-%m-%dT%H:%M}"
