"""A gravel river with a rough bed: meanders, pools and riffles, an island, boulders; depth known at every point.

Centreline: a sine-generated curve (Langbein & Leopold 1966, from memory) with one tight bend. Section: a beta curve
whose peak moves to the outer bank. Bed: gravel roughness of 4 cm over 0.6 m and of 6 cm over some metres, and boulders.
The seed makes another bed on the same plan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates
from scipy.spatial import cKDTree

LENGTH, STEP = 600.0, 0.25
BETA = 2.6
"""Sum of the two powers of the beta section."""
ISLAND = (455.0, 26.0, 0.60, 0.17)
"""Middle along [m], half length [m], middle across and half width as shares of the width from the right bank."""
LATTICE = 0.5
"""Spacing of the roughness lattice [m]."""


class GravelRiver:
    """One bed; `along` in metres from the head, `across` positive toward the left bank."""

    def __init__(self, seed: int = 1, boulders: int = 45) -> None:
        rng = np.random.default_rng(seed)
        s = self.s = np.arange(0, LENGTH + STEP, STEP)
        turn = 0.75 * np.sin(2 * np.pi * s / 260) + 0.25 * np.sin(2 * np.pi * s / 140 + 1)
        self.heading = turn + 1.9 * np.exp(-(((s - 330) / 38) ** 2))
        x, y = np.cumsum(np.cos(self.heading)) * STEP, np.cumsum(np.sin(self.heading)) * STEP
        self.x, self.y = x - x[0], y - y[0]
        curvature = gaussian_filter1d(np.gradient(self.heading, STEP), 10 / STEP)
        bend = np.tanh(22 * np.interp(s - 12, s, curvature))
        pool = np.clip(0.325 * (1 + np.cos(2 * np.pi * (s - 40) / 130)) + 0.55 * np.abs(bend), 0, 1)
        self.peak = 0.5 - 0.30 * bend
        self.deepest = 0.50 + 1.7 * pool**1.4
        width = 25 + 3.5 * np.sin(2 * np.pi * s / 170 + 0.4) - 4 * pool + 1.5 * np.sin(2 * np.pi * s / 47)
        width = gaussian_filter1d(width, 8)
        self.width = width + 10 * np.exp(-(((s - ISLAND[0]) / ISLAND[1]) ** 2))
        self._tree = cKDTree(np.column_stack([self.x, self.y]))
        noise = rng.standard_normal((2, int(LENGTH / LATTICE) + 40, 160))
        fine, coarse = gaussian_filter(noise[0], 1.2), gaussian_filter(noise[1], (10, 5))
        self._rough = 0.04 * fine / fine.std() + 0.06 * coarse / coarse.std()
        at = rng.uniform(10, LENGTH - 10, boulders)
        self.boulders = np.column_stack(
            [
                at,
                rng.uniform(-0.42, 0.42, boulders) * np.interp(at, s, self.width),
                rng.uniform(0.2, 0.65, boulders),
                rng.uniform(0.25, 0.9, boulders),
            ]
        )
        """Along, across, radius, height of every boulder [m]."""

    def channel(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Along and across of points on the plane."""
        near = self._tree.query(np.column_stack([x, y]))[1]
        dx, dy, h = x - self.x[near], y - self.y[near], self.heading[near]
        ahead = np.clip(dx * np.cos(h) + dy * np.sin(h), -0.2, 0.2)
        return self.s[near] + ahead, -dx * np.sin(h) + dy * np.cos(h)

    def plane(self, s: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Points on the plane from along and across."""
        x, y, h = (np.interp(s, self.s, a) for a in (self.x, self.y, self.heading))
        return x - n * np.sin(h), y + n * np.cos(h)

    def depth(self, s: np.ndarray, n: np.ndarray) -> np.ndarray:
        """Depth [m] from along and across; 0 on the island and outside."""
        share = np.asarray(n) / np.interp(s, self.s, self.width) + 0.5
        depth = self._smooth(s, share)
        rough = map_coordinates(self._rough, [s / LATTICE + 10, n / LATTICE + 80], order=1, mode="nearest")
        wet = depth > 0
        depth = np.where(wet, np.maximum(depth + rough * np.clip(depth / 0.3, 0, 1), 0.01), 0.0)
        for at, aside, radius, height in self.boulders:
            near = wet & (np.abs(s - at) < 1.6 * radius) & (np.abs(n - aside) < 1.6 * radius)
            away = np.hypot(s[near] - at, n[near] - aside) / radius
            depth[near] = np.maximum(depth[near] - height * np.clip(1.3 - 0.8 * away**2, 0, 1), 0.0)
        return np.where((share > 0) & (share < 1), depth, 0.0)

    def _smooth(self, s: np.ndarray, share: np.ndarray) -> np.ndarray:
        peak = np.interp(s, self.s, self.peak)
        right, left = np.clip(BETA * peak, 0.45, None), np.clip(BETA * (1 - peak), 0.45, None)
        top, share = right / (right + left), np.clip(share, 1e-9, 1 - 1e-9)
        section = (share / top) ** right * ((1 - share) / (1 - top)) ** left
        middle, length, aside, wide = ISLAND
        away = np.hypot((s - middle) / length, (share - aside) / wide)
        return np.interp(s, self.s, self.deepest) * section * np.clip((away - 1) / 0.9, 0, 1)

    def outline(self) -> shapely.Polygon:
        """The wetted area with the island as a hole."""
        s = np.arange(0, LENGTH + 0.5, 1.0)
        half = np.interp(s, self.s, self.width) / 2
        left, right = np.column_stack(self.plane(s, half)), np.column_stack(self.plane(s, -half))
        middle, length, aside, wide = ISLAND
        t = np.linspace(0, 2 * np.pi, 120)[:-1]
        at = middle + length * np.cos(t)
        n = (aside + wide * np.sin(t) - 0.5) * np.interp(at, self.s, self.width)
        return shapely.Polygon(np.vstack([left, right[::-1]]), [np.column_stack(self.plane(at, n))])

    def caps(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """The upstream and the downstream end of the outline, x and y of two points each."""
        ends = []
        for s in (0.0, LENGTH):
            half = np.interp(s, self.s, self.width) / 2
            ends.append(tuple(np.column_stack(self.plane(np.array([s, s]), np.array([half, -half]))).ravel()))
        return ends[0], ends[1]


@dataclass(frozen=True)
class Survey:
    """Soundings as an angler would take them: map coordinates and depth [m], and the cross-section of each or ""."""

    x: np.ndarray
    y: np.ndarray
    depth: np.ndarray
    line: np.ndarray


def survey(river: GravelRiver, style: str, seed: int, gps_m: float, noise_m: float = 0.03) -> Survey:
    """A "zigzag" sonar track of 400 points, 25 "sections" of 9, or 60 "wading" points where one can stand.

    Position errors of a track drift slowly, those of a section are partly shared, those of waded points are free;
    points that fall outside the outline are pulled in by 0.3 m.
    """
    rng = np.random.default_rng(seed)
    if style == "zigzag":
        s = np.linspace(3, LENGTH - 3, 520)
        phase = s / 44.0
        n = (2 * np.abs(2 * (phase - np.floor(phase + 0.5))) - 1) * 0.46 * np.interp(s, river.s, river.width)
        keep = np.flatnonzero(river.depth(s, n) > 0.2)
        keep = np.sort(rng.permutation(keep)[:400])
        s, n = s[keep], n[keep]
        slow = gaussian_filter1d(rng.normal(size=(len(s), 2)), 12, axis=0)
        off = gps_m * (0.8 * slow / slow.std() + 0.6 * rng.normal(size=slow.shape))
    elif style == "sections":
        s = np.repeat(np.linspace(8, LENGTH - 8, 25), 9)
        n = np.tile(np.linspace(-0.44, 0.44, 9), 25) * np.interp(s, river.s, river.width)
        shared = np.repeat(rng.normal(size=(25, 2)), 9, axis=0)
        off = 0.7 * gps_m * (shared + rng.normal(size=shared.shape))
        keep = river.depth(s, n) > 0
        s, n, off = s[keep], n[keep], off[keep]
    else:
        s = rng.uniform(4, LENGTH - 4, 4000)
        n = rng.uniform(-0.48, 0.48, 4000) * np.interp(s, river.s, river.width)
        depth = river.depth(s, n)
        keep = np.flatnonzero((depth > 0.05) & (depth < 1.1))[:60]
        s, n = s[keep], n[keep]
        off = gps_m * rng.normal(size=(len(s), 2))
    depth = np.maximum(river.depth(s, n) + rng.normal(0, noise_m, len(s)), 0.0)
    x, y = pulled_in(river.outline(), *(np.column_stack(river.plane(s, n)) + off).T)
    line = np.char.add("section ", np.round(s, 1).astype(str)) if style == "sections" else np.full(len(s), "")
    return Survey(x, y, depth, line)


def pulled_in(outline: shapely.Polygon, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points outside the outline moved to the nearest water 0.3 m from its edge."""
    inner = outline.buffer(-0.3)
    points = shapely.points(x, y)
    out = ~shapely.contains(inner, points)
    line = shapely.shortest_line(inner, points[out])
    ends = shapely.get_coordinates(line)[::2]
    x, y = x.copy(), y.copy()
    x[out], y[out] = ends.T
    return x, y
