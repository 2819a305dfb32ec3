"""The light of one scene."""

from __future__ import annotations

from datetime import UTC, timedelta

import numpy as np

from reachmap.beat.model import Scene
from reachmap.channel.model import Channel
from reachmap.constants import STEP_MIN
from reachmap.layers import Derived, WetCells
from reachmap.light.bed import BedLight, bed_terms
from reachmap.light.bodies import DOWN_DEG, casts, sun_and_moon, suns_and_moons
from reachmap.light.cloud import beam_and_diffuse
from reachmap.light.edge import shade_edge
from reachmap.light.eye import HISTORY_MIN, eye_after
from reachmap.light.model import Light
from reachmap.light.shade import Shade, prepare_shade
from reachmap.light.water import clarity_to_attenuation
from reachmap.threads import pieces, side_by_side


def light_at(channel: Channel, scene: Scene, shade: Shade | None = None) -> Light:
    """Light at the bed of every cell, from where, and the state of the fish's eye.

    Parameters
    ----------
    channel : the water; depth and overhead cover are used
    scene : moment, cloud, water, leaf state
    shade : from `prepare_shade` of this channel; None lays it out anew

    Returns
    -------
    Light : layers light_bed [lux], shade_edge, sun_share (of the sun while it is up, else of the moon), sky_share
        (weighed by cloud), eye_day. The light before the scene is worked out with the shade of the scene.

    Raises
    ------
    SettingError : the water can't be as described
    """
    shade = shade or prepare_shade(channel)
    beat, cloud = channel.beat, float(scene.cloud)
    kd, c = clarity_to_attenuation(scene.water)
    leaf_on = shade.leaves(scene.leaf_on, beat.local(scene.when).date())
    sun, moon = sun_and_moon(scene.when, beat.lat, beat.lon)
    nothing = np.zeros(channel.grid.n_wet, np.float32)
    beams = [shade.beam(body, leaf_on) if casts(body, sun) else nothing for body in (sun, moon)]
    clear, overcast = shade.sky(leaf_on)

    sun_beam, moon_beam, diffuse = beam_and_diffuse(sun, moon, cloud, scene.town_glow_lux)
    n = cloud / 8.0
    start = scene.when.astimezone(UTC)
    before = [start - timedelta(minutes=minutes) for minutes in range(HISTORY_MIN, -1, -STEP_MIN)]
    history = [bed_terms(*pair, cloud, scene.town_glow_lux) for pair in suns_and_moons(before, beat.lat, beat.lon)]
    now = history[-1]
    layers = {name: np.empty(channel.grid.n_wet, np.float32) for name in ("light_bed", "shade_edge", "eye_day")}
    layers["sun_share"] = beams[0] if sun.altitude_deg > DOWN_DEG else beams[1]

    def shine(cells: slice) -> None:
        sunlit, moonlit = (beam[cells] for beam in beams)
        bed = BedLight(clear[cells], overcast[cells], kd, channel["depth"][cells])
        past = (bed.at(terms, sunlit, moonlit) for terms in history)
        layers["light_bed"][cells] = bed.at(now, sunlit, moonlit)
        layers["shade_edge"][cells] = shade_edge(channel.grid, beams[0], now, cells)
        layers["eye_day"][cells] = eye_after(past, STEP_MIN, beat.fish.species)

    side_by_side(shine, pieces(channel.grid.n_wet))

    def sky_share(_: str, cells: WetCells) -> np.ndarray:
        return (np.float32(1.0 - n) * clear[cells] + np.float32(n) * overcast[cells]).astype(np.float32)

    everything = Derived(("sky_share",), sky_share, channel.grid.n_wet, layers)
    return Light(scene, sun, moon, sun_beam + moon_beam, diffuse, kd, c, everything)
