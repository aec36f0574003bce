"""Strokes of a brush: what lies within a radius of a line through points, in pixel coordinates.

Axes as in `geometry.transforms`. The distance to a line of several pieces is the least of those to
its pieces; that to a piece is the distance to the nearest of its points (elementary plane geometry).
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Box = tuple[int, int, int, int]
"""x, y, width, height in px."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """Everything within `radius_px` (> 0) of a line through points (x, y), or of a single point."""

    points_px: tuple[tuple[float, float], ...]
    radius_px: float

    def box(self, size_px: tuple[int, int], room_px: float = 0.0) -> Box | None:
        """The part of a picture (height, width) that holds the stroke and so much room; None if outside."""
        points = np.array(self.points_px, np.float64).reshape(-1, 2)
        return box_around(points, size_px, self.radius_px + room_px)

    def distance_px(self, places_px: F32) -> F32:
        """Distance (h, w) from the line of places (h, w, 2), (x, y) in px; NaN for NaN."""
        points = np.array(self.points_px, np.float64).reshape(-1, 2)
        out = np.empty(places_px.shape[:2], np.float32)
        _distances(points, places_px, out)
        return out


def box_around(points_px: F64, size_px: tuple[int, int], room_px: float) -> Box | None:
    """The whole px of a picture (height, width) within a rectangle around points (N, 2) and so much room.

    None if there are none.
    """
    low, high = points_px.min(axis=0) - room_px, points_px.max(axis=0) + room_px
    x0, y0 = max(0, math.ceil(low[0])), max(0, math.ceil(low[1]))
    x1, y1 = min(size_px[1] - 1, math.floor(high[0])), min(size_px[0] - 1, math.floor(high[1]))
    return None if x1 < x0 or y1 < y0 else (x0, y0, x1 - x0 + 1, y1 - y0 + 1)


def places_in(box: Box) -> F32:
    """The places (h, w, 2) of the px of a box, (x, y)."""
    x, y, width, height = box
    columns, rows = np.meshgrid(
        np.arange(x, x + width, dtype=np.float32), np.arange(y, y + height, dtype=np.float32)
    )
    return np.ascontiguousarray(np.dstack([columns, rows]), np.float32)


@njit(cache=True, nogil=True)
def _distances(points: F64, places: F32, out: F32) -> None:
    pieces = max(1, points.shape[0] - 1)
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            px, py = np.float64(places[y, x, 0]), np.float64(places[y, x, 1])
            least = np.inf
            for k in range(pieces):
                end = min(k + 1, points.shape[0] - 1)
                ax, ay = points[k, 0], points[k, 1]
                dx, dy = points[end, 0] - ax, points[end, 1] - ay
                length = dx * dx + dy * dy
                along = 0.0 if length == 0.0 else ((px - ax) * dx + (py - ay) * dy) / length
                along = min(max(along, 0.0), 1.0)
                gx, gy = px - ax - along * dx, py - ay - along * dy
                least = min(least, gx * gx + gy * gy)
            out[y, x] = np.float32(np.sqrt(least)) if px == px and py == py else np.float32(np.nan)
