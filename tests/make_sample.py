"""Make the sample beat: an invented river, surveyed with honest noise. `python -m tests.make_sample OUT`."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path

import numpy as np
import rasterio
import shapely
from pyproj import CRS, Transformer
from rasterio.transform import from_origin

from reachmap.beat.model import Beat
from tests.synthetic.river import LENGTH, River

LAT, LON = 54.6205, -2.3105
LOCAL = CRS.from_proj4(f"+proj=tmerc +lat_0={LAT} +lon_0={LON} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m")
TO_DEGREES = Transformer.from_crs(LOCAL, "EPSG:4326", always_xy=True)

TOML = """# Tarrowby Water is invented: no river, place or person behind it. Made by tests/make_sample.py.
name = "Tarrowby Water, Mill Shed beat"
time_zone = "Europe/London"

[survey]
date = 2026-06-14
flow_m3_s = 4.5          # staff reading at the mill
head = [{head_lat:.6f}, {head_lon:.6f}]   # upstream end
bed = "cobble"

[water]
clarity_m = 2.6          # a white mug vanishes at this depth
clarity_how = "white from above"
colour = "clear"
temperature_c = 13.0

[fish]
species = "brown"
length_m = 0.36

[[scenes]]
name = "sunny noon"
when = 2026-07-30T13:00:00
cloud = 1

[[scenes]]
name = "overcast noon"
when = 2026-07-30T13:00:00
cloud = 8

[[scenes]]
name = "full-moon night"
when = 2026-07-31T02:00:00
cloud = 1
"""


class Truth:
    """The invented river's depth and speed in the coordinates of a beat that was read from the sample."""

    def __init__(self, beat: Beat) -> None:
        self.river = River()
        self.back = Transformer.from_crs(beat.crs, LOCAL, always_xy=True)

    def depth(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Depth [m]."""
        return self.river.depth(*self.back.transform(x, y))

    def speed(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Depth-mean speed [m/s]."""
        return self.river.speed(*self.back.transform(x, y))


def truth(beat: Beat) -> Truth:
    """What the sample's survey was drawn from."""
    return Truth(beat)


def make(out: Path) -> None:
    """Write every file of the sample."""
    river, rng = River(), np.random.default_rng(20260614)
    out.mkdir(parents=True, exist_ok=True)
    lon, lat = TO_DEGREES.transform(river.x[0], river.y[0])
    (out / "beat.toml").write_text(TOML.format(head_lat=lat, head_lon=lon), encoding="utf-8")
    _write(out / "outline.geojson", [(_jitter(river.outline(), rng), {"name": "survey stage"})])
    (out / "soundings.csv").write_text(_soundings(river, rng), encoding="utf-8")
    _write(out / "cover.geojson", _cover(river, rng))
    _write(out / "shade.geojson", _shade(river, rng))
    _write(out / "notes.geojson", _notes(river))
    _terrain(out / "terrain.tif", river)
    (out / "log.csv").write_text(_log(river, rng), encoding="utf-8")


def _jitter(shape: shapely.Polygon, rng: np.random.Generator) -> shapely.Polygon:
    """Each vertex off by about 0.2 m, rings closed again."""
    rings = []
    for ring in (shape.exterior, *shape.interiors):
        xy = np.asarray(ring.coords)[:-1]
        rings.append(xy + rng.normal(0, 0.2, xy.shape))
    return shapely.Polygon(rings[0], rings[1:])


def _soundings(river: River, rng: np.random.Generator) -> str:
    """A kayak's zigzag, wading cross-sections, a few points in the side channel."""
    zig = np.linspace(4, LENGTH - 4, 300)
    rows = [(s, 0.43 * np.interp(s, river.s, river.width) * _wave(s), "zigzag") for s in zig]
    for number, s in enumerate((60, 150, 235, 320, 410, 520, 570), 1):
        half = np.interp(s, river.s, river.width) / 2
        rows += [(s, n, f"section {number}") for n in np.linspace(-half + 0.6, half - 0.6, 16)]
    rows += [(s, 0.43 * np.interp(s, river.s, river.width), "side channel") for s in np.linspace(432, 478, 24)]
    s, n = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    depth, speed = river.depth_at(s, n), river.speed_at(s, n)
    drift = np.column_stack([_slow_noise(rng, len(s)), _slow_noise(rng, len(s))])
    x, y = river.plane(s, n)
    lon, lat = TO_DEGREES.transform(x + drift[:, 0], y + drift[:, 1])
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["lon", "lat", "depth_m", "speed_m_s", "speed_how", "line", "note"])
    for i, (_, _, line) in enumerate(rows):
        if depth[i] < 0.12:
            continue
        measured = (line.startswith("section") and i % 2 == 0) or (line == "zigzag" and i % 6 == 0)
        how = "0.6 depth" if line.startswith("section") else "surface float"
        value = speed[i] * (1.02 if how == "0.6 depth" else 1 / 0.78) * (1 + rng.normal(0, 0.05))
        given = [f"{value:.2f}", how] if measured else ["", ""]
        writer.writerow(
            [f"{lon[i]:.7f}", f"{lat[i]:.7f}", f"{max(depth[i] + rng.normal(0, 0.03), 0.05):.2f}", *given, line, ""]
        )
    return text.getvalue()


def _wave(s: float) -> float:
    """Side to side between -1 and 1 every 24 m."""
    return 2 * abs((s / 24) % 2 - 1) - 1


def _slow_noise(rng: np.random.Generator, n: int) -> np.ndarray:
    """A hand-held receiver's error: 0.9 m that wanders, 0.5 m that does not."""
    walk = np.zeros(n)
    for i in range(1, n):
        walk[i] = 0.95 * walk[i - 1] + rng.normal(0, 0.9 * np.sqrt(1 - 0.95**2))
    return walk + rng.normal(0, 0.5, n)


def _cover(river: River, rng: np.random.Generator) -> list[tuple[shapely.Geometry, dict[str, object]]]:
    """Boulders, one log, the undercut outside the tight bend."""
    out: list[tuple[shapely.Geometry, dict[str, object]]] = []
    for s in np.sort(rng.uniform(15, LENGTH - 15, 25)):
        n = rng.uniform(-0.35, 0.35) * np.interp(s, river.s, river.width)
        out.append((_spot(river, s, n), {"kind": "boulder", "size_m": round(float(rng.uniform(0.6, 1.4)), 1)}))
    out.append((_line(river, 292, 330, -0.47), {"kind": "undercut", "size_m": 0.9, "note": "roots, a fist deep"}))
    out.append((_line(river, 205, 211, 0.40), {"kind": "log", "size_m": 0.5}))
    return out


def _shade(river: River, rng: np.random.Generator) -> list[tuple[shapely.Geometry, dict[str, object]]]:
    """Alders on the southern bank, a footbridge."""
    out: list[tuple[shapely.Geometry, dict[str, object]]] = []
    for s in (*np.arange(70, 130, 7.0), *np.arange(285, 345, 6.0), *np.arange(480, 530, 8.0)):
        south = -1.0 if np.cos(np.interp(s, river.s, river.angle)) > 0 else 1.0
        n = south * (np.interp(s, river.s, river.width) / 2 + rng.uniform(1.5, 3.0))
        facts = {
            "kind": "tree",
            "height_m": round(float(rng.uniform(7, 12)), 1),
            "base_m": 1.2,
            "radius_m": round(float(rng.uniform(2.2, 3.4)), 1),
            "leaf": "alder",
        }
        out.append((_spot(river, s, n), facts))
    half = np.interp(250, river.s, river.width) / 2 + 3
    ends = shapely.LineString([_spot(river, 250, -half), _spot(river, 250, half)])
    out.append((ends.buffer(0.8, cap_style="flat"), {"kind": "bridge", "height_m": 2.6, "base_m": 2.2}))
    return out


def _terrain(path: Path, river: River) -> None:
    """Ground above the water on an 8 m lattice: a low bank, flat meadow, and a valley side to the south."""
    x = np.arange(river.x.min() - 60, river.x.max() + 60, 8.0)
    y = np.arange(river.y.max() + 60, river.y.min() - 160, -8.0)
    xx, yy = np.meshgrid(x, y)
    away = river.tree.query(np.column_stack([xx.ravel(), yy.ravel()]))[0].reshape(xx.shape) - 12
    side = 0.45 * np.clip(river.y.min() - 40 - yy, 0, None)
    height = np.round(np.where(away <= 0, 0.0, np.minimum(0.1 * away, 0.8)) + side, 1).astype(np.float32)
    profile = {"driver": "GTiff", "height": len(y), "width": len(x), "count": 1, "dtype": "float32"}
    corner = from_origin(x[0] - 4, y[0] + 4, 8.0, 8.0)
    with rasterio.open(path, "w", crs=LOCAL.to_wkt(), transform=corner, compress="deflate", **profile) as raster:
        raster.write(height, 1)


def _notes(river: River) -> list[tuple[shapely.Geometry, dict[str, object]]]:
    """What the guide wrote."""
    words = ((252, 0.6, "Gate and stile by the footbridge."), (310, -0.6, "Good ledge to kneel on below the alders."))
    return [
        (
            _spot(river, s, share * np.interp(s, river.s, river.width)),
            {"id": f"sample-{i}", "text": text, "kind": "note", "time": "2026-06-14T09:30:00Z"},
        )
        for i, (s, share, text) in enumerate(words, 1)
    ]


def _log(river: River, rng: np.random.Generator) -> str:
    """Five trips: what was met, where nothing was met, and the hours it took."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        [
            "date_time",
            "lat",
            "lon",
            "what",
            "species",
            "length_m",
            "count",
            "hours",
            "cloud",
            "clarity_m",
            "note",
            "trip",
        ]
    )
    for trip in range(1, 6):
        for entry in range(5):
            met = entry < 3
            s = float(rng.choice([80, 115, 300, 318, 500]) + rng.normal(0, 4) if met else rng.uniform(20, 580))
            point = _spot(river, s, rng.uniform(-0.4, 0.4) * np.interp(s, river.s, river.width))
            lon, lat = TO_DEGREES.transform(point.x, point.y)
            what = ("catch", "follow", "sighting")[entry] if met else "blank"
            length = f"{rng.uniform(0.22, 0.45):.2f}" if what == "catch" else ""
            when = f"2026-0{4 + trip % 4}-{7 + trip:02d}T{10 + 2 * entry:02d}:{10 * trip:02d}"
            row = [when, f"{lat:.6f}", f"{lon:.6f}", what, "brown" if met else "", length, 1 if met else ""]
            writer.writerow([*row, "" if met else "1.0", (trip * 2) % 9, "2.4", "", f"trip {trip}"])
    return text.getvalue()


def _spot(river: River, s: float, n: float) -> shapely.Point:
    """A point from along and across."""
    x, y = river.plane(np.array([s]), np.array([n]))
    return shapely.Point(x[0], y[0])


def _line(river: River, start: float, end: float, share: float) -> shapely.LineString:
    """A line along the channel at a share of the width from the centre."""
    s = np.arange(start, end + 0.1, 3.0)
    return shapely.LineString(np.column_stack(river.plane(s, share * np.interp(s, river.s, river.width))))


def _write(path: Path, features: list[tuple[shapely.Geometry, dict[str, object]]]) -> None:
    """Features in longitude and latitude, one a line."""
    lines = []
    for shape, facts in features:
        moved = shapely.transform(shape, lambda xy: np.round(np.column_stack(TO_DEGREES.transform(*xy.T)), 7))
        geometry = json.loads(shapely.to_geojson(moved))
        lines.append(json.dumps({"type": "Feature", "properties": facts, "geometry": geometry}))
    body = ",\n".join(lines)
    path.write_text(f'{{"type": "FeatureCollection", "features": [\n{body}\n]}}\n', encoding="utf-8")


if __name__ == "__main__":
    make(Path(sys.argv[1]))
