"""The whole chain on one screen: from a beat folder to everything a page or a file needs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reachmap import __version__
from reachmap.beat import Beat, Scene, read_beat
from reachmap.channel import Channel, build_channel
from reachmap.channel.kept import kept_arrays, kept_channel
from reachmap.errors import OutputError, SettingError
from reachmap.light import light_at, light_through_day, prepare_shade
from reachmap.sight import see
from reachmap.trout import compare, find_lies, hold, how_sure, load_curves, write_curves
from reachmap.trout.model import FACTORS, Comparison
from reachmap.visit import plan_visit
from reachmap.write import card_page, map_page, write_outputs
from reachmap.write.model import Result

if TYPE_CHECKING:
    from reachmap.trout.learn import Verdict
    from reachmap.trout.tune import Tuning

Progress = Callable[[str, float], None]


def analyse(
    beat: Beat | str | Path,
    *,
    cell_m: float | None = None,
    stage_m: float = 0.0,
    flow_m3_s: float | None = None,
    scenes: Sequence[str] = (),
    curves: str | Path | None = None,
    engine: str = "ordinary",
    fresh: bool = False,
    progress: Progress | None = None,
) -> Result:
    """Read a beat, work out the water, the light, what the fish sees, where it holds and what to do about it.

    Parameters
    ----------
    beat : a checked `Beat` or the folder of one
    cell_m : cell size [m]; None chooses from the width
    stage_m, flow_m3_s : another water level above the survey's [m] or another flow [m3/s]
    scenes : names of the beat's scenes to work out; empty takes all
    curves : a curves file of the user's own
    engine : "ordinary" or "energy"
    fresh : work the water out again even if the last run's is kept for the same input
    progress : called with the name of the step and the share done, 0-1

    Raises
    ------
    InputError : the beat can't be used; carries every finding
    SettingError : a setting can't be used
    """
    say = progress or (lambda step, share: None)
    say("reading the beat", 0.0)
    checked = beat if isinstance(beat, Beat) else read_beat(beat)
    chosen = choose_scenes(checked, scenes)
    table = load_curves(curves, checked.fish, checked.water.temperature_c)
    water: dict[str, Any] = {"cell_m": cell_m, "stage_m": stage_m, "flow_m3_s": flow_m3_s}
    channel = kept_channel(
        checked,
        water,
        lambda: build_channel(checked, **water, progress=lambda step, share: say(step, 0.05 + 0.35 * share)),
        fresh,
    )
    say("light", 0.4)
    shade = prepare_shade(channel)

    def keep(settings: dict[str, Any], build: Callable[[], dict[str, np.ndarray]]) -> dict[str, np.ndarray]:
        return kept_arrays(checked, {**water, **settings}, build, fresh)

    day = light_through_day(channel, chosen[0].when.date(), shade=shade, keep=keep)
    lights = {scene.name: light_at(channel, scene, shade) for scene in chosen}
    say("what the fish sees", 0.6)
    sights = {name: see(channel, light, checked.fish, table.eyes) for name, light in lights.items()}
    say("where they hold", 0.65)
    holdings = {
        name: hold(channel, light, sights[name], checked.fish, table, engine=engine) for name, light in lights.items()
    }
    lies = find_lies(channel, holdings, lights, sights, day=day, curves=table)
    lies = how_sure(channel, lights, sights, holdings, lies, table)
    say("the visit", 0.8)
    visit = plan_visit(channel, lights, sights, holdings, lies, day, table)
    record = _record(channel, chosen, {"cell_m": cell_m, "curves": curves and str(curves), "engine": engine})
    return Result(channel, lights, sights, holdings, day, lies, visit, table.tables(), record)


def map_beat(beat: Beat | str | Path, out: str | Path | None = None, **settings: Any) -> tuple[Result, Path]:
    """Analyse a beat (settings as for `analyse`) and write the folder; returns the result and where it stands."""
    result = analyse(beat, **settings)
    target = Path(out) if out else default_out(result.channel.beat)
    write(result, target)
    return result, target


def write(result: Result, out: str | Path, imagery: bool = False) -> list[Path]:
    """Write everything one run found into a folder, whole or not at all; `imagery` as for `map_page`."""
    pages = {"map.html": map_page(result, imagery), "card.html": card_page(result)}
    return write_outputs(result, Path(out), pages)


def choose_scenes(beat: Beat, names: Sequence[str]) -> tuple[Scene, ...]:
    """The beat's scenes of those names, in the beat's order; all of them when no name is given."""
    if not names:
        return beat.scenes
    known = [scene.name for scene in beat.scenes]
    for name in names:
        if name not in known:
            raise SettingError(f"--scene {name!r}: no such scene in this beat; there are: {', '.join(known)}")
    return tuple(scene for scene in beat.scenes if scene.name in names)


def scene_like(beat: Beat, name: str) -> Scene:
    """The scene of that name, or the only one whose name holds it."""
    found = [scene for scene in beat.scenes if scene.name == name]
    found = found or [scene for scene in beat.scenes if name.casefold() in scene.name.casefold()]
    if len(found) != 1:
        known = ", ".join(s.name for s in beat.scenes)
        what = "fits several scenes" if found else "no such scene in this beat"
        raise SettingError(f"scene {name!r}: {what}; there are: {known}")
    return found[0]


@dataclass(frozen=True)
class Changed:
    """What is different after; None or 0 keeps it.

    Parameters
    ----------
    stage_m, flow_m3_s : water level above the survey's [m] or another flow [m3/s]
    clarity_m, cloud : of the scene [m], [oktas]
    species, length_m : of the fish
    engine : of the score
    """

    stage_m: float | None = None
    flow_m3_s: float | None = None
    clarity_m: float | None = None
    cloud: int | None = None
    species: str | None = None
    length_m: float | None = None
    engine: str | None = None

    @property
    def words(self) -> str:
        """The changes in short, "" without any."""
        told = (
            (self.stage_m, "{:+.2f} m of water"),
            (self.flow_m3_s, "{:g} m3/s"),
            (self.clarity_m, "clarity {:g} m"),
            (self.cloud, "cloud {}/8"),
            (self.species, "{}"),
            (self.length_m, "{:g} m long"),
            (self.engine, "{} engine"),
        )
        return ", ".join(text.format(value) for value, text in told if value is not None)


def compare_on_beat(
    beat: Beat, before: str, after: str | None = None, changed: Changed | None = None, **settings: Any
) -> tuple[Channel, Comparison]:
    """Compare two scenes of a beat, or one with the water, the fish or the engine changed.

    Parameters
    ----------
    beat : checked
    before, after : names of scenes or parts of them; no `after` takes the scene before once more
    changed : what else is different after
    settings : as for `analyse`, for both

    Returns
    -------
    The channel the comparison stands on, and the comparison. Lies are those of both where the water is the same, else
    those before.
    """
    changed = changed or Changed()
    first, second = scene_like(beat, before), scene_like(beat, after or before)
    if first is second and not changed.words:
        raise SettingError(f"{first.name!r} is compared with itself: name another scene, or what is different after")
    water = replace(second.water, clarity_m=changed.clarity_m or second.water.clarity_m)
    name = f"{second.name}, {changed.words}" if changed.words else second.name
    cloud = second.cloud if changed.cloud is None else changed.cloud
    other = replace(second, name=name, water=water, cloud=cloud)
    fished = with_fish(beat, changed.species, changed.length_m)
    # Two runs, so that each half has its own fish, engine and water; what they share is kept from the first.
    one = analyse(replace(beat, scenes=(first,)), **settings)
    more = {k: v for k, v in vars(changed).items() if k in ("stage_m", "flow_m3_s", "engine") and v is not None}
    two = analyse(replace(fished, scenes=(other,)), **{**settings, **more, "fresh": False})
    same_water = one.channel.grid.n_wet == two.channel.grid.n_wet and not {"stage_m", "flow_m3_s"} & more.keys()
    lies = one.lies
    if same_water:
        both = {**one.holdings, **two.holdings}, {**one.lights, **two.lights}, {**one.sights, **two.sights}
        lies = find_lies(one.channel, *both, day=one.day, curves=load_curves(settings.get("curves"), beat.fish))
    moved = None if same_water else two.channel
    told = compare(one.channel, one.holdings[first.name], two.holdings[name], lies, moved, (first.name, name))
    return one.channel, told


def default_out(beat: Beat) -> Path:
    """`<beat name>-map` in the current directory, with only letters, digits and dashes."""
    plain = "".join(c if c.isalnum() else "-" for c in beat.name.casefold())
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
            **settings,
            "cell_m": channel.grid.cell_m,
            "stage_m": channel.stage_m,
            "flow_m3_s": channel.flow_m3_s,
            "species": beat.fish.species,
            "length_m": beat.fish.length_m,
        },
        "scenes": [{"name": s.name, "when": s.when.isoformat(), "cloud_oktas": s.cloud} for s in scenes],
        "measured": dict(channel.report),
        "findings": [str(f) for f in (*beat.findings, *channel.findings)],
    }


def with_fish(beat: Beat, species: str | None = None, length_m: float | None = None) -> Beat:
    """A copy of the beat with another fish in mind."""
    fish = replace(beat.fish, species=species or beat.fish.species, length_m=length_m or beat.fish.length_m)
    return replace(beat, fish=fish)


def learn(
    folder: str | Path,
    out: Path,
    *,
    tuned: Path | None = None,
    curves: str | Path | None = None,
    progress: Progress | None = None,
) -> tuple[dict[str, Verdict], dict[str, Tuning]]:
    """Hold a beat's log against its map, write the page, and the tuned curves if they win on held-out trips.

    Parameters
    ----------
    folder : the beat
    out : where the page goes
    tuned : where curves with tuned weights go; nothing is written when they are no better
    """
    # Mapping, which is run far more often, does without these and starts a second sooner.
    from reachmap.trout.learn import join_log, judge, worth_measuring
    from reachmap.trout.tune import tune
    from reachmap.write.learned import learned_page

    say = progress or (lambda step, share: None)
    say("reading the beat", 0.0)
    beat = read_beat(folder)
    table = load_curves(curves, beat.fish, beat.water.temperature_c)
    channel = build_channel(beat, progress=lambda step, share: say(step, 0.1 + 0.3 * share))
    say("joining the log", 0.4)
    joined = join_log(channel, table)
    verdicts = {eye: judge(joined, eye) for eye in ("day", "night")}
    say("tuning", 0.7)
    tunings = {
        eye: tune(np.array([curve[factor].weight for factor in FACTORS]), joined.trips[eye])
        for eye, curve in (("day", table.day), ("night", table.night))
    }
    say("what to measure next", 0.9)
    page = learned_page(channel, joined, verdicts, tunings, worth_measuring(channel, beat.scenes[0], table))
    try:
        out.write_text(page, encoding="utf-8")
    except OSError as error:
        raise OutputError(f"{out}: can't be written ({error.strerror}). Choose another place with --out.") from error
    if tuned and any(t.better for t in tunings.values()):
        better = {eye: dict(zip(FACTORS, map(float, t.weights), strict=True)) for eye, t in tunings.items() if t.better}
        why = "; ".join(f"{eye}: {t.why}" for eye, t in tunings.items())
        write_curves(tuned, table.with_weights(better, f"tuned on the log of {beat.name}: {why}"))
    return verdicts, tunings
