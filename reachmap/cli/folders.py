"""Commands that make, check, merge and share beat folders."""

from __future__ import annotations

from pathlib import Path

import click

from reachmap.cli.base import Progress, beat_argument, echo_json, show_findings
from reachmap.cli.typed import Measure, PlaceType
from reachmap.errors import Finding, InputError, SettingError

LATTICE = Measure("length", 0.1, 100_000.0)
"""Spacing of the lattice a shared beat may be moved onto."""

LEVEL = Measure("length", -500.0, 9000.0)
"""A level above the sea, or above what a survey counts from."""


@click.command("check")
@beat_argument
@click.option("--strict", is_flag=True, help="Count warnings as errors.")
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON.")
@click.pass_context
def check_command(ctx: click.Context, beat: Path, strict: bool, as_json: bool) -> None:
    """Check BEAT: read every file and lay out the water, list what is wrong or was guessed. Writes nothing."""
    findings = _noticed(beat)
    bad = [f for f in findings if f.severity == "error" or (strict and f.severity == "warning")]
    if as_json:
        echo_json([vars(f) for f in findings])
    else:
        show_findings(findings)
        click.echo(f"{beat}: {len(bad)} to mend" if bad else f"{beat}: ready to map")
    ctx.exit(1 if bad else 0)


def _noticed(folder: Path) -> list[Finding]:
    """Everything that reading a beat and working out its water finds."""
    from reachmap.beat import read_beat
    from reachmap.channel.kept import channel_of
    from reachmap.write.summary import in_its_units

    try:
        beat = read_beat(folder)
    except InputError as error:
        return list(error.findings)
    progress = Progress(quiet=False)
    try:
        found = in_its_units(channel_of(beat, progress=progress).findings, beat)
    except InputError as error:
        found = error.findings
    finally:
        progress.done()
    # How the upstream end was found in the end is told by the water.
    told = any(f.code.startswith("head-") for f in found)
    return [*(f for f in beat.findings if not (told and f.code == "head-unknown")), *found]


@click.command("new")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--name", help="How the beat is called; default: the folder's name.")
@click.option(
    "--from", "sources", multiple=True, type=click.Path(path_type=Path), help="A file at hand; may be repeated."
)
@click.option("--head", type=PlaceType(), metavar="LAT,LON", help="The upstream end.")
@click.option("--at", "place", type=PlaceType(), metavar="LAT,LON", help="Where (0, 0) of files in local metres lies.")
@click.option(
    "--bearing",
    type=click.FloatRange(-360, 360),
    help="Which way their +y points, from north; default: 0. Their +x lies to the right of it; if yours lies to the "
    "left, change the sign of x.",
)
@click.option("--crs", metavar="EPSG:N", help="Coordinate system of files that name none.")
@click.option("--water-level", "water_level_m", type=LEVEL, metavar="M", help="Of the water over levels of the bed.")
def new_command(
    folder: Path,
    name: str | None,
    sources: tuple[Path, ...],
    head: tuple[float, float] | None,
    place: tuple[float, float] | None,
    bearing: float | None,
    crs: str | None,
    water_level_m: float | None,
) -> None:
    """Make a commented beat FOLDER that maps, empty or from files at hand; every guess is shown."""
    from reachmap.beat.guess import Said
    from reachmap.beat.new import new_beat
    from reachmap.beat.place import Anchor, crs_of

    if bearing is not None and place is None:
        raise SettingError("--bearing turns local metres about their (0, 0): say where that lies with --at LAT,LON")
    anchor = None if place is None else Anchor(*place, bearing or 0.0)
    said = Said(anchor, crs_of(crs, "--crs", "") if crs else None, water_level_m, head)
    show_findings(new_beat(folder, name, sources, said))
    click.echo(f"Made {folder}; look at {folder / 'beat.toml'}, then: reachmap map {folder}")


@click.command("sheet")
@beat_argument
@click.option("--out", type=click.Path(path_type=Path), default=Path("sheet.html"), help="Where the sheet goes.")
def sheet_command(beat: Path, out: Path) -> None:
    """Write a field sheet of BEAT to print: the outline under a grid, blanks for soundings and float timings."""
    from reachmap.beat import read_beat
    from reachmap.write.pages import write_page
    from reachmap.write.sheet import sheet_page

    write_page(out, sheet_page(read_beat(beat)), "Choose another place with --out")
    click.echo(f"Written: {out}; print it on both sides of one page")


@click.command("notes")
@beat_argument
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True, dir_okay=False))
def notes_command(beat: Path, files: tuple[Path, ...]) -> None:
    """Merge notes (FILES) into those of BEAT; nothing is ever lost.

    Files are notes downloaded from maps, GPX waypoints, KML, or tables with lat, lon, text and perhaps kind and time.
    """
    from reachmap.beat.notes import shown
    from reachmap.beat.notes_in import add_notes

    target, merged, left = add_notes(beat, files)
    click.echo(f"{len(shown(merged))} notes in {target}")
    if left is not None:
        click.echo(f"Those of {left} are among them: move that file out of the beat, which has one file of notes.")


@click.command("share")
@beat_argument
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--without", default="", metavar="PARTS", help="Leave out: notes, log, or notes,log.")
@click.option("--round", "round_m", type=LATTICE, metavar="LENGTH", help="Move the beat onto a lattice, e.g. 100m.")
@click.option("--name", help="Another name for the beat.")
def share_command(beat: Path, out: Path, without: str, round_m: float | None, name: str | None) -> None:
    """Write a copy of BEAT to OUT that gives away no more than asked."""
    from reachmap.beat import read_beat
    from reachmap.beat.share import share_beat

    parts = [part.strip() for part in without.split(",") if part.strip()]
    for path in share_beat(read_beat(beat), out, without=parts, round_m=round_m, name=name):
        click.echo(str(path))
