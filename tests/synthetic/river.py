"""A meandering gravel river whose depth and speed are known exactly at every point.

Centreline: a sine-generated curve (Langbein & Leopold 1966, from memory) with one tight bend. Depth: pools at the bends
and every five to six widths, the deep line toward the outer bank, an island. Speed: the flow is split over each
section in proportion to depth^(5/3), so every section carries the same flow, on both sides of the island.
"""

from __future__ import annotations

import numpy as np
import shapely
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

LENGTH, STEP = 600.0, 0.25
FLOW = 4.5
ISLAND = (455.0, 26.0, 0.20, 3.0)
"""Middle along [m], half length [m], middle across as a share of the width from the centre, half width [m]."""


class River:
    """One invented river; `along`, `across` in metres, across positive toward the left bank."""

    def __init__(self) -> None:
        s = self.s = np.arange(0, LENGTH + STEP, STEP)
        turn = 0.75 * np.sin(2 * np.pi * s / 260) + 0.25 * np.sin(2 * np.pi * s / 140 + 1)
        self.angle = turn + 1.9 * np.exp(-(((s - 330) / 38) ** 2))
        self.x = np.cumsum(np.cos(self.angle)) * STEP
        self.y = np.cumsum(np.sin(self.angle)) * STEP
        self.x, self.y = self.x - self.x.mean(), self.y - self.y.mean()
        bend = np.tanh(22 * np.interp(s - 12, s, gaussian_filter1d(np.gradient(self.angle, STEP), 40)))
        pool = np.clip(0.325 * (1 + np.cos(2 * np.pi * (s - 40) / 130)) + 0.55 * np.abs(bend), 0, 1)
        self.deepest = 0.45 + 1.5 * pool**1.4
        self.skew = -0.30 * bend
        width = 20 + 3 * np.sin(2 * np.pi * s / 170 + 0.4) - 3 * pool + 7 * np.exp(-(((s - 455) / 30) ** 2))
        self.width = gaussian_filter1d(width, 30)
        self.tree = cKDTree(np.column_stack([self.x, self.y]))
        self._conveyance = self._sum_conveyance()

    def channel(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Along and across of points on the plane."""
        _, i = self.tree.query(np.column_stack([np.ravel(x), np.ravel(y)]))
        dx, dy = np.ravel(x) - self.x[i], np.ravel(y) - self.y[i]
        return self.s[i], -dx * np.sin(self.angle[i]) + dy * np.cos(self.angle[i])

    def plane(self, s: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Points on the plane from along and across."""
        angle = np.interp(s, self.s, self.angle)
        x, y = np.interp(s, self.s, self.x), np.interp(s, self.s, self.y)
        return x - n * np.sin(angle), y + n * np.cos(angle)

    def depth_at(self, s: np.ndarray, n: np.ndarray) -> np.ndarray:
        """Depth [m] from along and across; 0 on land."""
        half = np.interp(s, self.s, self.width) / 2
        u = np.clip(n / half, -1, 1)
        away = np.clip(1 - np.abs(u), 0, None) * half
        skew = np.interp(s, self.s, self.skew) * 2
        shape = np.clip(1 - 0.45 * (u - skew) ** 2, 0.15, None)
        bed = np.interp(s, self.s, self.deepest) * shape * (1 - np.exp(-away / 1.6))
        ripple = 0.05 * np.sin(2 * np.pi * s / 7.3 + n) * np.sin(2 * np.pi * n / 4.1)
        mid, length, share, wide = ISLAND
        reach = np.hypot((s - mid) / length, (n - share * 2 * half) / wide)
        island = np.clip(reach - 1, 0, None) * wide
        return np.clip((bed + ripple * (bed > 0.3)) * (1 - np.exp(-island / 0.8)), 0, None)

    def depth(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Depth [m] at points on the plane."""
        return self.depth_at(*self.channel(x, y))

    def speed(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Depth-mean speed [m/s] at points on the plane."""
        return self.speed_at(*self.channel(x, y))

    def speed_at(self, s: np.ndarray, n: np.ndarray) -> np.ndarray:
        """Depth-mean speed [m/s] from along and across."""
        return FLOW * self.depth_at(s, n) ** (2 / 3) / np.interp(s, self.s, self._conveyance)

    def _sum_conveyance(self) -> np.ndarray:
        """Sum of depth^(5/3) over each section, every 2 m along, between them interpolated."""
        at = np.arange(0, LENGTH + 2, 2.0)
        share = (np.arange(400) + 0.5) / 400 - 0.5
        width = np.interp(at, self.s, self.width)
        n = share[None, :] * width[:, None]
        depth = self.depth_at(np.repeat(at, 400), n.ravel()).reshape(n.shape)
        return np.interp(self.s, at, (depth ** (5 / 3)).sum(1) * width / 400)

    def outline(self, step: float = 3.5) -> shapely.Polygon:
        """The wetted area with the island as a hole, a vertex every `step` metres."""
        s = np.arange(0, LENGTH + 0.1, step)
        half = np.interp(s, self.s, self.width) / 2
        left, right = np.column_stack(self.plane(s, half)), np.column_stack(self.plane(s, -half))
        mid, length, share, wide = ISLAND
        t = np.linspace(0, 2 * np.pi, 28)[:-1]
        at = mid + length * np.cos(t)
        n = share * np.interp(at, self.s, self.width) + wide * np.sin(t)
        return shapely.Polygon(np.vstack([left, right[::-1]]), [np.column_stack(self.plane(at, n))])
