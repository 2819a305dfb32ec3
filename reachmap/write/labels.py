"""Where the words of a printed sketch go: beside what they name, clear of each other and of what is drawn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

WAYS = 16
"""Directions from its point in which a label is tried, the right first."""

FARTHER, ON_A_LINE, HIDDEN = 0.3, 4.0, 10.0
"""What is bad about a place: each step away from the point, a line under the label as long as its way round, something
under the whole label (assumed)."""

TOUCHING = 1e-6
"""Share of a label that may lie over something all the same, by rounding."""


@dataclass(frozen=True)
class Placed:
    """Where one label goes.

    Parameters
    ----------
    x, y : its middle
    clear : nothing is under it that it must keep off
    """

    x: float
    y: float
    clear: bool


def place_labels(
    points: Sequence[tuple[float, float]],
    sizes: Sequence[tuple[float, float]],
    gaps: Sequence[float],
    solid: Sequence[BaseGeometry] = (),
    lines: BaseGeometry | None = None,
    frame: tuple[float, float, float, float] | None = None,
) -> list[Placed]:
    """Find a place for every label, one after another, in whatever one draws in.

    Parameters
    ----------
    points : what the labels name
    sizes : width and height of each label
    gaps : how far from its point a label's edge may be, the best first
    solid : areas that no label may hide
    lines : what labels had better not cross
    frame : least x and y, greatest x and y that labels must stay within; None for no limit
    """
    turn = 2 * np.pi * np.arange(WAYS) / WAYS
    ways = np.tile(np.column_stack([np.cos(turn), np.sin(turn)]), (len(gaps), 1))
    away, steps = np.repeat(np.asarray(gaps, float), WAYS), np.repeat(np.arange(len(gaps)), WAYS)
    in_the_way = shapely.STRtree(list(solid))
    crossed = shapely.STRtree(_pieces(lines))
    taken, out = np.zeros((0, 4)), list[Placed]()
    for point, size in zip(points, sizes, strict=True):
        half = np.array(size) / 2
        middle = np.array(point) + ways * (half + away[:, None])
        boxes = np.hstack([middle - half, middle + half])
        hidden = (_under(in_the_way, boxes, shapely.area) + _shared(boxes, taken)) / (4 * half.prod())
        if frame is not None:
            hidden += ((boxes[:, :2] < frame[:2]) | (boxes[:, 2:] > frame[2:])).any(axis=1)
        on_a_line = _under(crossed, boxes, shapely.length) / (4 * half.sum())
        cost = FARTHER * steps + ON_A_LINE * on_a_line + HIDDEN * hidden
        best = int(np.argmin(cost))
        taken = np.vstack([taken, boxes[best]])
        out.append(Placed(float(middle[best, 0]), float(middle[best, 1]), bool(hidden[best] < TOUCHING)))
    return out


def _pieces(lines: BaseGeometry | None) -> np.ndarray:
    """The straight pieces of lines, which are quicker to find one by one than a long line is to cut."""
    found = [
        np.stack([points[:-1], points[1:]], axis=1) for points in map(shapely.get_coordinates, shapely.get_parts(lines))
    ]
    return np.asarray(shapely.linestrings(np.concatenate([np.zeros((0, 2, 2)), *found])))


def _under(drawn: shapely.STRtree, boxes: np.ndarray, measure: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """How much of what is drawn lies under each box (n, 4), by its area or length."""
    shapes = shapely.box(*boxes.T)
    which, one = drawn.query(shapes)
    return np.bincount(which, measure(shapely.intersection(shapes[which], drawn.geometries[one])), minlength=len(boxes))


def _shared(boxes: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Area that each box (n, 4) shares with other boxes (m, 4)."""
    low = np.maximum(boxes[:, None, :2], others[:, :2])
    high = np.minimum(boxes[:, None, 2:], others[:, 2:])
    return np.maximum(high - low, 0.0).prod(axis=2).sum(axis=1)
