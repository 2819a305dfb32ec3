"""What was measured, once it has been read and checked: a beat in metres, in one coordinate system."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from reachmap.errors import Finding

if TYPE_CHECKING:
    import geopandas as gpd
    import shapely
    from pyproj import CRS

SPECIES = ("brown", "rainbow", "brook", "cutthroat")
COLOURS = ("stained", "clear", "average", "cloudy", "spate")
CLARITY_HOW = ("white from above", "dark sideways", "dark from above")
SPEED_HOW = ("surface float", "0.6 depth", "mean", "near bed")
COVER_KINDS = ("boulder", "log", "undercut", "weed", "pier")
SHADE_KINDS = ("tree", "hedge", "wall", "bridge", "bank")
UNIT_WORDS = ("metric", "imperial")
LEAVES = ("dense", "alder", "willow", "mixed", "thin", "bare", "evergreen")


@dataclass(frozen=True)
class Water:
    """How clear and what colour.

    Parameters
    ----------
    clarity_m : one length [m], judged as `how` says
    how : one of `CLARITY_HOW`: the depth at which a white thing vanishes, how far a dark thing stays
        visible sideways under water, the depth at which a dark boot vanishes
    colour : one of `COLOURS`
    temperature_c : water temperature [degC] or None
    bed_visible : True if the bed could still be seen at the deepest point, so `clarity_m` is a lower bound
    """

    clarity_m: float = 2.5
    how: str = "white from above"
    colour: str = "clear"
    temperature_c: float | None = None
    bed_visible: bool = False


@dataclass(frozen=True)
class Fish:
    """The fish in mind: `species` (one of `SPECIES`) and fork length [m]."""

    species: str = "brown"
    length_m: float = 0.35


@dataclass(frozen=True)
class Visitor:
    """Who comes and with what; everything assumed until it is said.

    Parameters
    ----------
    unsure : unsure on their feet: water counts as harder to wade
    height_m : of the person [m]
    cast_m : farthest cast wanted [m]
    sink_m_s : sink rate of the fly in still water, by default that of a weighted one (trade tests: 10-23 cm/s); good to
        half of it either way [m/s]
    """

    unsure: bool = False
    height_m: float = 1.8
    cast_m: float = 12.0
    sink_m_s: float = 0.12


@dataclass(frozen=True)
class Scene:
    """One moment and sky.

    Parameters
    ----------
    name : how the user calls it, unique within a beat
    when : time-zone-aware moment
    cloud : oktas, 0-8
    water : clarity and colour for this scene
    town_glow_lux : light of a nearby town on an open surface at night [lux]
    leaf_on : leaves on the trees; None: by the date and hemisphere
    """

    name: str
    when: datetime
    cloud: int = 1
    water: Water = field(default_factory=Water)
    town_glow_lux: float = 0.0
    leaf_on: bool | None = None


@dataclass(frozen=True)
class Terrain:
    """Surface model on a regular grid in the beat's CRS.

    Parameters
    ----------
    height_m : (rows, columns) float32, first row northernmost, NaN where unknown [m]
    x0, y1 : outer corner, west and north [m]
    cell_m : cell size [m]
    """

    height_m: np.ndarray
    x0: float
    y1: float
    cell_m: float

    def above_water(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Height of the surface over the water of the survey at some places (n,) [m], NaN where it is not known."""
        from scipy import ndimage as ndi

        row, col = (self.y1 - y) / self.cell_m, (x - self.x0) / self.cell_m
        rows, cols = self.height_m.shape
        inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        at = [row - 0.5, col - 0.5]
        height = ndi.map_coordinates(self.height_m, at, order=1, mode="nearest", prefilter=False)
        return np.where(inside, height, np.nan)


@dataclass(frozen=True)
class Skyline:
    """How high the far land stands, seen from the beat.

    Parameters
    ----------
    azimuth_deg : (n,) rising, 0 to below 360, clockwise from true north
    elevation_deg : (n,) of the skyline there, 0 where flat; between directions it goes straight
    """

    azimuth_deg: np.ndarray
    elevation_deg: np.ndarray


@dataclass(frozen=True)
class Beat:
    """A checked beat: lengths in metres, speeds in m/s, positions in `crs` (transverse Mercator, scale 1).

    Parameters
    ----------
    name, time_zone : as the user wrote them; zone is an IANA name
    crs : local metric coordinate system, origin at the middle of the outline
    lat, lon : the origin [deg]
    outline : wetted area at survey stage; islands are holes
    soundings : GeoDataFrame of points: depth_m (float), speed_m_s (float or NaN, as measured),
        speed_how (one of `SPEED_HOW` or ""), toward_deg (float or NaN, where the water flows to, clockwise from
        north), line (str, track or cross-section, "" if unknown),
        note (str), file (str), row (int, as counted in the file), flag (str, "" if nothing is odd)
    cover : GeoDataFrame: kind (one of `COVER_KINDS`), size_m (diameter of a point or width of a line),
        height_m (NaN if unknown), note
    shade : GeoDataFrame: kind (one of `SHADE_KINDS`), height_m (top above the water), base_m (underside
        above the water: crown base or bridge soffit, 0 for a wall), radius_m (points, NaN else), leaf
        (one of `LEAVES`), note
    notes : GeoDataFrame as the user keeps them: id, text, kind, time (ISO 8601 text), replaces (list of text),
        deleted (always False here), file, where (its row or feature there); possibly empty
    log : GeoDataFrame: id, text, kind, time (UTC, NaT if unreadable), what ("" if unknown), species, length_m,
        count, hours, cloud (oktas), clarity_m (NaN where unsaid), trip (the local date if unsaid), file, where;
        possibly empty
    terrain : surface model or None
    survey_date, flow_m3_s, slope : as given or None
    d84_m : bed material, the size 84 % of stones are finer than [m]
    water, fish, scenes : defaults of the beat; `scenes` is never empty
    head : (x, y) of the upstream end [m], None where nothing says it but `caps` or what was measured
    caps : ((x, y, x, y), (x, y, x, y)) upstream and downstream end lines, left bank first, or None
    findings : warnings and notes met while reading
    sources : file name -> sha256 of its bytes
    settings : the raw beat.toml, for the record
    skyline : the far horizon, None if no file gives it
    visitor : who comes, and with what
    units : one of `UNIT_WORDS`, of what is printed; everything inside is metric
    """

    name: str
    time_zone: str
    crs: CRS
    lat: float
    lon: float
    outline: shapely.MultiPolygon
    soundings: gpd.GeoDataFrame
    cover: gpd.GeoDataFrame
    shade: gpd.GeoDataFrame
    notes: gpd.GeoDataFrame
    log: gpd.GeoDataFrame
    terrain: Terrain | None
    survey_date: date | None
    flow_m3_s: float | None
    slope: float | None
    d84_m: float
    water: Water
    fish: Fish
    scenes: tuple[Scene, ...]
    head: tuple[float, float] | None = None
    caps: tuple[tuple[float, float, float, float], tuple[float, float, float, float]] | None = None
    findings: tuple[Finding, ...] = ()
    sources: Mapping[str, str] = field(default_factory=dict)
    settings: Mapping[str, object] = field(default_factory=dict)
    skyline: Skyline | None = None
    visitor: Visitor = field(default_factory=Visitor)
    units: str = "metric"

    @property
    def town_glow_lux(self) -> float:
        """Light of a town on the water by night, the most that any of the scenes has [lux]."""
        return max((scene.town_glow_lux for scene in self.scenes), default=0.0)

    def local(self, when: datetime) -> datetime:
        """A moment by the clock of the place."""
        return when.astimezone(ZoneInfo(self.time_zone))
