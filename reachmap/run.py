"""The whole chain on one screen: from a beat folder to everything a page or a file needs."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from reachmap import __version__
from reachmap.beat import Beat, Moment, Scene, read_beat
from reachmap.channel import Channel
from reachmap.channel.kept import channel_of, kept_arrays
from reachmap.errors import InputError, SettingError, sterner
from reachmap.light import Light, light_at, light_of_scenes, prepare_shade
from reachmap.memory import keeping_freed
from reachmap.threads import matrices_alone
from reachmap.trout import Curves, Lies, Outlook, find_lies, how_sure, load_curves, outlook_for
from reachmap.visit import plan_visit
from reachmap.whole import checksum
from reachmap.write import card_page, map_page, write_outputs
from reachmap.write.model import Result
from reachmap.write.summary import in_its_units, printed

Progress = Callable[[str, float], None]


@keeping_freed()
@matrices_alone()
def analyse(
    beat: Beat | str | Path,
    *,
    cell_m: float | None = None,
    stage_m: float = 0.0,
    flow_m3_s: float | None = None,
    scenes: Sequence[str] = (),
    moment: Moment | None = None,
    curves: str | Path | None = None,
    engine: str = "ordinary",
    fresh: bool = False,
    known: Lies | None = None,
    strict: bool = False,
    progress: Progress | None = None,
) -> Result:
    """Read a beat, work out the water, the light, what the fish sees, where it holds and what to do about it.

    Parameters
    ----------
    beat : a checked `Beat` or the folder of one
    cell_m : cell size [m]; None chooses from the width
    stage_m, flow_m3_s : another water level above the survey's [m] or another flow [m3/s]
    scenes : names of the beat's scenes to show, or parts of them; empty shows all. Lies are found over all of them, so
        that they have the same numbers whatever is shown
    moment : what to show instead of the beat's scenes, and when the visit begins; lies that stand out only then are
        numbered after those of the scenes
    known : lies found before on the same water, in other scenes; they keep their numbers
    curves : a curves file of the user's own
    engine : "ordinary" or "energy"
    fresh : work the water out again even if the last run's is kept for the same input
    strict : count what is warned of about the water as errors
    progress : called with the name of the step and the share done, 0-1

    Raises
    ------
    InputError : the beat can't be used, or by `strict` isn't to be; carries every finding
    SettingError : a setting can't be used
    """
    say = progress or (lambda step, share: None)
    say("reading the beat", 0.0)
    checked = beat if isinstance(beat, Beat) else read_beat(beat)
    if moment is not None and scenes:
        raise SettingError("scenes of the beat and a moment were asked for; choose one or the other")
    chosen = choose_scenes(checked, scenes) if moment is None else moment.scenes(checked)
    if moment is not None:
        checked = replace(checked, findings=(*checked.findings, *moment.findings(checked)))
    table = load_curves(curves, checked.fish, checked.water.temperature_c)
    own_curves = {"curves": curves and str(curves), "curves_sha256": curves and checksum(curves)}
    water: dict[str, Any] = {"cell_m": cell_m, "stage_m": stage_m, "flow_m3_s": flow_m3_s}
    try:
        channel = channel_of(checked, water, fresh, lambda step, share: say(step, 0.05 + 0.35 * share))
    except SettingError as error:
        # What is said of the size of cells is said as it was asked for, in metres.
        told = str(error) if cell_m is not None else printed(str(error), checked)
        raise SettingError(told) from error
    if strict and any(finding.severity == "warning" for finding in channel.findings):
        raise InputError(sterner(in_its_units(channel.findings, checked)))
    say("light", 0.4)
    shade = prepare_shade(channel)

    def keep(settings: dict[str, Any], build: Callable[[], dict[str, np.ndarray]]) -> dict[str, np.ndarray]:
        return kept_arrays(checked, {**water, **settings}, build, fresh)

    days = light_of_scenes(channel, chosen, shade, keep)
    own = [light_at(channel, scene, shade) for scene in checked.scenes]
    lights = own if moment is None else [light_at(channel, scene, shade) for scene in chosen]
    del shade  # laid out on every cell, and not needed any more
    say("what the fish sees, where they hold", 0.6)
    if moment is not None:
        known = find_lies(channel, _outlooks(channel, own, table, engine), curves=table, known=known)
    del own
    outlooks = _outlooks(channel, lights, table, engine)
    del lights
    shown = [scene.name for scene in chosen]
    lies = find_lies(channel, outlooks, days=days, curves=table, known=known, shown=shown)
    # Those not to be shown have done their part by now.
    outlooks = {name: outlooks[name] for name in shown}
    lies = how_sure(channel, outlooks, lies, table)
    say("the visit", 0.8)
    start = None if moment is None else chosen[0].when
    visit = plan_visit(channel, outlooks, lies, days, table, start)
    record = _record(channel, chosen, {**own_curves, "engine": engine})
    return Result(channel, outlooks, days, lies, visit, table, record)


def _outlooks(channel: Channel, lights: Sequence[Light], curves: Curves, engine: str) -> dict[str, Outlook]:
    """What each scene comes to, by its name."""
    return {light.scene.name: outlook_for(channel, light, curves, engine) for light in lights}


def map_beat(beat: Beat | str | Path, out: str | Path | None = None, **settings: Any) -> tuple[Result, Path]:
    """Analyse a beat (settings as for `analyse`) and write the folder; returns the result and where it stands."""
    result = analyse(beat, **settings)
    target = Path(out) if out else default_out(result.channel.beat)
    write_map(result, target)
    return result, target


def write_map(result: Result, out: str | Path, imagery: bool = False) -> list[Path]:
    """Write everything one run found into a folder, whole or not at all; `imagery` as for `map_page`."""
    pages = {"map.html": partial(map_page, result, imagery), "card.html": partial(card_page, result)}
    return write_outputs(result, Path(out), pages)


def choose_scenes(beat: Beat, names: Sequence[str]) -> tuple[Scene, ...]:
    """The beat's scenes of those names, see `scene_like`, in the beat's order; all of them when no name is given."""
    chosen = {scene_like(beat, name).name for name in names} or {scene.name for scene in beat.scenes}
    return tuple(scene for scene in beat.scenes if scene.name in chosen)


def scene_like(beat: Beat, name: str) -> Scene:
    """The scene of that name, or the only one whose name holds it."""
    found = [scene for scene in beat.scenes if scene.name == name]
    found = found or [scene for scene in beat.scenes if name.casefold() in scene.name.casefold()]
    if len(found) != 1:
        known = ", ".join(s.name for s in beat.scenes)
        what = "fits several scenes" if found else "no such scene in this beat"
        raise SettingError(f"scene {name!r}: {what}; there are: {known}")
    return found[0]


def default_out(beat: Beat) -> Path:
    """`<beat name>-map` in the current directory: letters and digits the file system can spell, and dashes."""
    spelt = sys.getfilesystemencoding()
    name = beat.name.casefold().encode(spelt, "replace").decode(spelt)
    plain = "".join(c if c.isalnum() else "-" for c in name)
    slug = "-".join(part for part in plain.split("-") if part)[:80]
    return Path(f"{slug or 'beat'}-map")


def _record(channel: Channel, scenes: Sequence[Scene], settings: Mapping[str, Any]) -> dict[str, Any]:
    """What a reader needs to do the same again: inputs with checksums, settings, version, errors measured."""
    beat = channel.beat
    return {
        "reachmap": __version__,
        "beat": beat.name,
        "sources": dict(beat.sources),
        "settings": {
            "cell_m": channel.grid.cell_m,
            **settings,
            "stage_m": channel.stage_m,
            "flow_m3_s": channel.flow_m3_s,
            "species": beat.fish.species,
            "length_m": beat.fish.length_m,
        },
        "scenes": [
            {
                "name": s.name,
                "when": s.when.isoformat(),
                "cloud_oktas": s.cloud,
                "clarity_m": s.water.clarity_m,
                "clarity_how": s.water.how,
                "colour": s.water.colour,
                "temperature_c": s.water.temperature_c,
            }
            for s in scenes
        ],
        "measured": dict(channel.report),
        "findings": [str(f) for f in (*beat.findings, *channel.findings)],
    }


def with_fish(beat: Beat, species: str | None = None, length_m: float | None = None) -> Beat:
    """A copy of the beat with another fish in mind."""
    fish = replace(beat.fish, species=species or beat.fish.species, length_m=length_m or beat.fish.length_m)
    return replace(beat, fish=fish)
