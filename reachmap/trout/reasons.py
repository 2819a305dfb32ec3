"""Why here: one sentence in plain words for a lie in a scene, and what of it holds at other hours too."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import shapely

from reachmap.channel.model import Channel
from reachmap.light import BedTerms, bed_light, bed_terms, is_dark
from reachmap.light.bodies import DOWN_DEG
from reachmap.light.day import SHADED
from reachmap.light.heights import LEAFY, grounds
from reachmap.light.model import Body, DayLight, Light
from reachmap.light.surface import bed_offset, refracted
from reachmap.trout.curves import LUX_FLOOR
from reachmap.trout.shift import EyeCurves

COVER_WORDS = {
    "undercut": "along the undercut bank",
    "log": "by a sunken log",
    "boulder": "by a boulder",
    "pier": "by the bridge pier",
    "weed": "beside weed",
}
"""Cover kind -> words, in the order in which they are preferred."""

COVER_REACH_M = 1.5
"""Cover this near to a lie is named [m]; assumed."""

LEAF_WORDS = {"alder": "the alders", "willow": "the willows", "evergreen": "the evergreens"}
SHADE_WORDS = {"hedge": "the hedge", "wall": "the wall", "bridge": "the bridge", "bank": "the high bank"}

ASTRAY_WORDS = {
    "light": ("but dark at the bed", "but bright at the bed"),
    "cover": ("but nothing overhead", ""),
    "depth": ("held back by shallow water", "held back by great depth"),
    "food": ("but little current brings food", "but the drift rushes past"),
    "nose": ("but hardly a current at the nose", "but fast at the nose for this fish"),
}
"""Words for too little and for too much of what a factor's curve is read at; that there is no seam is no news."""

NIGHT_WORDS = ("held back by too little light", "held back by too much light")
"""The same for light where the night eye counts."""

ENERGY_WORDS = {"food": "but little to take from the drift", "nose": "but swimming there costs much of what it eats"}
"""What a low factor means by the energy balance, be it for a slow current, a fast one or murk."""

LACK_BELOW = 0.6
"""A limiting factor is spelt out below this suitability; assumed."""

SLOW_M_S = 0.30
"""Up to this nose speed the water is called slow [m/s]; resting water in general: FHWA fish-habitat page."""

FAINT_M_S = 0.25
"""Slower drift is called hardly any [m/s]; assumed."""

WALKING_M_S = (0.9, 1.6)
"""Drift called walking pace [m/s]; common practice: about 3 mph (1.34 m/s), a band around it."""

SEAM_LEAST_M_S = 0.15
"""Weaker seams aren't mentioned [m/s]; the least contrast of a seam, assumed."""

SUN_LEAST_DEG = 3.0
"""With the sun lower than this, shade is not spoken of [deg]; assumed."""

MOON_LUX = 0.01
"""Light at the bed below which a night lie is called dark [lux]; the moonlit threshold of the species, rounded."""

MOON_SHARE = 0.5
"""A lie in the moon's beam is called moonlit if this share of its light comes by it; assumed."""

TWILIGHT_LUX = 1.0
"""Light at the bed from which a lie is said to lie in the twilight, between sunset and dark [lux]; assumed."""

EDGE_LEAST = 0.3
"""Mean of the layer `shade_edge` over a lie from which it is said to lie at the edge; assumed."""

LEAF_LEAST = 1e-12
"""Leaves and twigs let more of the sun through than this, twenty crowns in a row even; land, walls and bridges do not
[-]; assumed."""

RAYS = 9
"""Shaded cells of a lie at most from which it is looked what stands toward the sun; assumed."""

OVERCAST_OKTAS = 6
"""From this cloud up nobody sees a shadow [oktas]; assumed."""


@dataclass(frozen=True)
class Place:
    """What doesn't change from scene to scene about a lie, for its sentence."""

    cells: np.ndarray
    centre: tuple[float, float]
    depth_m: float
    nose_m_s: float
    rest_m_s: float
    drift_m_s: float
    seam_m_s: float
    cover: str
    roofed: bool


def describe_places(channel: Channel, lies: Iterable[np.ndarray]) -> list[Place]:
    """The lasting features of each lie."""
    return [_place(channel, cells) for cells in lies]


def _place(channel: Channel, cells: np.ndarray) -> Place:
    """The lasting features of one lie."""
    grid = channel.grid
    means = {k: float(channel[k][cells].mean()) for k in ("depth", "nose_speed", "rest_speed", "drift_speed")}
    beside = np.isfinite(channel["seam_distance"][cells])
    # A seam along a tenth of the patch is beside it; a corner that touches one isn't.
    seam = float(channel["seam_contrast"][cells][beside].max()) if beside.mean() > 0.1 else 0.0
    east, north = grid.points(cells).mean(axis=0)
    centre = (float(east), float(north))
    return Place(
        cells,
        centre,
        means["depth"],
        means["nose_speed"],
        means["rest_speed"],
        means["drift_speed"],
        seam,
        _cover_words(channel, cells),
        bool(channel["overhead"][cells].mean() >= 0.5),
    )


def _cover_words(channel: Channel, cells: np.ndarray) -> str:
    """Words for the cover that touches a lie, "" if there is none."""
    cover = channel.beat.cover
    if len(cover) == 0:
        return ""
    points = shapely.multipoints(channel.grid.points(cells))
    shapes = np.asarray(cover.geometry.values)
    size = np.where(shapely.get_type_id(shapes) == 0, np.nan_to_num(cover["size_m"].to_numpy(float)) / 2, 0.0)
    near = shapely.distance(shapes, points) - size <= COVER_REACH_M
    kinds = set(cover["kind"].to_numpy()[near])
    return next((words for kind, words in COVER_WORDS.items() if kind in kinds), "")


@dataclass(frozen=True)
class Why:
    """Why a lie is one.

    Parameters
    ----------
    now : one sentence for the scene's hour: depth and place, current, shade and its hours or the moon, and what holds
        the lie back if anything does
    lasting : the same without the light, which is another at another hour
    """

    now: str
    lasting: str


def say_why(
    channel: Channel,
    place: Place,
    light: Light,
    limiting: str,
    suits: Mapping[str, float],
    day: DayLight | None,
    curves: tuple[EyeCurves, EyeCurves],
) -> Why:
    """Why a lie is one in a scene.

    Parameters
    ----------
    limiting, suits : its weakest factor, and how well each suits there, 0-1
    day : tells when shade comes and goes
    curves : by day and by night, as they hold for the fish; without those that an engine has put something in place of
    """
    by_day = float(light["eye_day"][place.cells].mean()) >= 0.5
    roof = "under cover" if place.roofed and not place.cover else ""
    shade = _shade_words(channel, place, light) if by_day and not place.roofed else ""
    hours = _hours_words(channel, place, light, day) if by_day and not place.roofed and day is not None else ""
    moon = "" if by_day else _night_here(channel, light, place.cells)
    lack = _lack_words(place, light, limiting, suits, by_day, curves[0 if by_day else 1])
    deep = f"{place.depth_m:.1f} m deep" + (" by guess" if channel.depth_guessed else "")
    current = _current_words(place, by_day) + (" by guess" if channel.speed_relative else "")

    def sentence(shade: str, *more: str) -> str:
        first = " ".join(words for words in (deep, place.cover, roof, shade) if words)
        return "; ".join(words for words in (f"{first}, {current}", *more) if words)

    return Why(sentence(shade, hours, moon, lack), sentence("", lack if limiting != "light" else ""))


def moon_at_bed(terms: BedTerms, moon_share: np.ndarray, kd_per_m: float, depth_m: np.ndarray) -> float:
    """What comes straight from the moon to the bed of some cells, on average [lux]; all else as for `bed_light`."""
    return float(np.mean(bed_light(terms, 0.0, moon_share, 0.0, 0.0, kd_per_m, depth_m)))


def night_words(sun: Body, lux: float, moon_share: float, moon_lux: float) -> str:
    """What a light at the bed is called with the sun down; the map's own script calls it so too.

    Parameters
    ----------
    sun : where it stands
    lux : all of the light [lux]
    moon_share, moon_lux : share of the moon's beam that gets there, and what of the light it is [lux]; the rest is the
        sky's or a town's
    """
    if lux >= TWILIGHT_LUX and not is_dark(sun):
        return "in the twilight"
    if lux < MOON_LUX:
        return "dark"
    return "moonlit" if moon_share >= SHADED and moon_lux >= MOON_SHARE * lux else "dim"


def _night_here(channel: Channel, light: Light, cells: np.ndarray) -> str:
    """What the light over some cells is called where the night eye counts."""
    lux = float(light["light_bed"][cells].mean())
    if light.sun.altitude_deg > DOWN_DEG:
        # Where the night eye counts with so much light, it is plenty for the day's, but that takes an hour to come.
        late = light["light_bed"][cells][light["eye_day"][cells] < 0.5] >= TWILIGHT_LUX
        return "its eyes have not switched to day yet" if late.mean() >= 0.5 else "hardly any light gets down to it"
    terms = bed_terms(light.sun, light.moon, light.scene.cloud, light.scene.town_glow_lux)
    # With the sun down the layer is the moon's share.
    share = light["sun_share"][cells]
    moon_lux = moon_at_bed(terms, share, light.kd_per_m, channel["depth"][cells])
    return night_words(light.sun, lux, float(share.mean()), moon_lux)


def shade_is_seen(sun: Body, cloud: float) -> bool:
    """Whether sun and shade can be told apart on the water, under a cloud in oktas."""
    return sun.altitude_deg >= SUN_LEAST_DEG and cloud < OVERCAST_OKTAS


def _current_words(place: Place, by_day: bool) -> str:
    """The current at the fish and beside it."""
    nose = place.nose_m_s if by_day else place.rest_m_s
    pace = "slow" if nose <= SLOW_M_S else f"{nose:.1f} m/s at the nose"
    if place.seam_m_s >= SEAM_LEAST_M_S:
        return f"{pace} beside a {place.seam_m_s:.1f} m/s seam"
    if place.drift_m_s < FAINT_M_S:
        return f"{pace}, hardly any drift ({place.drift_m_s:.1f} m/s)"
    walking = WALKING_M_S[0] <= place.drift_m_s <= WALKING_M_S[1]
    return f"{pace} beside a {'walking-pace ' if walking else ''}drift of {place.drift_m_s:.1f} m/s"


def _shade_words(channel: Channel, place: Place, light: Light) -> str:
    """What keeps the sun off, "" if nothing does or there is no sun to speak of."""
    if not shade_is_seen(light.sun, light.scene.cloud):
        return ""
    share = light["sun_share"][place.cells]
    if share.mean() >= SHADED:
        return ""
    dark = place.cells[share < SHADED]
    if channel["overhead"][dark].mean() >= 0.5:
        return "partly under cover"
    maker = _shade_maker(channel, place, light, dark)
    if not maker and (channel.beat.terrain is not None or channel.beat.skyline is not None):
        maker = "the bank or the valley side"
    if light["shade_edge"][place.cells].mean() >= EDGE_LEAST:
        return f"at the edge of the shade of {maker}" if maker else "at the edge of the shade"
    return f"in the shade of {maker}" if maker else "in shade"


def _shade_maker(channel: Channel, place: Place, light: Light, dark: np.ndarray) -> str:
    """What of the beat's shade stands between a lie, whose cells `dark` are shaded, and the sun; "" if nothing does."""
    shade = channel.beat.shade
    if len(shade) == 0:
        return ""
    shapes, median = grounds(shade), float(np.median(light["sun_share"][place.cells]))
    told = _between(shade, shapes, np.asarray(place.centre), place.depth_m, light.sun, median)
    if told:
        return told
    # From the middle of a lie the sun may shine through between crowns that shade all around it.
    starts = channel.grid.points(dark[:: math.ceil(len(dark) / RAYS)])
    every = [_between(shade, shapes, start, place.depth_m, light.sun, median) for start in starts]
    return max(filter(None, every), key=every.count, default="")


def _between(
    shade: gpd.GeoDataFrame, shapes: np.ndarray, point: np.ndarray, depth_m: float, sun: Body, share: float
) -> str:
    """The nearest shade feature between a point of the bed and the sun, "" if there is none.

    Parameters
    ----------
    shade, shapes : of the beat, and what they stand on or hang over
    point, depth_m : where, (2,) [m], and how deep
    share : of the sun that gets there, 0-1
    """
    bearing, altitude = np.radians(sun.azimuth_deg), float(refracted(sun.altitude_deg))
    toward = np.array([np.sin(bearing), np.cos(bearing)])
    # The ray to the bed enters the water nearer to the sun.
    start = point + bed_offset(depth_m, altitude) * toward
    # Under a bridge the sun shines through.
    heights = np.stack([np.nan_to_num(shade["base_m"].to_numpy(float)), shade["height_m"].to_numpy(float)], axis=1)
    rays = shapely.linestrings(start + (heights / np.tan(np.radians(altitude)))[..., None] * toward)
    hit = shapely.intersects(rays, shapes)
    if share < LEAF_LEAST:
        hit &= ~shade["kind"].isin(LEAFY).to_numpy()
    if not hit.any():
        return ""
    distance = np.where(hit, shapely.distance(shapes, shapely.Point(start)), np.inf)
    nearest = shade.iloc[int(distance.argmin())]
    if nearest["kind"] == "tree":
        return LEAF_WORDS.get(nearest["leaf"], "the trees")
    return SHADE_WORDS.get(nearest["kind"], "the bank")


def _hours_words(channel: Channel, place: Place, light: Light, day: DayLight) -> str:
    """When the sun comes or goes later on that day, "" if it doesn't or can't be told."""
    zone = ZoneInfo(channel.beat.time_zone)
    now = light.scene.when.astimezone(zone)
    times = [t.astimezone(zone) for t in day.times]
    if now.date() != times[len(times) // 2].date() or not shade_is_seen(light.sun, light.scene.cloud):
        return ""
    up = np.array([body.altitude_deg >= SUN_LEAST_DEG for body in day.sun])
    lit = day.sun_on(place.cells).mean(axis=1) / 255 >= SHADED
    later = np.array([t > now for t in times]) & up
    shaded = bool(light["sun_share"][place.cells].mean() < SHADED)
    if not later.any():
        return ""
    if shaded:
        back = np.nonzero(later & lit)[0]
        return f"loses shade after {_clock(times[back[0]])}" if len(back) else "in shade for the rest of the day"
    gone = np.nonzero(later & ~lit)[0]
    return f"in shade from {_clock(times[gone[0]])}" if len(gone) else ""


def _clock(time: datetime) -> str:
    """Hour and minute as a person says them."""
    return f"{time:%H:%M}"


def _lack_words(
    place: Place, light: Light, limiting: str, suits: Mapping[str, float], by_day: bool, curves: EyeCurves
) -> str:
    """What holds the lie back, "" if its weakest factor is still good."""
    if limiting == "cover" and (not by_day or suits["light"] >= LACK_BELOW):
        return ""
    if suits[limiting] >= LACK_BELOW:
        return ""
    if limiting in ENERGY_WORDS and limiting not in curves:
        return ENERGY_WORDS[limiting]
    if limiting not in ASTRAY_WORDS:
        return ""
    value = {
        "depth": place.depth_m,
        "food": place.drift_m_s,
        "nose": place.nose_m_s if by_day else place.rest_m_s,
        "light": np.log10(max(float(light["light_bed"][place.cells].mean()), LUX_FLOOR)),
        # Where a curve turned round wants none, it is not the want of cover that holds a lie back.
        "cover": 0.0,
    }[limiting]
    words = NIGHT_WORDS if limiting == "light" and not by_day else ASTRAY_WORDS[limiting]
    return words[0 if curves[limiting].wants_more(value) else 1]
