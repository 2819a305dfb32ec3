"""The summary a person reads in the terminal, and the words it shares with the page, the card and the files."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from reachmap.beat.model import Beat, Fish, Water
from reachmap.beat.warmth import printed_celsius
from reachmap.channel.confidence import MUCH_BESIDE
from reachmap.channel.model import Channel
from reachmap.errors import Finding
from reachmap.light import white_clarity_m
from reachmap.trout.curves import Curves
from reachmap.trout.model import Comparison, Lies
from reachmap.visit.model import Visit
from reachmap.visit.worth import best_lies, ranked
from reachmap.write.imperial import as_typed, in_units
from reachmap.write.model import Result
from reachmap.write.rows import notes_at

LEAST_LEVEL_M = 0.005
"""A water level nearer to the survey's is told as the survey's [m]."""

SEEN_LEAST_M = 0.1
"""A fly that is seen from no farther than this is hardly seen (assumed) [m]."""

FOOD = ("energy.drift_items_m3", "energy.item_j")
"""Settings of the energy engine that make up the amount of food."""

JUDGED = {"dark sideways": "for a dark thing sideways", "dark from above": "by a dark boot"}
"""Ways to judge clarity in words; without any by a white thing, as on the map's page."""

BEST = 5
"""Lies listed a scene in the summary."""


def place_words(lies: Lies, number: int) -> str:
    """Class of a lie and how far down it is."""
    lie = lies.table.loc[number]
    return f"{lie['kind']} water {lie['along_m']:.0f} m below the head"


def new_numbers(lies: Lies, numbers: Iterable[int]) -> list[int]:
    """Those of some lies that were not known before, so that the map lacks them."""
    last = lies.report["known_before"]
    return sorted(n for n in numbers if last is not None and n > last)


def beside_the_map(lies: Lies, numbers: Iterable[int]) -> str:
    """Where those of some lies are that were not known before, so that the map lacks them; "" if it has all."""
    places = "; ".join(f"lie {n}: {place_words(lies, n)}" for n in new_numbers(lies, numbers))
    return f"Not on the map, as they don't stand out in the beat's own scenes: {places}." if places else ""


def comparison_words(told: Comparison, change: str) -> str:
    """The paragraph of a comparison, ready for `printed`; `change` is what its second name says besides the scene's."""
    scene = told.after.removesuffix(f" ({change})") if change else told.after
    marked = replace(told, before=as_typed(told.before), after=as_typed(scene) + told.after.removeprefix(scene))
    return marked.paragraph


def moment_words(lies: Lies) -> str:
    """Say which numbers hold for the moment shown only; "" where all are those of the beat's own scenes."""
    last, all_of_them = lies.report["known_before"], len(lies.table)
    if last is None or last == all_of_them:
        return ""
    which = f"lie {all_of_them} stands" if all_of_them == last + 1 else f"lies {last + 1} to {all_of_them} stand"
    return (
        f"{which} out at this moment, not in the beat's own scenes: another moment may give the number to another place"
    )


def summarise(result: Result) -> str:
    """Best lies scene by scene with their reasons, the errors held out, what was noticed, the cautions."""
    channel, beat = result.channel, result.channel.beat
    grid = channel.grid
    lines = [
        as_typed(beat.name),
        f"{fish_words(beat.fish)}; {grid.n_wet} cells of {grid.cell_m:g} m, "
        f"{grid.n_wet * grid.cell_m**2:.0f} m2 of water"
        + (f", {channel.flow_m3_s:.2f} m3/s" if channel.flow_m3_s is not None else ", flow not known")
        + level_words(channel, ", ")
        + engine_words(result, ", "),
    ]
    lines += [guessed] if (guessed := guess_line(channel)) else []
    for name, outlook in result.outlooks.items():
        scene = outlook.scene
        told = f"{scene.when:%d %b %Y %H:%M}, cloud {scene.cloud}/8, {water_words(scene.water)}"
        lines += ["", f"{as_typed(name)} ({told})"]
        lines += _scene_lines(result, name) or ["  no lie stands out"]
        lines += _doubt_line(result, name)
    lines += ["", "How good is it?", *_error_lines(result)]
    seen = [f for f in (*beat.findings, *channel.findings) if f.severity == "warning"]
    if seen:
        lines += ["", "Noticed:", *(f"  - {finding}" for finding in seen)]
    lines += ["", "Before you wade:", *(f"  - {caution.text}" for caution in result.visit.cautions)]
    return printed("\n".join(lines), beat)


def printed(text: str, beat: Beat) -> str:
    """A text in the units the beat asks for; what the user typed in it is marked by `as_typed`."""
    return in_units(text, beat.units)


def other_hours_words(result: Result) -> str:
    """Say that the lies told of stand out at other hours than the first scene's own; "" where some do then."""
    scene, outlook = result.first
    if ranked(result.lies, scene) or not best_lies(result.lies, scene, result.visit.hours):
        return ""
    return f"No lie stands out at {outlook.scene.when:%H:%M}, the hour of the scene; these do at others of its day."


def order_words(result: Result, scene: str) -> str:
    """How the hours of a scene's order were come to, where it doesn't begin at the scene's own, and what it leaves out.

    "" where there is nothing to tell.
    """
    order, day, words = result.visit.orders[scene], result.days.get(scene), list[str]()
    if len(order) and day is not None and order["step"].iloc[0] != day.step_of(result.outlooks[scene].scene.when):
        words.append("at the hours that suit most of them")
    bank = order.attrs.get("bank", "either")
    if bank != "either":
        words.append(f"all from the {bank} bank (looking downstream), as nobody should wade across")
    *others, last = order.attrs.get("late") or [0]
    if last:
        numbers = f"lies {', '.join(map(str, others))} and {last} are" if others else f"lie {last} is"
        words.append(f"{numbers} left out, as it would be past midnight")
    told = "; ".join(words)
    return told[:1].upper() + told[1:]


def in_its_units(findings: Iterable[Finding], beat: Beat) -> tuple[Finding, ...]:
    """What the water's working out found, in the units the beat asks for."""
    return tuple(replace(f, what=printed(f.what, beat), remedy=printed(f.remedy, beat)) for f in findings)


COLOUR_WORDS = (
    ("keeps its colour", "keep their colour"),
    ("shows light", "show light"),
    ("shows dark", "show dark"),
    ("fades", "fade"),
)
"""Verdicts on a colour (`sight.colours`), of one and of several."""


def fly_words(result: Result, scene: str, number: int) -> str:
    """What becomes of the colours of a fly at a lie in a scene, and how far off; "" where it can't be told."""
    seen = result.visit.seen[scene].get(number, {})
    verdicts = seen.get("colours")
    if not isinstance(verdicts, Mapping) or seen.get("range_m", SEEN_LEAST_M) < SEEN_LEAST_M:
        return ""
    parts = []
    for one, several in COLOUR_WORDS:
        *others, last = [name for name, verdict in verdicts.items() if verdict == one] or [""]
        if last:
            parts.append(f"{', '.join(others)} and {last} {several}" if others else f"{last} {one}")
    return f"at {round(seen['colours_at_m'], 1):g} m {'; '.join(parts)}" if parts else ""


def fish_words(fish: Fish) -> str:
    """The fish that lies are scored for."""
    return f"{fish.species} trout of {100 * fish.length_m:.0f} cm"


def level_words(channel: Channel, lead: str = "") -> str:
    """How the water stands against the survey's, after some `lead`; "" at its level.

    Two maps of one beat at two levels must not be taken for each other.
    """
    if abs(channel.stage_m) < LEAST_LEVEL_M:
        return ""
    side = "above" if channel.stage_m > 0 else "below"
    return f"{lead}water {abs(channel.stage_m):.2f} m {side} the survey's level"


def engine_words(result: Result, lead: str = "") -> str:
    """Say which engine scored the lies, after some `lead`; "" if the ordinary one did."""
    return scored_words(result.first[1].holding.engine, result.curves, lead)


def scored_words(engine: str, curves: Curves, lead: str = "") -> str:
    """Say of an engine that it scored, and whether its food is known, after some `lead`; "" of the ordinary one."""
    if engine == "ordinary":
        return ""
    known = not any(curves.entries[key]["source"].startswith("placeholder") for key in FOOD)
    return f"{lead}scored by the {engine} engine" + ("" if known else ", with an assumed amount of food")


def let_be_words(visit: Visit) -> str:
    """Say that the water is too warm to fish for trout; "" where it isn't, or nobody measured it.

    A ranking of beats must not send anyone to water whose own map says to let the fish be.
    """
    brief = next((caution.brief for caution in visit.cautions if caution.key == "warm"), "").rstrip(".")
    return brief[:1].lower() + brief[1:]


def water_words(water: Water) -> str:
    """How clear and how warm the water of a scene is."""
    warm = "" if water.temperature_c is None else f" and {printed_celsius(water.temperature_c):g} C"
    return f"water {clear_words(water)}{warm}"


def clear_words(water: Water) -> str:
    """How clear water is: as it was judged, and where that was not by a white thing as the map's page has it too."""
    beside = f" {JUDGED[water.how]} ({white_clarity_m(water):.3g} m by a white cup)" if water.how in JUDGED else ""
    # Three figures, so that feet typed with one decimal come back as they were.
    return f"clear to {water.clarity_m:.3g} m{beside}"


def guess_line(channel: Channel) -> str:
    """Say plainly what was not measured, "" if everything was."""
    depth = [f"DEPTH IS A GUESS: {sounded_words(channel)}"] if channel.depth_guessed else []
    speed = ["SPEED IS RELATIVE ONLY: no speed measured and no flow known"] if channel.speed_relative else []
    return "; ".join(depth + speed)


def sounded_words(channel: Channel) -> str:
    """What was sounded where the depth is a guess."""
    used = channel.report.get("soundings_used", 0)
    return f"only {used} sounding{'s' if used > 1 else ''}" if used else "no soundings"


def beside_words(channel: Channel) -> str:
    """Of how much of the water the error of soundings left out says nothing, to be added to it; "" where of little."""
    share = channel.report.get("beside_soundings", 0.0)
    return f"; along what was sounded, {share:.0%} of the water lies beside it" if share >= MUCH_BESIDE else ""


def _scene_lines(result: Result, scene: str) -> list[str]:
    """The best lies of one scene, two lines each."""
    table = result.lies.scenes[scene]
    out = []
    for number in ranked(result.lies, scene)[:BEST]:
        row, kind = table.loc[number], result.lies.table.loc[number, "kind"]
        draws = of_hundred(row["sure"])
        sure = "" if draws is None else f", in the top five in {draws} % of draws"
        out += [f"  {int(row['rank'])}. lie {number} ({kind}), score {row['score']:.2f}{sure}", f"     {row['why']}"]
        out += [f"     your note: {as_typed(text)}" for text in notes_at(result, number)]
    return out


def of_hundred(share: float) -> int | None:
    """In how many of a hundred draws at least, so that a hundred are all of them; None if there were no draws."""
    return math.floor(100 * share + 1e-9) if math.isfinite(share) else None


def _doubt_line(result: Result, scene: str) -> list[str]:
    """Which input's doubt moves the ranking most."""
    table = result.lies.report.get("sensitivity", {}).get(scene)
    most = result.lies.report.get("matters_most", {}).get(scene, "none")
    if not table or most == "none":
        return []
    moves = ", ".join(f"{name} {values['moves']:.1f}" for name, values in sorted(table.items()))
    return [f"  what matters most for this ranking: {most} (places a lie moves when one input is off: {moves})"]


def _error_lines(result: Result) -> list[str]:
    """Errors measured on this beat by leaving measurements out."""
    report, out = result.channel.report, []
    for key, unit, label in (("heldout_depth", "m", "depth"), ("heldout_speed", "m/s", "speed")):
        held = report.get(key)
        if held and held.get("n"):
            out.append(
                f"  - {label} left out by {held.get('how', 'groups')} and predicted: "
                f"off by {held['rmse']:.2f} {unit} (root mean square of {held['n']}){beside_words(result.channel)}"
            )
    if report.get("max_sounding_m"):
        out.append(f"  - nothing deeper than {report['max_sounding_m']:.2f} m was ever sounded")
    out = out or ["  - no measurement to test it with"]
    return [*out, *(f"  - {words}" for words in (*draw_words(result), moment_words(result.lies)) if words)]


def draw_words(result: Result) -> list[str]:
    """What a draw is, where the lies of a scene were drawn."""
    if not any(table["sure"].notna().any() for table in result.lies.scenes.values()):
        return []
    draws = result.lies.report["draws"]
    drawn = "depth, speed, clarity" + (", the food" if result.first[1].holding.engine == "energy" else "")
    return [f"one of {draws} draws is the ranking anew with {drawn} and weights off by what they may be off"]
