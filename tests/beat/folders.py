"""Beat folders for the tests: a straight reach of 120 x 16 m at 54.6 N, -2.8 E, flowing east."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np

LAT, LON = 54.6, -2.8
SOUNDING_COLUMNS = ("lon", "lat", "depth_m", "speed_m_s", "speed_how", "line", "note")
TOML = """\
name = "Trial water"
time_zone = "Europe/London"

[survey]
date = 2026-06-14
bed = "cobble"
head = [54.6, -2.80093]

[water]
clarity_m = 2.5
colour = "clear"
temperature_c = 13

[fish]
species = "brown"
length_m = 0.35

[[scenes]]
name = "sunny noon"
when = "2026-06-20 13:00"
cloud = 1
"""


def to_degrees(x, y):
    """Metres east and north of the middle to longitude and latitude; a plane, good to a millimetre here.

    Lengths of a degree at 54.6 N on WGS 84, from the series of the meridian and parallel arcs (computed).
    """
    phi = np.radians(LAT)
    a, e2 = 6378137.0, 0.0066943799901413165
    w = 1 - e2 * np.sin(phi) ** 2
    per_lat = np.pi / 180 * a * (1 - e2) / w**1.5
    per_lon = np.pi / 180 * a * np.cos(phi) / np.sqrt(w)
    return LON + np.asarray(x) / per_lon, LAT + np.asarray(y) / per_lat


def ring(points):
    """A closed ring of degrees from corners in metres."""
    lon, lat = to_degrees(*np.array(points, float).T)
    return [[round(float(a), 9), round(float(b), 9)] for a, b in zip(lon, lat, strict=True)]


BOX = [(-60, -8), (60, -8), (60, 8), (-60, 8), (-60, -8)]
ISLAND = [(10, -2), (20, -2), (20, 2), (10, 2), (10, -2)]


def feature(shape, coordinates, **properties):
    """One GeoJSON feature."""
    return {"type": "Feature", "properties": properties, "geometry": {"type": shape, "coordinates": coordinates}}


def collection(*features):
    """GeoJSON text."""
    return json.dumps({"type": "FeatureCollection", "features": list(features)})


def outline_text(island: bool = False):
    """The outline as GeoJSON text."""
    return collection(feature("Polygon", [ring(BOX)] + ([ring(ISLAND)] if island else [])))


def sounding_rows():
    """Rows of SOUNDING_COLUMNS: cross-sections every 10 m, a speed at every third."""
    rows = []
    k = 0
    for x in range(-55, 60, 10):
        for y in (-7, -4.5, -2.5, 0, 2.5, 4.5, 7):
            lon, lat = to_degrees(x, y)
            depth = round(0.9 * (1 - (y / 8) ** 2) + 0.05, 3)
            speed, how = ("0.61", "surface float") if k % 3 == 0 else ("", "")
            rows.append([f"{float(lon):.8f}", f"{float(lat):.8f}", f"{depth:.3f}", speed, how, f"x{x}", ""])
            k += 1
    return rows


def table_text(rows, header=SOUNDING_COLUMNS, delimiter=",", line_end="\n"):
    """A text table."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=line_end)
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()


def make(folder: Path, toml: str | None = TOML, files: dict | None = None, **named) -> Path:
    """Write a beat folder; files by name, keywords have dots as double underscores; None leaves a file out."""
    folder.mkdir(parents=True, exist_ok=True)
    whole = {"outline.geojson": outline_text(), "soundings.csv": table_text(sounding_rows())}
    if toml is not None:
        whole["beat.toml"] = toml
    whole |= {name.replace("__", "."): content for name, content in named.items()} | (files or {})
    for name, content in whole.items():
        if isinstance(content, bytes):
            (folder / name).write_bytes(content)
        elif content is not None:
            (folder / name).write_text(content, encoding="utf-8", newline="")
    return folder
