"""What changes between two scenes (or fish, or engines) on the same water, lie by lie, and which factor did it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from reachmap.channel.model import Channel
from reachmap.errors import SettingError
from reachmap.layers import Derived, WetCells
from reachmap.trout.model import FACTORS, Comparison, Holding, Lies
from reachmap.trout.score import losses

STEADY = 0.05
"""A lie whose score moves less than this holds; assumed, about what the inputs' own errors do."""

UNMOVED = 0.005
"""A score that moves less shows no change in two decimals, so none is explained where a lie holds."""

GOOD = 0.5
"""The paragraph tells what share of the water scores above this; assumed."""

NAMED = 5
"""So many lies are named and the others counted, if they are several; assumed."""

MOVED_WORDS = {
    "food": ("the drift past it suits better", "the drift past it suits worse"),
    "nose": ("the current at the nose suits better", "the current at the nose suits worse"),
    "depth": ("its depth suits better", "its depth suits worse"),
    "light, less": ("the bed is less bright", "there is less light to see by"),
    "light, more": ("there is more light to see by", "the bed is brighter"),
    "light, day to night": ("the glare is gone", "there is little light to see by"),
    "light, night to day": ("there is light to see by", "the bed is bright"),
    "light, another fish by day": ("this fish minds the light less", "this fish minds the light more"),
    "light, another fish by night": ("this fish makes do with less light", "this fish needs more light"),
    "food, another engine": ("by energy the food counts for more", "by energy the food counts for less"),
    "nose, another engine": ("by energy swimming there is cheap", "by energy swimming there costs too much"),
    "cover": ("cover matters less", "cover is missed more"),
    "seam": ("the seam counts more", "the seam counts less"),
}
"""Factor -> words for a change for the better and for the worse."""

GLARE_LUX = 2000.0
"""Light at the bed from which the bed is called bright and its light glare [lux]; by day less of it would suit better
from about here up (assumed)."""

MOST_LOSS = 20.0
"""A factor at 0 costs this much in the comparison, where infinity would hide all others; assumed."""


def compare(
    channel: Channel,
    before: Holding,
    after: Holding,
    lies: Lies,
    after_channel: Channel | None = None,
    called: tuple[str, str] | None = None,
) -> Comparison:
    """Compare two scores of the same beat.

    Parameters
    ----------
    channel : the water `before` was scored on and `lies` were found on
    before, after : two scenes, stages, clarities, fish or engines
    lies : the lies they are told by
    after_channel : the water `after` was scored on, if that is another (another stage or cell size); where it is dry
        the score after is 0, for want of depth
    called : what to call both; None names the scene, and the fish, engine and level where they differ

    Raises
    ------
    SettingError : a score doesn't belong to the channel it was said to
    """
    moved = after if after_channel is None else _carried(after, after_channel, channel)
    cells = {len(before["hold"]), len(moved["hold"]), channel.grid.n_wet}
    if len(cells) != 1:
        raise SettingError(
            f"the two scores cover different numbers of wet cells ({sorted(cells)}). "
            "Name the second channel as well, or compare scores of one channel"
        )
    least = float(lies.report["least_score"])
    table = _table(before, moved, lies, least)
    names: tuple[str, ...] = (_name(before, after), _name(after, before))
    if after_channel is not None and after_channel.stage_m != channel.stage_m:
        names = tuple(f"{n} at {c.stage_m:+.2f} m" for n, c in zip(names, (channel, after_channel), strict=True))
    names = called or names
    difference = (moved["hold"] - before["hold"]).astype(np.float32)
    return Comparison(names[0], names[1], difference, table, _told(before, after, table, least))


def _carried(holding: Holding, there: Channel, here: Channel) -> Holding:
    """A score brought onto the cells of another channel by position; dry cells get no depth and so no score."""
    index = there.grid.locate(here.grid.x, here.grid.y)
    wet = index >= 0

    depth_number = np.float32(FACTORS.index("depth") + 1)
    dry = {name: depth_number if name == "limiting" else np.float32(0.0) for name in holding.layers}

    def carried(name: str, cells: WetCells) -> np.ndarray:
        return np.where(wet[cells], holding.at(name, index[cells]), dry[name])

    layers = Derived(tuple(holding.layers), carried, here.grid.n_wet)

    def carry(factors: Derived) -> Derived:
        def read(name: str, cells: WetCells) -> np.ndarray:
            return np.where(wet[cells], factors.part(name, index[cells]), np.float32(name != "depth"))

        return Derived(FACTORS, read, here.grid.n_wet)

    day, night = carry(holding.factors_day), carry(holding.factors_night)
    return replace(holding, layers=layers, factors_day=day, factors_night=night)


def _name(one: Holding, other: Holding) -> str:
    """The scene's name, with the fish and the engine where those differ."""
    parts = [one.scene.name]
    if one.fish != other.fish:
        parts.append(f"{one.fish.species} of {100 * one.fish.length_m:.0f} cm")
    if one.engine != other.engine:
        parts.append(f"{one.engine} engine")
    return ", ".join(parts)


def _table(before: Holding, after: Holding, lies: Lies, least: float) -> pd.DataFrame:
    """Scores before and after, what becomes of each lie, and the factor that moved most; those of neither left out."""
    rows = {}
    for number, own in lies.cells.items():
        was, now = float(before["hold"][own].mean()), float(after["hold"][own].mean())
        if max(was, now) < least:
            continue
        what, factor, words = _what(was, now, least), "", "nothing moved"
        if what != "holds" or abs(now - was) >= UNMOVED:
            factor = _moved(before, after, own, now - was)
            words = MOVED_WORDS[_key(before, after, own, factor)][0 if now >= was else 1]
        rows[number] = (was, now, now - was, what, factor, words)
    columns = ["before", "after", "gain", "what", "factor", "why"]
    return pd.DataFrame([*rows.values()], columns=columns, index=pd.Index([*rows], dtype=int, name="lie"))


def _key(before: Holding, after: Holding, cells: np.ndarray, factor: str) -> str:
    """Which words of `MOVED_WORDS` fit the change of a factor."""
    if factor in ("food", "nose") and (before.engine, after.engine) == ("ordinary", "energy"):
        return f"{factor}, another engine"
    if factor != "light":
        return factor
    was, now = ("day" if _by_day(h, cells) else "night" for h in (before, after))
    if before.fish != after.fish and before.scene == replace(after.scene, name=before.scene.name):
        return f"light, another fish by {now}"
    old, new = (float(h.at("light_bed", cells).mean()) for h in (before, after))
    # Day and night only where the light changes with the eye: about dusk the eye may lag behind it.
    if was != now and (new > old) == (now == "day") and max(old, new) >= GLARE_LUX:
        return f"light, {was} to {now}"
    return "light, more" if new > old else "light, less"


def _what(was: float, now: float, least: float) -> str:
    """One of `CHANGES`: a lie is there from `least` up."""
    if was < least <= now:
        return "appears"
    if now < least <= was:
        return "vanishes"
    if abs(now - was) < STEADY:
        return "holds"
    return "gains" if now > was else "loses"


def _moved(before: Holding, after: Holding, cells: np.ndarray, gain: float) -> str:
    """The factor whose share of the logarithm of the score moved most in the direction of the change."""
    change = _share(before, cells) - _share(after, cells)
    return FACTORS[int((change if gain >= 0 else -change).argmax())]


def _share(holding: Holding, cells: np.ndarray) -> np.ndarray:
    """What each factor takes off the logarithm of the score, by the eye that counts more there (6,)."""
    by_day = _by_day(holding, cells)
    factors = holding.factors_day if by_day else holding.factors_night
    weight = holding.weights_day if by_day else holding.weights_night
    cost = losses(factors.at(cells), weight)
    return np.minimum(cost, MOST_LOSS).mean(axis=1) / max(sum(weight.values()), 1e-9)


def _by_day(holding: Holding, cells: np.ndarray) -> bool:
    """True where the score follows the day eye more than the night eye."""
    day, night, now = (holding.at(name, cells).mean() for name in ("hold_day", "hold_night", "hold"))
    return bool(abs(now - day) <= abs(now - night))


def _told(before: Holding, after: Holding, table: pd.DataFrame, least: float) -> str:
    """The comparison in a few sentences, but for the names it begins with; a lie is there from `least` up.

    Each share is that of its own water, whose cells may be others.
    """
    was, now = (100 * float((h["hold"] > GOOD).mean()) for h in (before, after))
    turn = "grows" if now > was + 1 else "shrinks" if now < was - 1 else "stays"
    text = [
        f"the share of the water that scores above {GOOD:g} {turn}"
        + (f" at {now:.0f} %." if turn == "stays" else f" from {was:.0f} to {now:.0f} %.")
    ]
    for what, verb in (("appears", "appear"), ("gains", "gain"), ("loses", "lose"), ("vanishes", "vanish")):
        some = table[table["what"] == what].sort_values("gain", key=abs, ascending=False)
        if len(some):
            text.append(f"{_lies(some.index)} {verb if len(some) > 1 else what}, mostly because {_mostly(some)}.")
    steady = int((table["what"] == "holds").sum())
    text += [f"{steady} of {len(table)} {'lies hold' if steady > 1 else 'lies holds'}."] if steady else []
    text.append(_best(table, least))
    return " ".join(text)


def _best(table: pd.DataFrame, least: float) -> str:
    """Whether the best lie stays the best; none is that scores below `least`."""
    if len(table) == 0:
        return "No lie stands out in either."
    was, now = int(table["before"].idxmax()), int(table["after"].idxmax())
    if table["after"].max() < least:
        return "No lie stands out after."
    if table["before"].max() < least:
        return f"No lie stood out before; the best is lie {now}."
    return f"Lie {was} stays the best." if was == now else f"The best is lie {now} instead of {was}."


def _lies(numbers: Sequence[int]) -> str:
    """Lie 3; Lies 3 and 5; Lies 3, 5, 8, 9, 12 and 7 others: those that change most come first."""
    several = len(numbers) > NAMED + 1
    words = [str(n) for n in (numbers[:NAMED] if several else numbers)]
    if several:
        # Not a bare count, which would read as the number of a lie.
        words.append(f"{len(numbers) - NAMED} others")
    return f"Lie {words[0]}" if len(words) == 1 else f"Lies {', '.join(words[:-1])} and {words[-1]}"


def _mostly(some: pd.DataFrame) -> str:
    """The commonest reason among some lies; among equals the one of the greatest change."""
    strength = some["gain"].abs().groupby(some["why"]).agg(["size", "sum"])
    return str(strength.sort_values(["size", "sum"], ascending=False).index[0])
