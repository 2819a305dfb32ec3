"""Wading classes from depth times speed, and the cautions that always go with a map."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from reachmap.beat.model import Beat, Scene
from reachmap.beat.warmth import looks_as_warm, printed_celsius
from reachmap.channel.confidence import mostly_guessed
from reachmap.channel.model import Channel
from reachmap.layers import WetCells
from reachmap.visit.model import Caution

STRONG_M2_S, STOP_M2_S = 0.3, 0.6
"""Depth times speed where strong care starts and where nobody should wade [m2/s].

0.6 is the upper bound of the hazard classes H2 and H3 for people in floods (D V <= 0.6, FB03 2023 / AIDR 7-3); 0.3 that
of H1. The map's classes are assumed from them; the anglers' rule of thumb (10 ft2/s = 0.93 m2/s) is laxer."""

STOP_DEPTH_M, STOP_SPEED_M_S = 1.0, 1.2
"""Depth and speed beyond which the class is 3 whatever the product (assumed; wading by adults is dangerous above
1.2 m of still water or 0.8 m/s in the shallows: EMA, in the slides of AR&R project 10, 2011)."""

UNSURE = 1.3
"""Depth, speed and their product count this much more at night, and once more for unsure waders (assumed)."""

WARM_C, STOP_C = 18.0, 20.0
"""Water temperature that calls for care, and from which fish should be left alone [degC] (20.0 C = 68 F: agency lines
of Arizona, Yellowstone; 18 assumed)."""

SPAWNING = {"brown": (9, 10, 11, 12), "brook": (9, 10), "rainbow": (3, 4, 5), "cutthroat": (4, 5, 6, 7)}
"""Months in which redds are likely in the north, by species (angling pages; check the local regulations)."""


RULES = Caution(
    "rules", "Local rules, access and the advice of licensed guides come first.", "Local rules and guides come first."
)

ALWAYS = (
    Caution("stage", "The water can rise without warning; know your way out before you wade in."),
    Caution("cold", "Cold water takes breath in a minute and strength in ten; do not wade alone."),
    Caution(
        "dark",
        "After dark every class is harder: scout by day, carry a light, tell someone.",
        "After dark carry a light.",
        after_dark=True,
    ),
    Caution("lightning", "Leave the water when you hear thunder and wait 30 minutes (common practice)."),
)

OPEN_ENDS = {"mouth", "head-far"}
"""Findings after which part of an end of the reach may be mapped as a bank."""

STANDING_CAUTIONS = tuple(
    caution.text
    for caution in (
        RULES,
        *ALWAYS,
        Caution("redd", "Keep off clean gravel in spawning season; wade nowhere near a redd."),
    )
)
"""What holds for anyone who goes in to measure."""


def wading_class(depth: np.ndarray, speed: np.ndarray, night: bool = False, unsure: bool = False) -> np.ndarray:
    """1 usual care, 2 strong care, 3 do not wade, from depth [m] and depth-mean speed [m/s] (n_wet,) float32."""
    harder = UNSURE ** (night + unsure)
    product = depth * speed * harder
    stop = (product >= STOP_M2_S) | (depth * harder > STOP_DEPTH_M) | (speed * harder > STOP_SPEED_M_S)
    rest = np.where(product >= STRONG_M2_S, np.float32(2), np.float32(1))
    return np.where(stop, np.float32(3), rest)


def spawning_now(beat: Beat, scene: Scene) -> bool:
    """True if redds of the beat's species are likely at the scene's date; half a year later in the south."""
    month = beat.local(scene.when).month
    month = month if beat.lat >= 0 else (month + 5) % 12 + 1
    return month in SPAWNING[beat.fish.species]


def redds(channel: Channel, scenes: Iterable[Scene], cells: WetCells = slice(None)) -> np.ndarray:
    """1 where spawning gravel is likely, in the season of any of some scenes, else 0, in some cells (n,) float32.

    Depth 0.15-0.5 m and speed 0.25-0.6 m/s, around the means 0.317 m and 0.394 m/s of spawning brown trout
    (Shirvell & Dungey 1983, TAFS); the width of the bands is assumed.
    """
    depth, speed = channel["depth"][cells], channel["speed"][cells]
    if not any(spawning_now(channel.beat, scene) for scene in scenes):
        return np.zeros(len(depth), np.float32)
    return ((depth > 0.15) & (depth < 0.5) & (speed > 0.25) & (speed < 0.6)).astype(np.float32)


def cautions(channel: Channel, scenes: Iterable[Scene]) -> tuple[Caution, ...]:
    """The cautions of a map, the gravest first."""
    out = [
        RULES,
        Caution(
            "estimate",
            "Depths and speeds are estimates: test every step, use a staff and a belt.",
            "Depths are estimates: test every step.",
        ),
        Caution(
            "promise",
            "The map ranks places; it promises no fish and no safe footing.",
            "No fish and no footing promised.",
        ),
        *ALWAYS,
    ]
    if channel.depth_guessed or channel.speed_relative:
        guess = "Depth or speed here is a guess, not a measurement: do not wade by it."
        out.insert(0, Caution("guess", guess, "Depth or speed is a guess: do not wade by it."))
    elif mostly_guessed(channel["confidence"]):
        guess = "Over most of this water the depth is hardly better than a guess: do not wade by it."
        out.insert(0, Caution("guess", guess, "Over most of it depth is a guess: do not wade by it."))
    if OPEN_ENDS & {finding.code for finding in channel.findings}:
        line = "Near an end of this water what is mapped as a bank may be open, deep water: keep off there."
        out.insert(0, Caution("mouth", line, "A bank near an end may be open, deep water."))
    scenes = [*scenes]
    known = [s.water.temperature_c for s in scenes if s.water.temperature_c is not None]
    warm = max(known, default=channel.beat.water.temperature_c)
    # Where scenes differ, that of the warmest counts.
    the_water = "In the warmest scene the water" if len(set(known)) > 1 else "The water"
    # By what is printed, for nobody understands another advice beside the same number.
    shown = "" if warm is None else f"{printed_celsius(warm):g} C"
    if warm is not None and looks_as_warm(warm, STOP_C):
        let_be = f"{the_water} is {shown}: let the fish be until it cools."
        least = min(celsius for celsius in (*known, warm) if looks_as_warm(celsius, STOP_C))
        out.insert(0, Caution("warm", let_be, f"Water of {shown}: let the fish be.", from_c=least))
    elif warm is not None and looks_as_warm(warm, WARM_C):
        out.append(Caution("warm", f"{the_water} is {shown}: land fish fast, keep them wet, stop at {STOP_C:g} C."))
    else:
        out.append(Caution("warm", f"Measure the water: care from {WARM_C:g} C, no fishing from {STOP_C:g} C."))
    if any(spawning_now(channel.beat, scene) for scene in scenes):
        redd = "Spawning season: keep off clean gravel; wade nowhere near a redd."
        out.append(Caution("redd", redd, "Spawning season: keep off clean gravel.", in_season=True))
    return tuple(out)
