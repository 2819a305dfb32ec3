"""Commands that run the whole chain: map, lies, compare, hours; and the curves they use."""

from __future__ import annotations

import sys
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Any

import click

from reachmap.cli.base import (
    SPECIES,
    asked_moment,
    beat_argument,
    chain_options,
    echo_json,
    moment_options,
    run_chain,
    water_options,
)
from reachmap.cli.typed import CELL, CLARITY, FLOW, LENGTH, STAGE
from reachmap.errors import SettingError


@click.command("map")
@click.argument("beats", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="BEAT...")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write; default: <beat name>-map.")
@click.option("--strict", is_flag=True, help="Stop at warnings too.")
@click.option("--json", "as_json", is_flag=True, help="Print the run record as JSON instead of the summary.")
@click.option("--jobs", type=click.IntRange(1), default=2, show_default=True, help="Processes for many beats.")
@click.option("--imagery", is_flag=True, help="Offer background map tiles; they need a network, the rest does not.")
@click.option("--dask", metavar="ADDRESS", help="Use a running Dask cluster for many beats.")
@moment_options
@chain_options
def map_command(
    beats: tuple[Path, ...],
    out: Path | None,
    as_json: bool,
    jobs: int,
    dask: str | None,
    imagery: bool,
    **settings: Any,
) -> None:
    """Map BEAT and write map.html, card.html, layers, lies, waypoints and the run record.

    With several beats, or a catalogue file naming one beat folder a line, each gets a folder of its own and an index
    page ranks them.
    """
    settings["moment"] = asked_moment(settings)
    if len(beats) > 1 or beats[0].is_file():
        map_many_command(beats, out or Path("beats-map"), jobs, dask, as_json, {**settings, "imagery": imagery})
        return
    result = run_chain(beats[0], **settings)
    # Only now, so that `run_chain` is the one to load the chain.
    from reachmap.run import default_out, write_map
    from reachmap.write import run_record, summarise

    target = out or default_out(result.channel.beat)
    write_map(result, target, imagery)
    if as_json:
        echo_json(run_record(result), sort_keys=True)
        return
    click.echo(summarise(result))
    click.echo(f"\nWritten to {target}/ - open {target / 'map.html'} in any browser, no signal needed.")


def map_many_command(
    paths: tuple[Path, ...], out: Path, jobs: int, dask: str | None, as_json: bool, settings: dict[str, Any]
) -> None:
    """Map many beats, a line for each as it is done, asked to be quiet only for those that could not be mapped.

    Exit code 1 if there is one.
    """
    from reachmap.many import Outcome, list_beats, map_many
    from reachmap.write.imperial import in_units

    def told(outcome: Outcome, done: int, of: int) -> None:
        if quiet and outcome.out is not None:
            return
        state = outcome.message or ("kept, nothing changed" if outcome.kept else "mapped")
        besides = f" ({in_units(outcome.told, outcome.units)})" if outcome.told else ""
        click.echo(f"[{done}/{of}] {outcome.beat}: {state}{besides}", err=True)

    fresh, quiet = settings.pop("fresh"), settings.pop("quiet")
    plain = {k: v for k, v in settings.items() if v not in (None, (), 0.0)}
    beats = list_beats(paths)
    outcomes = map_many(beats, out, jobs=jobs, dask=dask, fresh=fresh, settings=plain, told=told)
    failed = sum(1 for o in outcomes if o.out is None)
    if as_json:
        rows = [vars(one) | {"beat": str(one.beat), "out": one.out and str(one.out)} for one in outcomes]
        echo_json(rows)
    else:
        click.echo(f"{len(outcomes) - failed} beats mapped, {failed} not; open {out / 'index.html'}")
    if failed:
        sys.exit(1)


@click.command("lies")
@beat_argument
@click.option("--json", "as_json", is_flag=True, help="Print as JSON for scripts.")
@moment_options
@chain_options
def lies_command(beat: Path, as_json: bool, **settings: Any) -> None:
    """List the lies of BEAT, best first, scene by scene. Writes nothing."""
    result = run_chain(beat, moment=asked_moment(settings), **settings)
    # Only now, as in `map_command`.
    from reachmap.write import lies_table, summarise

    if as_json:
        echo_json(lies_table(result))
    else:
        click.echo(summarise(result))


@click.command("compare")
@beat_argument
@click.argument("before", required=False)
@click.argument("after", required=False)
@click.option("--stage-after", "stage_m", type=STAGE, metavar="M", help="Water level after, above the survey's.")
@click.option("--flow-after", "flow_m3_s", type=FLOW, metavar="M3/S", help="Flow after.")
@click.option("--clarity-after", "clarity_m", type=CLARITY, metavar="M", help="Clarity after.")
@click.option("--cloud-after", "cloud", type=click.IntRange(0, 8), help="Cloud after, in eighths.")
@click.option("--species-after", "species", type=click.Choice(SPECIES), help="The fish after.")
@click.option("--length-after", "length_m", type=LENGTH, metavar="M", help="Its length after.")
@click.option("--engine-after", "engine", type=click.Choice(["ordinary", "energy"]), help="The engine after.")
@click.option("--layer", type=click.Path(path_type=Path), help="Write the difference of the score as a GeoTIFF.")
@click.option("--curves", type=click.Path(path_type=Path), help="A curves file of your own, for both.")
@click.option("--cell", "cell_m", type=CELL, metavar="M", help="Cell size.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON for scripts.")
def compare_command(
    beat: Path,
    before: str | None,
    after: str | None,
    layer: Path | None,
    curves: Path | None,
    cell_m: float | None,
    as_json: bool,
    **changes: Any,
) -> None:
    """Compare two scenes of BEAT, or one with something changed: what each lie gains or loses, and why.

    For example: reachmap compare BEAT sunny overcast; reachmap compare BEAT sunny --clarity-after 0.6. A part of a
    scene's name is enough; without any, the first scene is compared with what is changed.
    """
    from reachmap.ask import Changed, compare_on_beat
    from reachmap.beat import read_beat
    from reachmap.trout import load_curves
    from reachmap.write.rasters import write_difference
    from reachmap.write.summary import beside_the_map, comparison_words, guess_line, printed, scored_words

    changed = Changed(**changes)
    channel, told, lies = compare_on_beat(read_beat(beat), before, after, changed, curves=curves, cell_m=cell_m)
    if layer:
        write_difference(channel, told, layer)
    scored = changed.engine or "ordinary", load_curves(curves)
    guessed, beside = guess_line(channel), beside_the_map(lies, told.table.index)
    if as_json:
        rows = told.table.reset_index().to_dict("records")
        shown = {"before": told.before, "after": told.after, "paragraph": told.paragraph, "lies": rows}
        shown |= {"scored_after": scored_words(*scored), "guessed": guessed, "beside_the_map": beside}
        echo_json(shown, default=float)
        return
    told_so = comparison_words(told, changed.words), scored_words(*scored, "After: "), guessed, beside
    for line in filter(None, told_so):
        click.echo(printed(line, channel.beat))
    if len(told.table) > 2:
        alike = told.table[["before", "after"]].corr("spearman").iloc[0, 1]
        far = told.table[told.table["factor"] != ""].sort_values("gain", key=abs, ascending=False).head(3)
        most = "; ".join(f"lie {number} by {row.gain:+.2f} ({row.why})" for number, row in far.iterrows())
        differ = f"They differ most at {most}." if most else "Nothing moved."
        # None where all of them score the same, as where no place pays any more.
        ranks = f"Rank correlation of the lies, before and after: {alike:.2f}. " if isfinite(alike) else ""
        click.echo(f"{ranks}{differ}")
    if len(told.table):
        click.echo()
        click.echo(told.table.round(2).to_string())
    if layer:
        click.echo(f"\nWritten: {layer}")


@click.command("hours")
@beat_argument
@click.option("--every", type=click.IntRange(10, 180), default=60, show_default=True, help="Minutes between rows.")
@click.option("--lies", "count", type=click.IntRange(1, 30), default=6, show_default=True, help="How many lies.")
@click.option("--date", "day", type=click.DateTime(["%Y-%m-%d"]), help="Another day, for example 2026-10-10.")
@click.option("--cloud", type=click.IntRange(0, 8), help="Cloud all day, in eighths; default: the scene's.")
@water_options
@click.option("--picture", type=click.Path(path_type=Path), help="Write the hours as a page with a picture.")
@chain_options
def hours_command(
    beat: Path,
    every: int,
    count: int,
    day: datetime | None,
    cloud: int | None,
    picture: Path | None,
    **settings: Any,
) -> None:
    """Print when each of the best lies of BEAT is good, over the day of the first scene or another day.

    And in which order to fish them, and what to do if it clouds over. Writes nothing but the picture, if asked.
    """
    from reachmap.ask import hours_on_beat
    from reachmap.beat import read_beat
    from reachmap.run import with_fish
    from reachmap.write.hours import hours_page, hours_text
    from reachmap.write.pages import write_page

    names, species, length_m = (settings.pop(name) for name in ("scenes", "species", "length_m"))
    settings.pop("quiet")
    if len(names) > 1:
        raise SettingError("--scene: hours are worked out for one scene at a time")
    checked = with_fish(read_beat(beat), species, length_m)
    name, date = names[0] if names else None, day.date() if day else None
    result, clouded = hours_on_beat(checked, name, date, cloud, **settings)
    click.echo(hours_text(result, every, count, clouded))
    if picture:
        write_page(picture, hours_page(result, clouded))
        click.echo(f"\nWritten: {picture}")


@click.command("curves")
@click.option("--write", "target", type=click.Path(path_type=Path), required=True, help="Where to copy them to.")
def curves_command(target: Path) -> None:
    """Copy the curves, weights and thresholds out, to edit and use with `--curves`."""
    from reachmap.trout import write_curves

    write_curves(target)
    click.echo(f"Curves written to {target}; edit, then: reachmap map BEAT --curves {target}")
