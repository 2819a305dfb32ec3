"""Which column is which, and in which unit: one table of the names people use."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from reachmap.beat.messages import Report, stop
from reachmap.constants import FOOT_M, MILE_PER_HOUR_M_S

LENGTH = {
    "m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0,
    "cm": 0.01, "mm": 0.001, "km": 1000.0,
    "ft": FOOT_M, "foot": FOOT_M, "feet": FOOT_M, "in": FOOT_M / 12, "inch": FOOT_M / 12, "inches": FOOT_M / 12,
    "yd": 3 * FOOT_M, "yard": 3 * FOOT_M, "yards": 3 * FOOT_M, "fathom": 6 * FOOT_M, "fathoms": 6 * FOOT_M,
}  # fmt: skip
"""Length units in metres; international foot, exact."""

KNOT_M_S = 1852 / 3600
"""Knot [m/s], exact by definition."""

SPEED = {
    "m_s": 1.0, "ms": 1.0, "mps": 1.0, "m_sec": 1.0, "m_s_1": 1.0,
    "cm_s": 0.01, "cms": 0.01, "ft_s": FOOT_M, "fps": FOOT_M, "ft_sec": FOOT_M,
    "mph": MILE_PER_HOUR_M_S, "mi_h": MILE_PER_HOUR_M_S, "km_h": 1 / 3.6, "kmh": 1 / 3.6, "kph": 1 / 3.6,
    "kn": KNOT_M_S, "kt": KNOT_M_S, "kts": KNOT_M_S, "knots": KNOT_M_S,
}  # fmt: skip
"""Speed units in m/s."""

FLOW = {"m3_s": 1.0, "cumecs": 1.0, "l_s": 0.001, "cfs": FOOT_M**3, "ft3_s": FOOT_M**3}
"""Flow units in m3/s."""

TIME = {"s": 1.0, "min": 60.0, "h": 3600.0, "hours": 3600.0}
TEMPERATURE = {"c": 1.0, "degc": 1.0, "celsius": 1.0, "f": 5 / 9, "degf": 5 / 9, "fahrenheit": 5 / 9}
FREEZING_F = 32.0
"""Where the Celsius scale begins [degF], exact by definition."""

ANGLE = {"deg": 1.0, "degrees": 1.0}
UNITS: dict[str, Mapping[str, float]] = {
    "length": LENGTH,
    "speed": SPEED,
    "flow": FLOW,
    "time": TIME,
    "temperature": TEMPERATURE,
    "angle": ANGLE,
}

SYNONYMS: dict[str, tuple[str, ...]] = {
    "lon": ("lon", "long", "longitude", "lng", "gps_lon", "gps_longitude", "lon_wgs84"),
    "lat": ("lat", "latitude", "gps_lat", "gps_latitude", "lat_wgs84"),
    "x": ("x", "easting", "east", "e", "utm_e", "utm_x", "x_coord", "pos_x", "eastings", "local_x"),
    "y": ("y", "northing", "north", "n", "utm_n", "utm_y", "y_coord", "pos_y", "northings", "local_y"),
    "depth": ("depth", "water_depth", "d", "dep", "sounding", "depth_below_surface", "tiefe", "profondeur"),
    "bed_level": ("bed_level", "bed", "bed_elevation", "bed_elev", "bed_height", "bed_z", "bottom_level", "riverbed"),
    "water_level": (
        "water_level",
        "wse",
        "water_surface",
        "water_surface_elevation",
        "surface_level",
        "wl",
        "water_elevation",
    ),
    "speed": (
        "speed",
        "velocity",
        "current",
        "current_speed",
        "water_speed",
        "v",
        "vel",
        "water_velocity",
        "flow_speed",
    ),
    "speed_how": ("speed_how", "how", "method", "velocity_method", "speed_method", "measured_by", "meter_depth"),
    "toward": ("flow_toward", "current_toward", "flow_direction", "current_direction", "direction_of_flow"),
    "float_distance": ("float_distance", "float_length", "distance"),
    "float_time": ("float_time", "seconds", "float_seconds"),
    "boat_speed": ("boat_speed", "sog", "speed_over_ground", "gps_speed", "speed_made_good", "smg", "ground_speed"),
    "line": ("line", "track", "section", "cross_section", "transect", "xs", "line_id", "track_id", "profile"),
    "note": ("note", "notes", "comment", "comments", "remark", "remarks", "desc", "description", "cmt"),
    "time": ("time", "date_time", "datetime", "timestamp", "when", "date", "utc", "gps_time", "time_utc", "local_time"),
    "temperature": ("temperature", "temp", "water_temp", "water_temperature"),
    "kind": ("kind", "type", "what_is_it", "class", "cover", "cover_type", "feature"),
    "size": ("size", "diameter", "width", "dia"),
    "height": ("height", "top", "h", "height_above_water"),
    "base": ("base", "underside", "soffit", "crown_base", "clearance"),
    "radius": ("radius", "crown_radius", "r", "spread"),
    "leaf": ("leaf", "leaves", "foliage", "leaf_state", "thickness"),
    "id": ("id", "uid", "uuid", "identifier"),
    "text": ("text", "title", "words"),
    "name": ("name",),
    "cmt": ("cmt",),
    "date": ("date",),
    "hour": ("hour", "time_of_day", "clock_time"),
    "replaces": ("replaces",),
    "deleted": ("deleted",),
    "what": ("what", "event", "result", "outcome"),
    "species": ("species", "fish", "fish_species"),
    "fish_length": ("length", "fish_length", "fork_length"),
    "count": ("count", "number", "how_many", "n_fish"),
    "hours": ("hours", "effort", "hours_fished"),
    "cloud": ("cloud", "cloud_oktas", "oktas", "okta"),
    "clarity": ("clarity", "visibility", "secchi"),
    "trip": ("trip", "outing", "visit", "trip_id"),
    "role": ("role", "part"),
    "ring": ("ring", "polygon", "part_id"),
}
"""Names a column goes by, all in lower case with underscores; which of them count depends on the file."""

QUANTITY = {
    "x": "length", "y": "length", "depth": "length", "bed_level": "length", "water_level": "length",
    "speed": "speed", "boat_speed": "speed", "temperature": "temperature", "lon": "angle", "lat": "angle",
    "size": "length", "height": "length", "base": "length", "radius": "length", "fish_length": "length",
    "toward": "angle", "clarity": "length", "float_distance": "length", "float_time": "time", "hours": "time",
}  # fmt: skip
"""What kind of unit a column may carry."""

TEXTS = frozenset(["note", "text", "line", "time", "id"])
"""Columns of which the one called just so, else the first, counts when several fit; with numbers that were a guess."""

IGNORED = frozenset(
    """fid ogc_fid objectid index altitude alt ele elevation_gps hdop pdop satellites course heading bearing geometry
    wkt begin end timestamp altitudemode tessellate extrude visibility draworder icon marker_symbol marker_color stroke
    fill stroke_width stroke_opacity fill_opacity magvar geoidheight src link1_href link1_text link1_type link2_href
    link2_text link2_type sym fix sat vdop ageofdgpsdata dgpsid track_fid track_seg_id track_seg_point_id""".split()  # noqa: SIM905
)
"""Columns of common programs and standards that are passed over without a word."""


@dataclass(frozen=True)
class Column:
    """A column that was recognised.

    Parameters
    ----------
    index : position in the row
    header : as the file has it
    unit : unit named in the header, "" if none
    factor : to SI; 1 for a plain column
    """

    index: int
    header: str
    unit: str = ""
    factor: float = 1.0


def shift(quantity: str, factor: float) -> float:
    """What to add to a number times its factor to SI: only degrees Fahrenheit begin elsewhere than ours."""
    return -FREEZING_F * factor if quantity == "temperature" and factor != 1.0 else 0.0


def tidy(text: str) -> str:
    """A header in lower case, its words joined by underscores, accents gone."""
    flat = unicodedata.normalize("NFKD", text.strip().lower())
    flat = "".join(c for c in flat if not unicodedata.combining(c))
    flat = flat.replace("³", "3").replace("°", "deg")
    return re.sub(r"[^a-z0-9]+", "_", flat).strip("_")


def split_unit(header: str, quantity_of: Mapping[str, str]) -> tuple[str, str]:
    """A header's name and unit: "Depth (ft)", "depth_ft", "depth [m]", "speed m/s"; unit "" if it names none."""
    bracket = re.match(r"^(.*?)[(\[{](.*?)[)\]}]\s*$", header.strip())
    if bracket:
        return tidy(bracket[1]), tidy(bracket[2])
    name = tidy(header)
    if name in quantity_of:
        return name, ""
    words = name.split("_")
    for k in range(1, min(4, len(words))):
        front, unit = "_".join(words[:-k]), "_".join(words[-k:])
        quantity = quantity_of.get(front)
        if quantity and unit in UNITS[quantity]:
            return front, unit
    return name, ""


def _unit_at_end(name: str, quantity: str) -> str:
    """The unit that the last words of a tidied header of any name are, "" if they are none."""
    words = name.split("_")
    ends = ("_".join(words[-k:]) for k in (3, 2, 1) if k < len(words))
    return next((end for end in ends if end in UNITS.get(quantity, {})), "")


def match(
    header: Sequence[str],
    wanted: Sequence[str],
    file: str,
    report: Report,
    *,
    chosen: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
) -> dict[str, Column]:
    """Find the wanted columns by the table of synonyms.

    Parameters
    ----------
    header : column names as the file has them
    wanted : keys of `SYNONYMS` this kind of file may have
    chosen : key -> header, as the user wrote under [files.*.columns]; wins over the synonyms
    units : quantity -> unit for columns whose header names none, as the user wrote

    Raises
    ------
    InputError : two columns of the same name, a chosen column that isn't there, or a unit that isn't known
    """
    known = {name: key for key in wanted for name in SYNONYMS[key]}
    quantity_of = {name: QUANTITY.get(key, "") for name, key in known.items()}
    quantity_of |= {f"{name}_": "" for name in known}
    by_choice = _chosen(header, chosen or {}, wanted, file)
    found: dict[str, Column] = {}
    unknown: list[str] = []
    for index, raw in enumerate(header):
        name, unit = split_unit(raw, quantity_of)
        if index in by_choice:
            unit = unit or _unit_at_end(name, QUANTITY.get(by_choice[index], ""))
        key = by_choice.get(index) or (None if index in by_choice else known.get(name))
        if key is None or (key in (chosen or {}) and by_choice.get(index) != key):
            if name and name not in IGNORED and key is None:
                unknown.append(raw.strip())
            continue
        if key in found and key in TEXTS:
            if _likeness(raw, key) > _likeness(found[key].header, key):
                found[key] = _column(index, raw, key, unit, units or {}, file)
            continue
        if key in found:
            raise stop("column-twice", file, "header", first=found[key].header, second=raw, key=key)
        found[key] = _column(index, raw, key, unit, units or {}, file)
    if unknown:
        near = difflib.get_close_matches(tidy(unknown[0]), list(known), 1, 0.75)
        hint = f" ('{plain_key(near[0])}'?)" if near else ""
        names = ", ".join(repr(n[:40]) for n in unknown[:12]) + (", ..." if len(unknown) > 12 else "")
        report.say("column-unknown", file, "header", names=names, hint=hint)
    return found


def _likeness(header: str, key: str) -> int:
    """How nearly a column is called by its key: to the letter, but for its case, by another name, or by half of it.

    A date without its hour is but half a time.
    """
    return (header == key) + (tidy(header) == key) + (split_unit(header, {})[0] != "date")


def plain_key(name: str) -> str:
    """A synonym as a person would write it."""
    return name.replace("_", " ")


def _chosen(header: Sequence[str], chosen: Mapping[str, str], wanted: Sequence[str], file: str) -> dict[int, str]:
    names = [h.strip() for h in header]
    out = {}
    for key, raw in chosen.items():
        if key not in wanted:
            raise stop("column-choice", file, "[files] columns", key=key, keys=", ".join(wanted))
        if raw.strip() not in names:
            raise stop("column-absent", file, "header", name=raw, names=", ".join(names))
        out[names.index(raw.strip())] = key
    return out


def _column(index: int, raw: str, key: str, unit: str, units: Mapping[str, str], file: str) -> Column:
    quantity = QUANTITY.get(key)
    if not quantity:
        return Column(index, raw.strip())
    table = UNITS[quantity]
    given = unit
    if not given and quantity in ("length", "speed"):
        given = tidy(units.get(key, ""))
    if not given:
        return Column(index, raw.strip())
    if given not in table:
        raise stop("unit-unknown", file, f"column {raw.strip()!r}", unit=given, known=", ".join(table))
    # Positions keep the unit of their coordinate system; only local ones are turned into metres, by `place`.
    return Column(index, raw.strip(), given, 1.0 if key in ("x", "y") else table[given])
