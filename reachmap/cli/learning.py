"""Commands that hold the log against the map."""

from __future__ import annotations

from pathlib import Path

import click

from reachmap.cli.base import Progress, beat_argument


@click.command("learn")
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
