"""The light of one scene."""

from __future__ import annotations

from datetime import UTC, timedelta

import numpy as np

from reachmap.beat.model import Scene
from reachmap.channel.model import Channel
from reachmap.light.bed import BedLight, bed_terms
from reachmap.light.bodies import sun_and_moon
from reachmap.light.cloud import beam_and_diffuse
from reachmap.light.edge import shade_edge
from reachmap.light.eye import HISTORY_MIN, eye_after
from reachmap.light.model import Light
from reachmap.light.shade import Shade, prepare_shade
from reachmap.light.water import clarity_to_attenuation

STEP_MIN = 10
"""Step of the light's history [min]."""


def light_at(channel: Channel, scene: Scene, shade: Shade | None = None) -> Light:
    """Light at the bed of every cell, from where, and the state of the fish's eye.

    Parameters
    ----------
    channel : the water; depth and overhead cover are used
    scene : moment, cloud, water, leaf state
    shade : from `prepare_shade` of this channel; None lays it out anew

    Returns
    -------
    Light : layers light_bed [lux], shade_edge, sun_share (of sun and moon together, weighed by their beams),
        sky_share (weighed by cloud), eye_day. The light before the scene is worked out with the shade of the scene.

    Raises
    ------
    SettingError : the water can't be as described
    """
    shade = shade or prepare_shade(channel)
    beat, cloud = channel.beat, float(scene.cloud)
    kd, c, sight = clarity_to_attenuation(scene.water)
    leaf_on = shade.leaves(scene.leaf_on, scene.when.date())
    sun, moon = sun_and_moon(scene.when, beat.lat, beat.lon)
    beams = [shade.beam(body, leaf_on) for body in (sun, moon)]
    clear, overcast = shade.sky(leaf_on)

    bed = BedLight(clear, overcast, kd, channel["depth"])

    def lit(minutes_ago: int) -> np.ndarray:
        before = sun_and_moon(scene.when.astimezone(UTC) - timedelta(minutes=minutes_ago), beat.lat, beat.lon)
        return bed.at(bed_terms(*before, cloud, scene.town_glow_lux), *beams)

    history = (lit(minutes) for minutes in range(HISTORY_MIN, -1, -STEP_MIN))
    sun_beam, moon_beam, diffuse = beam_and_diffuse(sun, moon, cloud, scene.town_glow_lux)
    n = cloud / 8.0
    now = bed_terms(sun, moon, cloud, scene.town_glow_lux)
    layers = {
        "light_bed": lit(0),
        "shade_edge": shade_edge(channel.grid, beams[0], now),
        "sun_share": _together(sun_beam, moon_beam, beams, sun.altitude_deg),
        "sky_share": (1.0 - n) * clear + n * overcast,
        "eye_day": eye_after(history, STEP_MIN, beat.fish.species),
    }
    layers = {name: values.astype(np.float32) for name, values in layers.items()}
    return Light(scene, sun, moon, sun_beam + moon_beam, diffuse, kd, c, sight, layers)


def _together(sun_beam: float, moon_beam: float, beams: list[np.ndarray], sun_altitude_deg: float) -> np.ndarray:
    """Share of both beams that reaches the bed; by the sun while it is up, else by the moon, when cloud takes both."""
    if sun_beam + moon_beam > 0.0:
        return (sun_beam * beams[0] + moon_beam * beams[1]) / (sun_beam + moon_beam)
    return beams[0] if sun_altitude_deg > 0.0 else beams[1]
