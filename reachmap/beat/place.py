"""Where things are: coordinate systems, local surveys laid on the map by an anchor, the beat's own metres."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import pyproj
import shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from reachmap.beat.columns import LENGTH
from reachmap.beat.messages import Report, stop

WGS84 = CRS.from_epsg(4326)


@dataclass(frozen=True)
class Anchor:
    """Where the local (0, 0) of a tape-and-compass survey lies [deg] and which way its +y points [deg from north]."""

    lat: float
    lon: float
    bearing_deg: float = 0.0

    def to_degrees(self, xy: np.ndarray) -> np.ndarray:
        """Local metres (n, 2) to longitude and latitude."""
        turn = np.radians(self.bearing_deg)
        east = xy[:, 0] * np.cos(turn) + xy[:, 1] * np.sin(turn)
        north = -xy[:, 0] * np.sin(turn) + xy[:, 1] * np.cos(turn)
        return _moved(np.column_stack([east, north]), local_crs(self.lat, self.lon), WGS84)

    def from_degrees(self, degrees: np.ndarray) -> np.ndarray:
        """Longitude and latitude (n, 2) to local metres."""
        turn = np.radians(self.bearing_deg)
        east, north = _moved(degrees, WGS84, local_crs(self.lat, self.lon)).T
        return np.column_stack([east * np.cos(turn) - north * np.sin(turn), east * np.sin(turn) + north * np.cos(turn)])


def anchor_of(place: Mapping[str, Any]) -> Anchor | None:
    """Where the [place] of a beat.toml says that local metres lie, if it does."""
    if "anchor" not in place:
        return None
    lat, lon = place["anchor"]
    return Anchor(lat, lon, place.get("bearing_deg", 0.0))


def local_crs(lat: float, lon: float) -> CRS:
    """Transverse Mercator of scale 1 on a point: metres true to 0.1 mm a km within 10 km of it."""
    return CRS.from_proj4(
        f"+proj=tmerc +lat_0={lat:.7f} +lon_0={lon:.7f} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs"
    )


def crs_of(text: str, file: str, where: str) -> CRS:
    """The coordinate system a user named; InputError if it isn't known."""
    if re.fullmatch(r"\d{4,6}", text.strip()):
        text = f"EPSG:{text.strip()}"
    if not re.match(r"(epsg|esri|iau|ogc|urn:ogc)[:_]", text.strip(), re.IGNORECASE) and not text.strip().startswith(
        "+proj"
    ):
        raise stop("crs-unknown", file, where, value=text)
    try:
        return CRS.from_user_input(text.strip())
    except CRSError as error:
        raise stop("crs-unknown", file, where, value=text) from error


def why_no_degrees(xy: np.ndarray) -> str:
    """Code of the message on coordinates (n, 2), x first, of which some are beyond any degrees."""
    x, y = np.abs(xy).T
    if (y <= 180).all() and (x <= 90).all():
        return "swapped-impossible"
    # As 5437.22 is 54 degrees and 37.22 minutes in the logs of receivers; a reach spans no whole degree.
    minutes = (x % 100 < 60).all() and (y % 100 < 60).all() and np.ptp(xy, axis=0).max() < 100
    return "degrees-minutes" if minutes and (y <= 9000).all() and (x <= 18000).all() else "metres-as-degrees"


class Placer:
    """Turns the coordinates of one file into longitude and latitude.

    Parameters
    ----------
    crs : of the file; None for local metres
    anchor : where local metres lie
    unit : factor of local coordinates to metres
    """

    def __init__(self, crs: CRS | None, anchor: Anchor | None, unit: float = 1.0) -> None:
        self.crs, self.anchor, self.unit = crs, anchor, unit

    def to_degrees(self, xy: np.ndarray) -> np.ndarray:
        """Coordinates (n, 2), x or longitude first, to longitude and latitude; inf where they can't be."""
        if self.crs is None:
            assert self.anchor is not None  # choose_placer sees to it
            return self.anchor.to_degrees(xy * self.unit)
        return _moved(xy, self.crs, WGS84)


def choose_placer(
    crs: CRS | None,
    settings: Mapping[str, Any],
    anchor: Anchor | None,
    file: str,
    report: Report,
    *,
    degrees: bool = False,
    unit: str = "",
) -> Placer:
    """How the coordinates of a file are to be read.

    Parameters
    ----------
    crs : what the file itself says, None if nothing
    settings : what beat.toml says about the file
    degrees : the columns are called longitude and latitude
    unit : of local positions as the header of their column says, "" if it says none

    Raises
    ------
    InputError : nothing says where the coordinates lie, or two things say it differently
    """
    given = settings.get("crs")
    metres = LENGTH[unit or settings.get("position_unit", "m")]
    if given == "local" or (given is None and crs is None and not degrees and anchor):
        if anchor is None:
            raise stop("no-anchor", file)
        if not unit and "position_unit" not in settings:
            report.say("unit-assumed", file, "place of a point", unit="metres", setting="position_unit")
        return Placer(None, anchor, metres)
    named = crs_of(given, "beat.toml", f"crs of {file}") if given else None
    if named and crs and not crs.equals(named, ignore_axis_order=True) and not _mere_default(crs, file):
        raise stop("crs-contradicts", file, inside=crs.name, given=given)
    found = named or crs or (WGS84 if degrees else None)
    if found is None:
        raise stop("no-crs", file)
    if degrees and not found.is_geographic:
        raise stop("crs-for-degrees", file, given=given or found.name)
    _say_if_rough(found, file, report)
    return Placer(found, None)


def _mere_default(crs: CRS, file: str) -> bool:
    """GeoJSON without a word on its system counts as WGS 84 by its standard, which the user may know better."""
    return crs.equals(WGS84, ignore_axis_order=True) and file.lower().endswith(("json", ".zip"))


def _say_if_rough(crs: CRS, file: str, report: Report) -> None:
    """Say so when moving to WGS 84 is only good to some metres, for want of a national grid file."""
    accuracy = _transformer(crs.srs, WGS84.srs).accuracy
    if accuracy is not None and accuracy > 1:
        report.say("crs-rough", file, name=crs.name, accuracy=f"{accuracy:g}")


@lru_cache(maxsize=128)
def _transformer(source: str, target: str) -> Transformer:
    """From one coordinate system to another, by the texts they were made from; setting one up takes milliseconds."""
    pyproj.network.set_network_enabled(active=False)
    return Transformer.from_crs(source, target, always_xy=True)


def _moved(xy: np.ndarray, source: CRS, target: CRS) -> np.ndarray:
    if source.equals(target, ignore_axis_order=True):
        return np.asarray(xy, float)
    x, y = _transformer(source.srs, target.srs).transform(xy[:, 0], xy[:, 1])
    return np.column_stack([x, y])


def to_local(degrees: np.ndarray, crs: CRS) -> np.ndarray:
    """Longitude and latitude (n, 2) to the beat's metres; inf where a place lies outside the projection."""
    return _moved(degrees, WGS84, crs)


def to_degrees(local: np.ndarray, crs: CRS) -> np.ndarray:
    """The beat's metres (n, 2) to longitude and latitude."""
    return _moved(local, crs, WGS84)


def move(shapes: np.ndarray, change: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """Geometries with every vertex moved by a function of (n, 2)."""
    return shapely.transform(np.asarray(shapes, object), change)


@cache
def zone_places() -> dict[str, tuple[float, float]]:
    """Latitude and longitude of every time zone's main place, from the IANA tables."""
    table = files("tzdata") / "zoneinfo" / "zone.tab"
    places = {}
    for line in table.read_text(encoding="utf-8").splitlines():
        parts = line.split("\t")
        found = re.fullmatch(r"([+-]\d{4,6})([+-]\d{5,7})", parts[1]) if len(parts) >= 3 else None
        if found:
            places[parts[2]] = (_degrees(found[1], 2), _degrees(found[2], 3))
    return places


def _degrees(text: str, digits: int) -> float:
    """+DDMM or +DDDMMSS as degrees."""
    sign, body = (-1 if text[0] == "-" else 1), text[1:]
    minutes = int(body[digits : digits + 2]) + int(body[digits + 2 :] or 0) / 60
    return sign * (int(body[:digits]) + minutes / 60)


def distance_km(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Distance on the ellipsoid between two (lat, lon) [km]."""
    return pyproj.Geod(ellps="WGS84").inv(a[1], a[0], b[1], b[0])[2] / 1000
