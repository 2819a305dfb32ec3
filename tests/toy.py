"""A small straight river with a pool, a riffle and a boulder, filled in by formula.

For tests of one room that need the output of the rooms before it without running them. Values are plausible,
not computed by reachmap; nothing here is a check value.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from reachmap.beat.model import Beat, Fish, Scene, Water
from reachmap.channel.model import Channel, Grid
from reachmap.layers import Derived
from reachmap.light.model import Body, DayLight, Light
from reachmap.sight.model import Sight
from reachmap.trout import Outlook, find_lies, hold, load_curves
from reachmap.visit.model import Caution, Visit
from reachmap.write.model import Result

LAT, LON = 54.2, -2.4
LENGTH, HALF = 120.0, 8.0
CRS_LOCAL = CRS.from_proj4(f"+proj=tmerc +lat_0={LAT} +lon_0={LON} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m")
NOON = datetime(2026, 6, 20, 12, 10, tzinfo=UTC)


def scenes() -> tuple[Scene, ...]:
    water = Water(2.5, "white from above", "clear", 13.0)
    return (
        Scene("sunny noon", NOON, 1, water),
        Scene("overcast noon", NOON, 8, water),
        Scene("night", datetime(2026, 6, 30, 0, 10, tzinfo=UTC), 1, water),
    )


def beat(**change) -> Beat:
    """The toy beat: flows east, 120 x 16 m, depth known at every 4 m, alders on the south bank."""
    rng = np.random.default_rng(7)
    gx, gy = np.meshgrid(np.arange(-58, 60, 4.0), np.arange(-7, 8, 2.0))
    depth = toy_depth(gx.ravel(), gy.ravel())
    speed = np.where(rng.random(depth.size) < 0.4, toy_speed(gx.ravel(), gy.ravel()), np.nan)
    points = gpd.GeoDataFrame(
        {
            "depth_m": depth,
            "speed_m_s": speed,
            "speed_how": np.where(np.isfinite(speed), "mean", ""),
            "toward_deg": np.nan,
            "line": [f"x{v:+.0f}" for v in gx.ravel()],
            "note": "",
            "file": "soundings.csv",
            "row": np.arange(2, depth.size + 2),
            "flag": "",
        },
        geometry=shapely.points(gx.ravel(), gy.ravel()),
        crs=CRS_LOCAL,
    )
    cover = gpd.GeoDataFrame(
        {"kind": ["boulder", "undercut"], "size_m": [1.2, 1.0], "height_m": [0.8, np.nan], "note": ["", ""]},
        geometry=[shapely.Point(10, 1), shapely.LineString([(-30, -7.5), (-10, -7.5)])],
        crs=CRS_LOCAL,
    )
    shade = gpd.GeoDataFrame(
        {
            "kind": ["tree", "tree"],
            "height_m": [9.0, 7.0],
            "base_m": [1.5, 1.5],
            "radius_m": [3.0, 2.5],
            "leaf": ["alder", "alder"],
            "note": ["", ""],
        },
        geometry=[shapely.Point(-25, -11), shapely.Point(-18, -10.5)],
        crs=CRS_LOCAL,
    )
    empty = gpd.GeoDataFrame({"id": [], "text": [], "kind": [], "time": []}, geometry=[], crs=CRS_LOCAL)
    values = {
        "name": "Toy water",
        "time_zone": "Europe/London",
        "crs": CRS_LOCAL,
        "lat": LAT,
        "lon": LON,
        "outline": shapely.MultiPolygon([shapely.box(-LENGTH / 2, -HALF, LENGTH / 2, HALF)]),
        "soundings": points,
        "cover": cover,
        "shade": shade,
        "notes": empty,
        "log": empty.copy(),
        "terrain": None,
        "survey_date": NOON.date(),
        "flow_m3_s": 4.0,
        "slope": 0.003,
        "d84_m": 0.09,
        "water": scenes()[0].water,
        "fish": Fish(),
        "scenes": scenes(),
        "head": (-LENGTH / 2, 0.0),
        "caps": ((-60.0, 8.0, -60.0, -8.0), (60.0, 8.0, 60.0, -8.0)),
    }
    return Beat(**{**values, **change})


def toy_depth(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A pool about x = -20, a riffle about x = 40 [m]."""
    long = 0.75 + 0.55 * np.exp(-(((x + 20) / 18) ** 2)) - 0.45 * np.exp(-(((x - 40) / 14) ** 2))
    return np.clip(long * (1 - (np.abs(y) / HALF) ** 3), 0.02, None)


def toy_speed(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Faster where shallow, slow toward the banks [m/s]."""
    return 0.55 / (0.6 + toy_depth(x, 0 * y)) * (1 - (np.abs(y) / HALF) ** 4) * 1.3


def channel(cell_m: float = 0.5, **change) -> Channel:
    """The toy channel with every layer of the channel room."""
    rows, cols = int(2 * HALF / cell_m) + 4, int(LENGTH / cell_m) + 4
    x0, y1 = -LENGTH / 2 - 2 * cell_m, HALF + 2 * cell_m
    wet = np.zeros((rows, cols), bool)
    wet[2:-2, 2:-2] = True
    grid = Grid(x0, y1, cell_m, wet)
    x, y = grid.x, grid.y
    depth, speed = toy_depth(x, y), toy_speed(x, y)
    behind = np.exp(-(((y - 1) / 0.7) ** 2)) * ((x > 10) & (x < 14))
    speed = speed * (1 - 0.7 * behind)
    seam = np.where(behind > 0.2, np.abs(np.abs(y - 1) - 0.8), np.nan)
    values = {
        "along": x + LENGTH / 2,
        "across": y,
        "width": np.full_like(x, 2 * HALF),
        "bank_distance": HALF - np.abs(y),
        "depth": depth,
        "depth_sd": np.full_like(x, 0.08),
        "speed": speed,
        "speed_sd": np.full_like(x, 0.06),
        "flow_east": np.ones_like(x),
        "flow_north": np.zeros_like(x),
        "nose_speed": 0.6 * speed,
        "rest_speed": 0.45 * speed,
        "drift_speed": np.maximum(speed, toy_speed(x, y)) * 1.1,
        "profile_flag": (depth < 0.36).astype(float),
        "shear": np.abs(np.gradient(speed)),
        "seam_contrast": np.where(np.isfinite(seam), 0.4, 0.0),
        "seam_distance": seam,
        "overhead": ((y < -6.5) & (x > -30) & (x < -10)).astype(float),
        "structure": np.exp(-np.hypot(x - 10, y - 1) / 1.5),
        "confidence": np.full_like(x, 2.0),
    }
    layers = {name: value.astype(np.float32) for name, value in values.items()}
    seams = gpd.GeoDataFrame(
        {
            "contrast_m_s": [0.4, 0.4],
            "scale_m": [0.6, 0.6],
            "slow_side": ["right", "left"],
            "length_m": [4.0, 4.0],
        },
        geometry=[shapely.LineString([(10.5, 1.8), (14, 1.8)]), shapely.LineString([(10.5, 0.2), (14, 0.2)])],
        crs=CRS_LOCAL,
    )
    return Channel(**{"beat": beat(), "grid": grid, "layers": layers, "seams": seams, "flow_m3_s": 4.0, **change})


def light(ch: Channel, scene: Scene) -> Light:
    """Light by a one-line law: good enough to stand in for the light room."""
    night = scene.name == "night"
    beam, diffuse = (0.1, 0.02) if night else (80000.0 * (1 - scene.cloud / 8), 20000.0)
    shade = np.where((ch.grid.y < -5) & (ch.grid.x < 0), 0.1, 1.0) * (1 - 0.9 * ch["overhead"])
    bed = (beam * shade + diffuse * (0.4 + 0.6 * shade)) * np.exp(-0.7 * ch["depth"])
    f = np.float32
    layers = {
        "light_bed": bed.astype(f),
        "shade_edge": np.zeros(ch.grid.n_wet, f),
        "sun_share": shade.astype(f),
        "sky_share": (0.4 + 0.6 * shade).astype(f),
        "eye_day": np.full(ch.grid.n_wet, 0.0 if night else 1.0, f),
    }
    sun = Body(-14.0, 350.0, 0.0) if night else Body(58.0, 180.0, 100000.0)
    moon = Body(30.0, 170.0, 0.1, 0.99) if night else Body(-20.0, 10.0, 0.0, 0.5)
    return Light(scene, sun, moon, beam, diffuse, 0.73, 2.7, layers)


def sight(ch: Channel, li: Light) -> Sight:
    """A flat sighting range, so that seconds are range over drift speed."""
    reach = np.full(ch.grid.n_wet, 0.4 if li.scene.name == "night" else 1.6, np.float32)
    layers = {"sighting_range": reach, "decide_time": reach / np.maximum(ch["drift_speed"], 0.01)}
    return Sight(Derived(tuple(layers), lambda name, cells: layers[name][cells], ch.grid.n_wet))


def day(ch: Channel) -> DayLight:
    """A day in 10-minute steps: the shade of the toy scene while the sun is up."""
    start = datetime(2026, 6, 20, 0, 0, tzinfo=UTC)
    times = tuple(start + timedelta(minutes=10 * k) for k in range(144))
    alt = [58 * np.sin(np.pi * (k - 24) / 96) for k in range(144)]
    sun = tuple(Body(a, 2.5 * k % 360, max(0.0, 1700 * a)) for k, a in enumerate(alt))
    moon = tuple(Body(-a / 2, 2.5 * k % 360, max(0.0, -0.002 * a), 0.9) for k, a in enumerate(alt))
    one = light(ch, ch.beat.scenes[0])
    share = np.round(255 * one["sun_share"]).astype(np.uint8)
    up = np.array([a > 0 for a in alt])[:, None]
    events = {"sunrise": times[24], "sunset": times[120]}
    sky = one["sky_share"]
    return DayLight(times, sun, moon, share * up, share * ~up, sky, sky, events)


def visit(ch: Channel) -> Visit:
    """A small visit made by hand: one lane and one stance for lie 1, two cautions."""
    lanes = gpd.GeoDataFrame(
        {
            "lie": [1],
            "lane": [1],
            "lead_m": [2.0],
            "lead_least_m": [1.4],
            "lead_most_m": [4.0],
            "shut_by": [""],
            "shut_within_m": [np.nan],
            "in_view_s": [3.5],
            "drift_m_s": [0.5],
            "crosses_seam": [False],
        },
        geometry=[shapely.LineString([(-30, -3), (-22, -3)])],
        crs=CRS_LOCAL,
    )
    stances = gpd.GeoDataFrame(
        {
            "lie": [1],
            "rank": [1],
            "how": ["kneeling"],
            "on": ["bank"],
            "reason": ["low sun behind the fish"],
            "cast_m": [9.0],
            "wading": [1],
            "when": ["12:10"],
            "dark": [False],
            "dates": ["2026-06-20"],
        },
        geometry=[shapely.Point(-20, 8.5)],
        crs=CRS_LOCAL,
    )
    wading = np.digitize(ch["depth"] * ch["speed"], [0.35, 0.6]).astype(np.float32) + 1
    layers = {"wading": wading, "wading_dark": wading, "redd": np.zeros(ch.grid.n_wet, np.float32)}
    cautions = (
        Caution(
            "estimate",
            "Depths and speeds are estimates; test every step before you put weight on it.",
            "Depths are estimates: test every step.",
        ),
        Caution("rules", "Local rules, access and licensed practice come first."),
    )
    hours, eye = pd.DataFrame(), pd.Series(dtype=float)
    colours = {"white": "shows light", "green": "shows light", "red": "fades"}
    order = pd.DataFrame({"lie": [1], "when": ["12:10"], "why": ["in shade"], "step": [73]})
    return Visit(
        lanes,
        stances,
        hours,
        eye,
        {ch.beat.scenes[0].name: order},
        {ch.beat.scenes[0].name: {1: {"colours_at_m": 1.0, "colours": colours}}},
        layers,
        cautions,
    )


def result(ch: Channel | None = None, **change) -> Result:
    """A whole result on the toy water: sight and trout by their own rooms, light and visit by hand."""
    ch = ch or channel()
    curves = load_curves(None, ch.beat.fish, ch.beat.water.temperature_c)
    outlooks = {}
    for scene in ch.beat.scenes:
        one = light(ch, scene)
        seen = sight(ch, one)
        outlooks[scene.name] = Outlook(one, seen, hold(ch, one, seen, ch.beat.fish, curves))
    days = dict.fromkeys(outlooks, day(ch))
    lies = find_lies(ch, outlooks, days=days, curves=curves)
    values = {
        "channel": ch,
        "outlooks": outlooks,
        "days": days,
        "lies": lies,
        "visit": visit(ch),
        "curves": curves,
        "record": {},
    }
    return Result(**{**values, **change})
