"""What one asks of a beat besides its map: the hours of a day, what changes between scenes, what the log says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reachmap import __version__
from reachmap.beat import Beat, read_beat
from reachmap.beat.clock import YEARS
from reachmap.beat.moment import OVERCAST, check_scene, water_then
from reachmap.channel import Channel
from reachmap.channel.kept import channel_of
from reachmap.errors import Finding, SettingError
from reachmap.run import Progress, analyse, scene_like, with_fish
from reachmap.trout import find_lies, load_curves, write_curves
from reachmap.trout.compare import compare
from reachmap.trout.model import FACTORS, Comparison, Lies
from reachmap.write.model import Result

if TYPE_CHECKING:
    from reachmap.trout.curves import Curves
    from reachmap.trout.learn import Joined, Verdict
    from reachmap.trout.tune import Tuning


def on_day(
    beat: Beat,
    name: str | None,
    day: date | None,
    cloud: int | None = None,
    clarity_m: float | None = None,
    temperature_c: float | None = None,
) -> Beat:
    """The beat with one scene only: one of its own, the first if none is named, at the same hour of another day.

    Leaves and spawning go by that day; cloud [oktas] and the water's clarity [m] and temperature [degC] are the
    scene's where None is given.

    Raises
    ------
    SettingError : no such scene, a day nobody can mean, or no such sky or water
    """
    check_scene(cloud=cloud)
    scene = scene_like(beat, name) if name else beat.scenes[0]
    local = beat.local(scene.when)
    if day is not None and day.year not in YEARS:
        raise SettingError(f"{day}: the year can't be. Use {YEARS[0]} to {YEARS[-1]}")
    if day is not None:
        moved = local.replace(year=day.year, month=day.month, day=day.day)
        scene = replace(scene, name=f"{scene.name}, {day:%d %b %Y}", when=moved, leaf_on=None)
    cloud, water = scene.cloud if cloud is None else cloud, water_then(scene.water, clarity_m, temperature_c)
    return replace(beat, scenes=(replace(scene, cloud=cloud, water=water),))


def hours_on_beat(
    beat: Beat,
    name: str | None = None,
    day: date | None = None,
    cloud: int | None = None,
    clarity_m: float | None = None,
    temperature_c: float | None = None,
    **settings: Any,
) -> tuple[Result, Result | None]:
    """What the lies of a beat's map come to over a day, and over the same day under full cloud.

    Parameters
    ----------
    beat : checked
    name, day, cloud, clarity_m, temperature_c : as for `on_day`
    settings : as for `analyse`

    Returns
    -------
    Both results, each with one scene; the second is None where the first is under full cloud already. Lies have the
    numbers of the map; those it doesn't have come after them.
    """
    scene = scene_like(beat, name) if name else beat.scenes[0]
    asked = analyse(beat, scenes=[scene.name], **settings)
    kept = {**settings, "fresh": False}
    if any(given is not None for given in (day, cloud, clarity_m, temperature_c)):
        asked = analyse(on_day(beat, scene.name, day, cloud, clarity_m, temperature_c), known=asked.lies, **kept)
    if asked.first[1].scene.cloud == OVERCAST:
        return asked, None
    clouded = on_day(beat, scene.name, day, OVERCAST, clarity_m, temperature_c)
    return asked, analyse(clouded, known=asked.lies, **kept)


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
            (self.flow_m3_s, "{:.3g} m3/s"),
            (self.clarity_m, "clarity {:.3g} m"),
            (self.cloud, "cloud {}/8"),
            (self.species, "{}"),
            (self.length_m and 100 * self.length_m, "{:.0f} cm long"),
            (self.engine, "{} engine"),
        )
        return ", ".join(text.format(value) for value, text in told if value is not None)


def compare_on_beat(
    beat: Beat, before: str | None = None, after: str | None = None, changed: Changed | None = None, **settings: Any
) -> tuple[Channel, Comparison, Lies]:
    """Compare two scenes of a beat, or one with the water, the fish or the engine changed.

    Parameters
    ----------
    beat : checked
    before, after : names of scenes or parts of them; no `before` takes the beat's first scene, no `after` the scene
        before once more
    changed : what else is different after
    settings : as for `analyse`, for both

    Returns
    -------
    The channel the comparison stands on, the comparison and its lies. They are those of the map, with their numbers;
    where the water is the same, those that only come up by the change follow.
    """
    changed = changed or Changed()
    check_scene(cloud=changed.cloud)
    first = beat.scenes[0] if before is None else scene_like(beat, before)
    second = first if after is None else scene_like(beat, after)
    if first is second and not changed.words:
        known = ", ".join(scene.name for scene in beat.scenes)
        what = f"name another scene (there are: {known}), or say what is different after, see --help"
        raise SettingError(f"{first.name!r} is compared with itself: {what}")
    water = water_then(second.water, changed.clarity_m, None)
    name = f"{second.name} ({changed.words})" if changed.words else second.name
    cloud = second.cloud if changed.cloud is None else changed.cloud
    other = replace(second, name=name, water=water, cloud=cloud)
    fished = with_fish(beat, changed.species, changed.length_m)
    one = analyse(beat, **settings)
    held = one.outlooks[first.name].holding
    if not changed.words:
        told = compare(one.channel, held, one.outlooks[name].holding, one.lies, None, (first.name, name))
        return one.channel, told, one.lies
    # A run of its own, so that each half has its own fish, engine and water; what they share is kept from the first.
    more = {k: v for k, v in vars(changed).items() if k in ("stage_m", "flow_m3_s", "engine") and v is not None}
    two = analyse(replace(fished, scenes=(other,)), **{**settings, **more, "fresh": False})
    same_water = one.channel.grid.n_wet == two.channel.grid.n_wet and not {"stage_m", "flow_m3_s"} & more.keys()
    lies = one.lies
    if same_water:
        curves = load_curves(settings.get("curves"), beat.fish)
        lies = find_lies(one.channel, two.outlooks, days=two.days, curves=curves, known=one.lies)
    moved = None if same_water else two.channel
    told = compare(one.channel, held, two.outlooks[name].holding, lies, moved, (first.name, name))
    return one.channel, told, lies


@dataclass(frozen=True)
class Learned:
    """What the log of one beat says, or those of several beats together.

    Parameters
    ----------
    name : of the beat, or "all together"
    verdicts, tunings : by eye, "day" and "night"
    left_out : entries that could not be used
    guess : what of the water was not measured, "" if nothing
    """

    name: str
    verdicts: dict[str, Verdict]
    tunings: dict[str, Tuning]
    left_out: tuple[Finding, ...]
    guess: str


def learn(
    folders: str | Path | Sequence[str | Path],
    out: Path,
    *,
    tuned: Path | None = None,
    curves: str | Path | None = None,
    progress: Progress | None = None,
) -> list[Learned]:
    """Hold the logs of beats against their maps, write the page, and the tuned curves if they win on held-out trips.

    Parameters
    ----------
    folders : the beat, or several; then what they say together stands first
    out : where the page goes
    tuned : where curves with tuned weights go; nothing is written when they are no better

    Raises
    ------
    SettingError : one beat is named twice
    """
    # Mapping, which is run far more often, does without these and starts a second sooner.
    from reachmap.trout.learn import join_log, pool
    from reachmap.trout.survey import worth_measuring
    from reachmap.write.learned import Section, learned_page
    from reachmap.write.pages import write_page
    from reachmap.write.summary import guess_line, in_its_units

    say = progress or (lambda step, share: None)
    beats = [read_beat(folder) for folder in _each_once([folders] if isinstance(folders, str | Path) else folders)]
    sections, joined, found = [], [], []
    for k, beat in enumerate(beats):
        say(f"reading {beat.name}", k / len(beats))
        table = load_curves(curves, beat.fish, beat.water.temperature_c)
        channel = channel_of(beat)
        say(f"joining the log of {beat.name}", (k + 0.5) / len(beats))
        told = join_log(channel, table)
        joined.append(replace(told, left_out=in_its_units(told.left_out, beat)))
        one = _learned(beat.name, joined[-1], table, guess_line(channel))
        found.append(one)
        measure = worth_measuring(channel, beat.scenes[0], table)
        sections.append(Section(one.name, one.verdicts, one.tunings, joined[-1], one.guess, channel, measure))
    if len(beats) > 1:
        together = pool(joined, [beat.name for beat in beats])
        guess = "; ".join(f"{one.name}: {one.guess}" for one in found if one.guess)
        everything = _learned("all together", together, table, guess)
        found.insert(0, everything)
        sections.insert(0, Section(everything.name, everything.verdicts, everything.tunings, together, guess))
    write_page(out, learned_page(sections), "Choose another place with --out")
    tunings = found[0].tunings
    if tuned and any(t.better for t in tunings.values()):
        better = {eye: dict(zip(FACTORS, map(float, t.weights), strict=True)) for eye, t in tunings.items() if t.better}
        why = "; ".join(f"{eye}: {t.why}" for eye, t in tunings.items())
        names = ", ".join(beat.name for beat in beats)
        write_curves(tuned, table.with_weights(better, f"reachmap {__version__}, logs of {names}: {why}"))
    return found


def _each_once(folders: Sequence[str | Path]) -> Sequence[str | Path]:
    """The folders, if none is named twice, by whatever way: its log would count double."""
    real = [Path(folder).resolve() for folder in folders]
    twice = [str(folder) for k, folder in enumerate(folders) if real[k] in real[:k]]
    if twice:
        raise SettingError(f"{twice[0]}: this beat is named twice. Name each once, or its log would count double")
    return folders


def _learned(name: str, joined: Joined, table: Curves, guess: str) -> Learned:
    """Judge and tune one log; weights are those of the file, for each beat's own fish and water."""
    from reachmap.trout.learn import judge
    from reachmap.trout.tune import tune

    eyes = (("day", table.day), ("night", table.night))
    verdicts = {eye: judge(joined, eye) for eye, _ in eyes}
    tunings = {
        eye: tune(
            np.array([curve[factor].weight for factor in FACTORS]),
            joined.trips[eye],
            joined.places[eye],
            joined.share_away(eye),
        )
        for eye, curve in eyes
    }
    return Learned(name, verdicts, tunings, joined.left_out, guess)
