"""The command line: parses, calls one verb, prints. Heavy libraries load inside the commands, so --help is quick.

Exit codes: 0 fine, 1 the input has errors or the output could not be written, 2 wrong use.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from reachmap import __version__
from reachmap.errors import Finding, InputError, ReachmapError, SettingError

if TYPE_CHECKING:
    from reachmap.beat import Beat
    from reachmap.write.model import Result


class FriendlyGroup(click.Group):
    """A group whose commands end in one clear message, never in a traceback."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; turn every error meant for a person into text and an exit code."""
        try:
            return super().invoke(ctx)
        except SettingError as error:
            raise click.UsageError(str(error)) from error
        except InputError as error:
            show_findings(error.findings)
            ctx.exit(1)
        except ReachmapError as error:
            click.echo(f"error: {error}", err=True)
            ctx.exit(1)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:
            if os.environ.get("REACHMAP_TRACEBACK"):
                raise
            click.echo(
                f"reachmap failed in a way it should not: {type(error).__name__}: {error}\n"
                "That is our mistake; nothing was written. REACHMAP_TRACEBACK=1 shows where; please report it.",
                err=True,
            )
            ctx.exit(3)


class Progress:
    """Says which step is running: a line rewritten in place on a terminal, plain lines after two seconds elsewhere."""

    def __init__(self, quiet: bool) -> None:
        self.quiet = quiet
        self.terminal = sys.stderr.isatty()
        self.start = time.monotonic()
        self.last = ""

    def __call__(self, step: str, share: float) -> None:
        """Report one step; `share` is the part done, 0-1."""
        if self.quiet or step == self.last:
            return
        self.last = step
        if self.terminal:
            click.echo(f"\r\x1b[K[{100 * share:3.0f} %] {step}", nl=False, err=True)
        elif time.monotonic() - self.start > 2:
            click.echo(f"[{100 * share:3.0f} %] {step}", err=True)

    def done(self) -> None:
        """Clear the line."""
        if self.terminal and not self.quiet and self.last:
            click.echo("\r\x1b[K", nl=False, err=True)


def show_findings(findings: Sequence[Finding]) -> None:
    """Print findings to the error stream, errors last so that they are read first."""
    order = {"note": 0, "warning": 1, "error": 2}
    for finding in sorted(findings, key=lambda f: order[f.severity]):
        click.echo(f"{finding.severity}: {finding}", err=True)


def beat_argument(command: Callable[..., None]) -> Callable[..., None]:
    """The beat folder, the first argument of nearly every command."""
    return click.argument("beat", type=click.Path(path_type=Path))(command)


def chain_options(command: Callable[..., None]) -> Callable[..., None]:
    """Options of every command that runs the chain, defined once."""
    options = [
        click.option("--scene", "scenes", multiple=True, metavar="NAME", help="Only this scene; may be repeated."),
        click.option("--cell", "cell_m", type=click.FloatRange(0.02, 50), metavar="M", help="Cell size in metres."),
        click.option("--stage", "stage_m", type=float, default=0.0, metavar="M", help="Water level above the survey."),
        click.option("--flow", "flow_m3_s", type=click.FloatRange(0, min_open=True), metavar="M3/S", help="Flow."),
        click.option("--species", type=click.Choice(["brown", "rainbow", "brook", "cutthroat"]), help="The fish."),
        click.option("--length", "length_m", type=click.FloatRange(0.05, 1.5), metavar="M", help="Its length."),
        click.option("--curves", type=click.Path(path_type=Path), help="A curves file of your own."),
        click.option("--engine", type=click.Choice(["ordinary", "energy"]), default="ordinary", show_default=True),
        click.option("--fresh", is_flag=True, help="Work everything out again, use nothing kept from earlier runs."),
        click.option("--quiet", is_flag=True, help="No progress."),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def run_chain(
    beat: Path, species: str | None, length_m: float | None, quiet: bool, strict: bool = False, **settings: Any
) -> Result:
    """Read the beat, list its warnings, run the chain."""
    from reachmap.beat import read_beat
    from reachmap.run import analyse, with_fish

    progress = Progress(quiet)
    progress("reading the beat", 0.0)
    checked: Beat = with_fish(read_beat(beat, strict=strict), species, length_m)
    try:
        return analyse(checked, progress=progress, **settings)
    finally:
        progress.done()


@click.group(cls=FriendlyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="reachmap")
def main() -> None:
    """Map where trout are likely to hold on a beat, by day and by night.

    A beat is a folder with an outline and soundings; see `reachmap new` and the README.
    """


@main.command("map")
@click.argument("beats", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="BEAT...")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write; default: <beat name>-map.")
@click.option("--strict", is_flag=True, help="Stop at warnings too.")
@click.option("--json", "as_json", is_flag=True, help="Print the run record as JSON instead of the summary.")
@click.option("--jobs", type=click.IntRange(1), default=2, show_default=True, help="Processes for many beats.")
@click.option("--dask", metavar="ADDRESS", help="Use a running Dask cluster for many beats.")
@chain_options
def map_command(
    beats: tuple[Path, ...],
    out: Path | None,
    as_json: bool,
    jobs: int,
    dask: str | None,
    **settings: Any,
) -> None:
    """Map BEAT and write map.html, card.html, layers, lies, waypoints and the run record.

    With several beats, or a catalogue file naming one beat folder a line, each gets a folder of its own and an index
    page ranks them.
    """
    if len(beats) > 1 or beats[0].is_file():
        map_many_command(beats, out or Path("beats-map"), jobs, dask, settings)
        return
    from reachmap.run import default_out, write
    from reachmap.write import run_record, summarise

    result = run_chain(beats[0], **settings)
    target = out or default_out(result.channel.beat)
    write(result, target)
    if as_json:
        click.echo(json.dumps(run_record(result), indent=2, sort_keys=True))
        return
    click.echo(summarise(result))
    click.echo(f"\nWritten to {target}/ - open {target / 'map.html'} in any browser, no signal needed.")


def map_many_command(paths: tuple[Path, ...], out: Path, jobs: int, dask: str | None, settings: dict[str, Any]) -> None:
    """Map many beats, a line for each as it is done; exit code 1 if one could not be mapped."""
    from reachmap.many import Outcome, list_beats, map_many

    def told(outcome: Outcome, done: int, of: int) -> None:
        state = outcome.message or ("kept, nothing changed" if outcome.kept else "mapped")
        click.echo(f"[{done}/{of}] {outcome.beat}: {state}", err=True)

    for word in ("quiet", "strict", "species", "length_m"):
        if settings.pop(word):
            raise click.UsageError(f"--{word.removesuffix('_m')} works with one beat; set it in each beat.toml")
    fresh = settings.pop("fresh")
    plain = {k: v for k, v in settings.items() if v not in (None, (), 0.0)}
    outcomes = map_many(list_beats(paths), out, jobs=jobs, dask=dask, fresh=fresh, settings=plain, told=told)
    failed = sum(1 for o in outcomes if o.out is None)
    click.echo(f"{len(outcomes) - failed} beats mapped, {failed} not; open {out / 'index.html'}")
    if failed:
        sys.exit(1)


@main.command("check")
@beat_argument
@click.option("--strict", is_flag=True, help="Count warnings as errors.")
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON.")
@click.pass_context
def check_command(ctx: click.Context, beat: Path, strict: bool, as_json: bool) -> None:
    """Check BEAT: read every file, list what is wrong or was guessed. Writes nothing."""
    from reachmap.beat import check_beat

    findings = check_beat(beat)
    bad = [f for f in findings if f.severity == "error" or (strict and f.severity == "warning")]
    if as_json:
        click.echo(json.dumps([vars(f) for f in findings], indent=2, ensure_ascii=False))
    else:
        show_findings(findings)
        click.echo(f"{beat}: {len(bad)} to mend" if bad else f"{beat}: ready to map")
    ctx.exit(1 if bad else 0)


@main.command("lies")
@beat_argument
@click.option("--json", "as_json", is_flag=True, help="Print as JSON for scripts.")
@chain_options
def lies_command(beat: Path, as_json: bool, **settings: Any) -> None:
    """List the lies of BEAT, best first, scene by scene. Writes nothing."""
    from reachmap.write import lies_table, summarise

    result = run_chain(beat, **settings)
    click.echo(json.dumps(lies_table(result), indent=2, ensure_ascii=False) if as_json else summarise(result))


@main.command("curves")
@click.option("--write", "target", type=click.Path(path_type=Path), required=True, help="Where to copy them to.")
def curves_command(target: Path) -> None:
    """Copy the curves, weights and thresholds out, to edit and use with `--curves`."""
    from reachmap.trout import write_curves

    write_curves(target)
    click.echo(f"Curves written to {target}; edit, then: reachmap map BEAT --curves {target}")


@main.command("compare")
@beat_argument
@click.argument("before")
@click.argument("after")
@chain_options
def compare_command(beat: Path, before: str, after: str, **settings: Any) -> None:
    """Compare two scenes of BEAT, for example: reachmap compare BEAT "sunny noon" "overcast noon". Writes nothing."""
    from reachmap.trout import compare

    settings["scenes"] = (before, after)
    result = run_chain(beat, **settings)
    told = compare(result.channel, result.holdings[before], result.holdings[after], result.lies)
    click.echo(told.paragraph)
    click.echo()
    click.echo(told.table.to_string())


@main.command("learn")
@beat_argument
@click.option("--out", type=click.Path(path_type=Path), default=Path("learned.html"), help="Where the page goes.")
@click.option("--write-curves", "tuned", type=click.Path(path_type=Path), help="Where tuned curves go, if better.")
@click.option("--curves", type=click.Path(path_type=Path), help="A curves file of your own.")
@click.option("--quiet", is_flag=True, help="No progress.")
def learn_command(beat: Path, out: Path, tuned: Path | None, curves: Path | None, quiet: bool) -> None:
    """Hold the log of BEAT against the map: how well does it rank this water, and can the weights be tuned?"""
    from reachmap.run import learn

    progress = Progress(quiet)
    verdicts, tunings = learn(beat, out, tuned=tuned, curves=curves, progress=progress)
    progress.done()
    for eye, verdict in verdicts.items():
        click.echo(verdict.sentence + ".")
        click.echo(f"By {eye}: {tunings[eye].why}.")
    click.echo(f"Written: {out}" + (f", {tuned}" if tuned and tuned.exists() else ""))


@main.command("notes")
@beat_argument
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True, dir_okay=False))
def notes_command(beat: Path, files: tuple[Path, ...]) -> None:
    """Merge notes downloaded from maps (FILES) into notes.geojson of BEAT; nothing is ever lost."""
    from reachmap.beat.notes import merge_notes, read_notes, shown, write_notes

    target = beat / "notes.geojson"
    merged = merge_notes(read_notes(target), *(read_notes(path) for path in files))
    write_notes(target, merged)
    click.echo(f"{len(shown(merged))} notes in {target}")


@main.command("share")
@beat_argument
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--without", default="", metavar="PARTS", help="Leave out: notes, log, or notes,log.")
@click.option("--round", "rounding", metavar="LENGTH", help="Move the beat onto a lattice, e.g. 100m.")
@click.option("--name", help="Another name for the beat.")
def share_command(beat: Path, out: Path, without: str, rounding: str | None, name: str | None) -> None:
    """Write a copy of BEAT to OUT that gives away no more than asked."""
    from reachmap.beat import read_beat
    from reachmap.beat.share import share_beat

    parts = [part.strip() for part in without.split(",") if part.strip()]
    for path in share_beat(read_beat(beat), out, without=parts, round_m=_metres(rounding), name=name):
        click.echo(str(path))


def _metres(text: str | None) -> float | None:
    """A length such as 100, 100m or 0.5km in metres."""
    if text is None:
        return None
    number, scale = text.strip().lower(), 1.0
    for ending, factor in (("km", 1000.0), ("m", 1.0)):
        if number.endswith(ending):
            number, scale = number.removesuffix(ending), factor
            break
    try:
        return float(number) * scale
    except ValueError as error:
        raise SettingError(f"--round {text!r}: expected a length such as 100m or 1km") from error


@main.command("new")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--name", help="How the beat is called; default: the folder's name.")
@click.option(
    "--from", "sources", multiple=True, type=click.Path(path_type=Path), help="A file at hand; may be repeated."
)
def new_command(folder: Path, name: str | None, sources: tuple[Path, ...]) -> None:
    """Make a commented beat FOLDER that maps, empty or from files at hand; every guess is shown."""
    from reachmap.beat import new_beat

    show_findings(new_beat(folder, name, sources))
    click.echo(f"Made {folder}; look at {folder / 'beat.toml'}, then: reachmap map {folder}")


@main.command("hours")
@beat_argument
@click.option("--every", type=click.IntRange(10, 180), default=60, show_default=True, help="Minutes between rows.")
@click.option("--lies", "count", type=click.IntRange(1, 30), default=6, show_default=True, help="How many lies.")
@chain_options
def hours_command(beat: Path, every: int, count: int, **settings: Any) -> None:
    """Print when each of the best lies of BEAT is good, over the day of the first scene. Writes nothing."""
    from reachmap.write import hours_text

    click.echo(hours_text(run_chain(beat, **settings), every, count))
