"""A whole day of light: shade of sun and moon at every step, packed; lux at the bed for any of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import date
from typing import Any

import numpy as np

from reachmap.beat.model import Scene, Water
from reachmap.channel.model import Channel
from reachmap.constants import STEP_MIN
from reachmap.errors import SettingError
from reachmap.light.bed import BedLight, bed_terms
from reachmap.light.bodies import casts, day_events, steps_of, suns_and_moons
from reachmap.light.edge import cells_beside, sun_part
from reachmap.light.eye import HISTORY_MIN, eye_after, next_eye
from reachmap.light.model import Body, DayLight
from reachmap.light.shade import Shade, prepare_shade
from reachmap.light.water import clarity_to_attenuation
from reachmap.threads import side_by_side

Keep = Callable[[dict[str, Any], Callable[[], dict[str, np.ndarray]]], dict[str, np.ndarray]]

LIKE_DEG = 0.75
"""The shade of two suns so near to one another is taken as the same [deg]; assumed. The sun is 0.53 deg wide and goes
0.75 deg in three minutes."""

SHADED = 0.5
"""A cell counts as shaded while less than this share of the sun's beam reaches it [-]; assumed."""


def light_through_day(
    channel: Channel,
    day: date,
    shade: Shade | None = None,
    step_min: int = STEP_MIN,
    leaf_on: bool | None = None,
    keep: Keep | None = None,
    like: DayLight | None = None,
) -> DayLight:
    """Sun, moon and their shade from midnight to midnight by the beat's clock, free of cloud and water.

    Parameters
    ----------
    channel : the water
    day : local date; 23 or 25 hours long where the clocks change
    shade : from `prepare_shade` of this channel; None lays it out anew
    step_min : minutes from step to step, 1-60
    leaf_on : leaves on the trees; None: as the shade says, else by date and hemisphere
    keep : called with what the shade depends on besides the channel and with the function that works it out, may give
        arrays worked out before
    like : another day of the same water with the same steps, whose shade of the sun serves where leaves are alike and
        the sun stands within `LIKE_DEG` of where it stood then
    """
    if not 1 <= step_min <= 60:
        raise SettingError(f"step_min {step_min}: can't be. Use 1 to 60 minutes.")
    shade = shade or prepare_shade(channel)
    beat = channel.beat
    leaves = shade.leaves(leaf_on, day)
    times = steps_of(day, beat.time_zone, step_min)
    bodies = suns_and_moons(times, beat.lat, beat.lon)

    def work_out() -> dict[str, np.ndarray]:
        shares = np.zeros((2, len(times), shade.n_places), np.uint8)

        def lay(step: int) -> None:
            for which, body in enumerate(bodies[step]):
                if which == 0 and like is not None and _shades_alike(like, step, body, leaves):
                    shares[0, step] = like.sun_share[step]
                elif casts(body, bodies[step][0]):
                    shares[which, step] = np.rint(255.0 * shade.beam_of_day(body, leaves))

        side_by_side(lay, range(len(bodies)))
        clear, overcast = shade.sky(leaves)
        return {"sun": shares[0], "moon": shares[1], "clear": clear, "overcast": overcast}

    settings = {"day": day.isoformat(), "step_min": step_min, "leaves": leaves, "like": like and like.date.isoformat()}
    found = keep(settings, work_out) if keep else work_out()
    shade.know_sky(leaves, found["clear"], found["overcast"])
    events = day_events(times, bodies, beat.lat, beat.lon)
    suns, moons = zip(*bodies, strict=True)
    return DayLight(
        times, suns, moons, found["sun"], found["moon"], found["clear"], found["overcast"], events, shade.place, leaves
    )


def _shades_alike(like: DayLight, step: int, sun: Body, leaves: bool) -> bool:
    """Whether another day's shade of the sun at a step serves for a sun and leaves."""
    if step >= len(like.sun) or like.leaf_on != leaves:
        return False
    other = like.sun[step]
    return casts(sun, sun) and casts(other, other) and _apart_deg(sun, other) <= LIKE_DEG


def _apart_deg(one: Body, other: Body) -> float:
    """Angle between two places in the sky [deg]."""
    (a, b), turn = np.radians([one.altitude_deg, other.altitude_deg]), math.radians(one.azimuth_deg - other.azimuth_deg)
    # The haversine keeps its figures for small angles.
    square = math.sin((a - b) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(turn / 2) ** 2
    return math.degrees(2 * math.asin(math.sqrt(min(1.0, square))))


def light_of_scenes(
    channel: Channel, scenes: Iterable[Scene], shade: Shade | None = None, keep: Keep | None = None
) -> dict[str, DayLight]:
    """The whole day of every scene by its name; scenes of one day with leaves alike share one.

    Parameters
    ----------
    channel, shade, keep : as for `light_through_day`
    scenes : their days count by the beat's clock
    """
    shade = shade or prepare_shade(channel)
    found: dict[tuple[date, bool], DayLight] = {}
    out: dict[str, DayLight] = {}
    for scene in scenes:
        day = channel.beat.local(scene.when).date()
        key = day, shade.leaves(scene.leaf_on, day)
        if key not in found:
            # The first of its kind, which has no shade of another day itself.
            like = next((one for one in found.values() if one.leaf_on == key[1]), None)
            found[key] = light_through_day(channel, day, shade, leaf_on=key[1], keep=keep, like=like)
        out[scene.name] = found[key]
    return out


def lux_through_day(
    channel: Channel, day: DayLight, cloud: float, water: Water, cells: np.ndarray | None = None, glow_lux: float = 0.0
) -> np.ndarray:
    """Light at the bed at every step [lux], float32 (n_steps, n_cells).

    Parameters
    ----------
    channel, day : the water and its day
    cloud : oktas all day
    water : clarity and colour
    cells : positions in the wet vector; None takes all (mind the memory)
    glow_lux : glow of a town [lux]
    """
    kd = clarity_to_attenuation(water)[0]
    which = slice(None) if cells is None else cells
    column = day.columns(which)
    depth, clear, overcast = channel["depth"][which], day.sky_clear[which], day.sky_overcast[which]
    bed = BedLight(clear, overcast, kd, depth)
    out = np.empty((len(day.times), len(depth)), np.float32)
    for k, (sun, moon) in enumerate(zip(day.sun, day.moon, strict=True)):
        sun_share, moon_share = day.sun_share[k][column] / 255.0, day.moon_share[k][column] / 255.0
        out[k] = bed.at(bed_terms(sun, moon, cloud, glow_lux), sun_share, moon_share)
    return out


def edge_through_day(
    channel: Channel, day: DayLight, cloud: float, cells: np.ndarray, glow_lux: float = 0.0
) -> np.ndarray:
    """The edge of the shade at every step, 0-1, float32 (n_steps, n_cells), see `shade_edge`.

    Parameters
    ----------
    channel, day, cloud, glow_lux : as for `lux_through_day`
    cells : positions in the wet vector
    """
    own = day.sun_on(cells)
    best = own.copy()
    for beside in cells_beside(channel.grid, cells):
        np.maximum(best, np.where(beside >= 0, day.sun_on(beside), 0), out=best)
    bodies = zip(day.sun, day.moon, strict=True)
    part = np.array([sun_part(bed_terms(sun, moon, cloud, glow_lux)) / 255 for sun, moon in bodies], np.float32)
    return (best - own) * part[:, None]


def eye_through_day(lux: np.ndarray, step_min: float, species: str) -> np.ndarray:
    """State of the eye at every step, float32 of the shape of `lux` (n_steps, n_cells).

    What the eye had before midnight is taken from the day's other end, as the evening before was much the same.
    """
    out = np.empty(lux.shape, np.float32)
    state = eye_after(lux[-round(HISTORY_MIN / step_min) :], step_min, species)
    for k, now in enumerate(lux):
        state = next_eye(state, now, step_min, species)
        out[k] = state
    return out
