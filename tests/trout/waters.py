"""Straight invented waters in which a guide knows the answer, with light by a simple law.

They stand in for the rooms before this one: depth, speed, cover and shade are stated, nothing is interpolated.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely

from reachmap.beat.model import Scene
from reachmap.channel.model import Channel, Grid
from reachmap.light.model import Body, Light
from reachmap.trout import Curves, Outlook, outlook_for
from tests import toy

LENGTH, HALF, CELL = 120.0, 6.0, 0.5
KD = 0.6
SURFACE_LUX = {"sunny noon": (85000.0, 15000.0), "overcast noon": (0.0, 18000.0), "night": (0.08, 0.02)}


@dataclass(frozen=True)
class Stated:
    """What is stated about a water, each (n_wet,) or None for none of it."""

    depth: np.ndarray
    speed: np.ndarray
    overhead: np.ndarray | None = None
    structure: np.ndarray | None = None
    shade: np.ndarray | None = None
    seam_distance: np.ndarray | None = None
    seam_contrast: float = 0.0
    beat: dict = field(default_factory=dict)


def grid() -> Grid:
    """A straight channel flowing east, 120 x 12 m, x from 0 to 120, y from -6 to 6."""
    wet = np.zeros((int(2 * HALF / CELL) + 2, int(LENGTH / CELL) + 2), bool)
    wet[1:-1, 1:-1] = True
    return Grid(-CELL, HALF + CELL, CELL, wet)


def trapeze(y: np.ndarray, most: float) -> np.ndarray:
    """Depth across a channel with a flat bed and banks sloping over 2 m [m]."""
    return np.clip(most * (HALF - np.abs(y)) / 2.0, 0.03, most)


def profile(y: np.ndarray, most: float) -> np.ndarray:
    """Speed across a channel, slower toward the banks [m/s]."""
    return most * (1 - (np.abs(y) / HALF) ** 4)


def build(stated: Stated) -> Channel:
    """A channel of what is stated; nose speeds are fixed shares of the mean speed, drift the fastest within a metre."""
    g = grid()
    none = np.zeros(g.n_wet)
    speed_map = g.spread(stated.speed.astype(np.float32), dry=0.0)
    reach = int(1.0 / CELL)
    drift = np.max(
        [
            np.roll(speed_map, (i, j), (0, 1))
            for i in range(-reach, reach + 1)
            for j in range(-reach, reach + 1)
            if i * i + j * j <= reach * reach
        ],
        axis=0,
    )
    far = np.full(g.n_wet, np.nan)
    distance = far if stated.seam_distance is None else stated.seam_distance
    values = {
        "along": g.x,
        "across": g.y,
        "width": np.full(g.n_wet, 2 * HALF),
        "bank_distance": HALF - np.abs(g.y),
        "depth": stated.depth,
        "depth_sd": none + 0.08,
        "speed": stated.speed,
        "speed_sd": none + 0.06,
        "flow_east": none + 1,
        "flow_north": none,
        "nose_speed": 0.6 * stated.speed,
        "rest_speed": 0.45 * stated.speed,
        "drift_speed": drift[g.wet],
        "seam_contrast": np.where(np.isfinite(distance), stated.seam_contrast, 0.0),
        "seam_distance": distance,
        "overhead": none if stated.overhead is None else stated.overhead,
        "structure": none if stated.structure is None else stated.structure,
        "confidence": none + 2,
    }
    layers = {name: np.asarray(v).astype(np.float32) for name, v in values.items()}
    outline = shapely.MultiPolygon([shapely.box(0, -HALF, LENGTH, HALF)])
    return Channel(toy.beat(outline=outline, **stated.beat), g, layers, toy.channel(4.0).seams)


def light(channel: Channel, scene: Scene, shade: np.ndarray | None = None) -> Light:
    """Beam and sky over a water, less shade (0-1) and roof, through the water by one exponential."""
    beam, sky = SURFACE_LUX[scene.name]
    night = scene.name == "night"
    sun = 1.0 - (np.zeros(channel.grid.n_wet) if shade is None else shade)
    roof = 1.0 - 0.95 * channel["overhead"]
    bed = (beam * sun + sky * (0.3 + 0.7 * sun)) * roof * np.exp(-KD * channel["depth"])
    layers = {
        "light_bed": bed,
        "shade_edge": np.zeros(channel.grid.n_wet),
        "sun_share": sun * roof,
        "sky_share": (0.3 + 0.7 * sun) * roof,
        "eye_day": np.full(channel.grid.n_wet, 0.0 if night else 1.0),
    }
    bodies = (Body(-20, 0, 0), Body(40, 180, 0.1)) if night else (Body(59, 180, 102000.0), Body(-30, 0, 0))
    packed = {name: np.asarray(v).astype(np.float32) for name, v in layers.items()}
    return Light(scene, *bodies, beam, sky, KD, 2.0, packed)


@dataclass(frozen=True)
class Scored:
    """A water with what every scene comes to."""

    channel: Channel
    outlooks: dict[str, Outlook]


def score(stated: Stated, curves: Curves, engine: str = "ordinary") -> Scored:
    """Score a water in the three scenes."""
    channel = build(stated)
    lights = [light(channel, scene, stated.shade) for scene in toy.scenes()]
    return Scored(channel, {one.scene.name: outlook_for(channel, one, curves, engine) for one in lights})


def lone_boulder() -> Stated:
    """An even run with one boulder at (60, 0): slow water and a seam on each side for 5 m below it."""
    g = grid()
    x, y = g.x, g.y
    behind = np.exp(-((y / 0.8) ** 2)) * ((x > 60) & (x < 66)) * np.exp(-np.clip(x - 60, 0, None) / 6)
    speed = profile(y, 0.85) * (1 - 0.75 * behind)
    seam = np.where((x > 60) & (x < 66) & (np.abs(y) < 1.0), 1.0 - np.abs(y), np.nan)
    near = np.exp(-np.hypot(x - 60, y) / 1.5)
    return Stated(trapeze(y, 0.75), speed, structure=near, seam_distance=seam, seam_contrast=0.5)


def undercut_in_sun() -> Stated:
    """An even run in full sun; 15 m of the south bank are undercut over the outer 1.5 m, with water under it."""
    g = grid()
    x, y = g.x, g.y
    under = (y < -4.5) & (x > 50) & (x < 65)
    depth = np.where(under, 0.8, trapeze(y, 0.8))
    speed = np.where(under, np.minimum(profile(y, 0.7), 0.35), profile(y, 0.7))
    return Stated(depth, speed, overhead=under.astype(float))


def canal() -> Stated:
    """The same section from end to end."""
    y = grid().y
    return Stated(trapeze(y, 0.9), profile(y, 0.6))


def pool_and_riffle() -> Stated:
    """A riffle of 0.25 m down to x = 60, then a pool 1.5 m deep that shoals to a tail of 0.4 m."""
    g = grid()
    x, y = g.x, g.y
    most = np.interp(x, [0, 55, 65, 85, 110, 120], [0.25, 0.25, 1.3, 1.5, 0.45, 0.4])
    return Stated(trapeze(y, 1.0) * most, np.minimum(profile(y, 1.0) * 0.32 / most**0.7, 1.1))


def shaded_bank() -> Stated:
    """Two like banks; the southern third of the middle 40 m lies in shade."""
    g = grid()
    shade = ((g.y < -2) & (g.x > 40) & (g.x < 80)).astype(float)
    return Stated(trapeze(g.y, 0.8), profile(g.y, 0.7), shade=shade)
