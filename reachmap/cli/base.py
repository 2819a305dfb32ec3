"""What every command shares: errors for people, progress, options, the run of the chain."""

from __future__ import annotations

import gc
import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from reachmap.cli.typed import CELL, CLARITY, FLOW, LENGTH, STAGE, WARMTH, WhenType
from reachmap.errors import Finding, InputError, ReachmapError, SettingError

if TYPE_CHECKING:
    from reachmap.beat import Beat, Moment
    from reachmap.write.model import Result


SPECIES = ["brown", "rainbow", "brook", "cutthroat"]
"""Repeated from the beat room, which takes a second to load."""


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
        except BrokenPipeError:
            # Whoever read our output has enough of it, as `head` has.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(1)
        except Exception as error:
            if os.environ.get("REACHMAP_TRACEBACK"):
                raise
            if isinstance(error, OSError) and error.strerror:
                # What no command could foresee: a name that is too long, a disk that went away.
                named = f"{str(error.filename)[:200]}: " if error.filename else ""
                click.echo(f"error: {named}{error.strerror}.", err=True)
                ctx.exit(1)
            click.echo(
                f"reachmap failed in a way it should not: {type(error).__name__}: {error}\n"
                "That is our mistake; nothing was written. REACHMAP_TRACEBACK=1 shows where; please report it.",
                err=True,
            )
            ctx.exit(3)


def print_whatever_can_be() -> None:
    """Let a letter that the terminal or a pipe does not know be printed as its number, instead of stopping the run."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def echo_json(value: Any, **how: Any) -> None:
    """Print a value as JSON, whose own way of writing such letters is another."""
    plain = (sys.stdout.encoding or "").replace("-", "").casefold() != "utf8"
    click.echo(json.dumps(value, indent=2, ensure_ascii=plain, **how))


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
        click.option(
            "--scene",
            "scenes",
            multiple=True,
            metavar="NAME",
            help="Show only this scene (a part of its name is enough); may be repeated.",
        ),
        click.option("--cell", "cell_m", type=CELL, metavar="M", help="Cell size."),
        click.option("--stage", "stage_m", type=STAGE, default=0.0, metavar="M", help="Water level above the survey."),
        click.option("--flow", "flow_m3_s", type=FLOW, metavar="M3/S", help="Flow."),
        click.option("--species", type=click.Choice(SPECIES), help="The fish."),
        click.option("--length", "length_m", type=LENGTH, metavar="M", help="Its length."),
        click.option("--curves", type=click.Path(path_type=Path), help="A curves file of your own."),
        click.option("--engine", type=click.Choice(["ordinary", "energy"]), default="ordinary", show_default=True),
        click.option("--fresh", is_flag=True, help="Work everything out again, use nothing kept from earlier runs."),
        click.option("--quiet", is_flag=True, help="No progress."),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def water_options(command: Callable[..., None]) -> Callable[..., None]:
    """Options of the commands that can show the water of another day."""
    clarity = click.option("--clarity", "clarity_m", type=CLARITY, metavar="M", help="How clear the water is then.")
    temperature = click.option(
        "--temperature", "temperature_c", type=WARMTH, metavar="C", help="How warm the water is then."
    )
    return clarity(temperature(command))


def moment_options(command: Callable[..., None]) -> Callable[..., None]:
    """Options of the commands that can show one moment instead of the beat's scenes."""
    when = click.option(
        "--when",
        type=WhenType(),
        metavar="WHEN",
        help="Show this moment instead of the beat's scenes: 2026-10-10 18:30, or 18:30 for today, or now.",
    )
    cloud = click.option(
        "--cloud", type=click.IntRange(0, 8), help="Cloud then, in eighths; default: both clear and overcast."
    )
    return when(cloud(water_options(command)))


def asked_moment(settings: dict[str, Any]) -> Moment | None:
    """The moment those options ask for, taken out of a command's settings; None without any."""
    when, *others = (settings.pop(name) for name in ("when", "cloud", "clarity_m", "temperature_c"))
    if when is None:
        if any(other is not None for other in others):
            raise click.UsageError(
                "--cloud, --clarity and --temperature say how it is at a moment: give --when as well"
            )
        return None
    from reachmap.beat import Moment

    return Moment(when, *others)


def run_chain(
    beat: Path, species: str | None, length_m: float | None, quiet: bool, strict: bool = False, **settings: Any
) -> Result:
    """Read the beat, list its warnings, run the chain."""
    # What the libraries make at import stays, so the garbage collector needn't look through it, now or at the end.
    gc.disable()
    try:
        from reachmap.beat import read_beat
        from reachmap.run import analyse, with_fish
    finally:
        gc.freeze()
        gc.enable()
    progress = Progress(quiet)
    progress("reading the beat", 0.0)
    checked: Beat = with_fish(read_beat(beat, strict=strict), species, length_m)
    try:
        return analyse(checked, strict=strict, progress=progress, **settings)
    finally:
        progress.done()
