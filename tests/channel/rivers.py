"""Channels with known answers: shapes and beds written down in closed form, nothing taken from the package."""

from __future__ import annotations

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import shapely
from scipy.spatial import cKDTree

from reachmap.beat.model import Beat
from tests import toy

WIDTH = 18.0


def strip(line: np.ndarray, width: float) -> shapely.Polygon:
    """Straight-ended ribbon of water around a centreline (n, 2)."""
    return shapely.LineString(line).buffer(width / 2, cap_style="flat", quad_segs=32)


def hairpin_line(gap: float, width: float = 20.0, limb: float = 150.0) -> np.ndarray:
    """Two straight limbs joined by a half circle, `gap` metres of land between them."""
    radius = (gap + width) / 2
    angle = np.linspace(-np.pi / 2, np.pi / 2, 60)[1:-1]
    x = np.linspace(0, limb, 60)
    return np.vstack(
        [
            np.column_stack([x, np.full(60, -radius)]),
            np.column_stack([limb + radius * np.cos(angle), radius * np.sin(angle)]),
            np.column_stack([x[::-1], np.full(60, radius)]),
        ]
    )


def staircase(shape: shapely.Polygon, pixel: float = 1.0) -> shapely.Polygon:
    """The outline as pixels would draw it: all squares whose middle is in the water."""
    west, south, east, north = shape.bounds
    x, y = np.meshgrid(np.arange(west, east, pixel), np.arange(south, north, pixel))
    keep = shapely.contains_xy(shape, x.ravel() + pixel / 2, y.ravel() + pixel / 2)
    x, y = x.ravel()[keep], y.ravel()[keep]
    whole = shapely.union_all(shapely.box(x, y, x + pixel, y + pixel))
    return max(shapely.get_parts(whole), key=lambda part: part.area)


@dataclass(frozen=True)
class River:
    """A sine-generated river (Langbein & Leopold 1966, from memory) with pools in its bends and riffles between.

    `s`, `x`, `y`, `heading` along the centreline; the bed is `depth(s, n)`.
    """

    s: np.ndarray
    x: np.ndarray
    y: np.ndarray
    heading: np.ndarray
    width: float = WIDTH

    @classmethod
    def make(cls, length: float = 360.0, wave: float = 180.0, swing: float = 1.0, turned: float = 0.0) -> River:
        s = np.arange(0, length + 0.25, 0.25)
        heading = turned + swing * np.sin(2 * np.pi * s / wave)
        x, y = np.cumsum(np.cos(heading)) * 0.25, np.cumsum(np.sin(heading)) * 0.25
        return cls(s, x - x[0], y - y[0], heading)

    @property
    def line(self) -> np.ndarray:
        return np.column_stack([self.x, self.y])

    @property
    def outline(self) -> shapely.Polygon:
        left, right = (self.at(self.s[::4], np.full(len(self.s[::4]), side * self.width / 2)) for side in (1, -1))
        return shapely.Polygon(np.vstack([left, right[::-1]])).buffer(0)

    @property
    def caps(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        ends = []
        for s in (self.s[0], self.s[-1]):
            both = self.at(np.array([s, s]), np.array([1, -1]) * self.width / 2)
            ends.append(tuple(both.ravel()))
        return ends[0], ends[1]

    def at(self, s: np.ndarray, n: np.ndarray) -> np.ndarray:
        """(len, 2) map coordinates of channel coordinates."""
        x, y, h = (np.interp(s, self.s, a) for a in (self.x, self.y, self.heading))
        return np.column_stack([x - n * np.sin(h), y + n * np.cos(h)])

    def channel(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Channel coordinates of map coordinates, by the nearest point of the centreline."""
        near = cKDTree(self.line).query(np.column_stack([x, y]))[1]
        dx, dy, h = x - self.x[near], y - self.y[near], self.heading[near]
        return self.s[near] + dx * np.cos(h) + dy * np.sin(h), -dx * np.sin(h) + dy * np.cos(h)

    def depth(self, s: np.ndarray, n: np.ndarray) -> np.ndarray:
        """Pools of 1.7 m in the bends, riffles of 0.5 m between, the deepest line toward the outer bank."""
        bend = np.gradient(self.heading, self.s)
        bend = np.interp(s - 10, self.s, bend / np.abs(bend).max())
        deepest = 0.5 + 1.2 * np.abs(bend) ** 1.5
        share = np.clip(n / self.width + 0.5, 1e-9, 1 - 1e-9)
        left = 2.6 * (0.5 - 0.28 * bend)
        right = 2.6 - left
        peak = left / 2.6
        shape = (share / peak) ** left * ((1 - share) / (1 - peak)) ** right
        ripple = 0.03 * np.sin(2 * np.pi * s / 3.1) * np.sin(2 * np.pi * n / 2.3)
        return np.maximum(deepest * shape + ripple * np.clip(deepest * shape / 0.3, 0, 1), 0.0)


def survey(river: River, style: str, seed: int = 1, gps: float = 0.05) -> tuple[np.ndarray, ...]:
    """x, y, depth, line of a survey: "zigzag" track, "sections" or sparse "wading" points below 1 m deep."""
    rng = np.random.default_rng(seed)
    length, half = river.s[-1], river.width / 2
    if style == "zigzag":
        s = np.linspace(2, length - 2, 300)
        n = (2 * np.abs(2 * (s / 34 - np.floor(s / 34 + 0.5))) - 1) * 0.92 * half
        line = np.full(len(s), "")
    elif style == "sections":
        s = np.repeat(np.linspace(6, length - 6, 19), 9)
        n = np.tile(np.linspace(-0.9, 0.9, 9) * half, 19)
        line = np.char.add("x", np.repeat(np.arange(19), 9).astype(str))
    else:
        s, n = rng.uniform(4, length - 4, 2000), rng.uniform(-0.95, 0.95, 2000) * half
        depth = river.depth(s, n)
        keep = np.flatnonzero((depth > 0.05) & (depth < 1.0))[:50]
        s, n = s[keep], n[keep]
        line = np.full(len(s), "")
    depth = np.maximum(river.depth(s, n) + rng.normal(0, 0.03, len(s)), 0.0)
    place = river.at(s, n) + rng.normal(0, gps, (len(s), 2))
    return place[:, 0], place[:, 1], depth, line


def beat(outline: shapely.Geometry, x=(), y=(), depth=(), line=None, speed=None, **change) -> Beat:
    """The toy beat with another outline and other soundings, and nothing else known."""
    n = len(x)
    base = toy.beat()
    speed = np.full(n, np.nan) if speed is None else np.asarray(speed, float)
    soundings = gpd.GeoDataFrame(
        {
            "depth_m": np.asarray(depth, float),
            "speed_m_s": speed,
            "speed_how": np.where(np.isfinite(speed), "mean", ""),
            "toward_deg": np.nan,
            "line": np.full(n, "") if line is None else line,
            "note": "",
            "file": "soundings.csv",
            "row": np.arange(2, n + 2),
            "flag": "",
        },
        geometry=shapely.points(np.asarray(x, float), np.asarray(y, float)),
        crs=base.crs,
    )
    if outline.geom_type == "Polygon":
        outline = shapely.MultiPolygon([outline])
    known = {"flow_m3_s": None, "slope": None, "head": None, "caps": None, "cover": base.cover.iloc[:0]}
    return replace(base, outline=outline, soundings=soundings, **{**known, **change})
