"""The relief of a pair as a mesh: its left picture's pixels in space, in mm.

x to the right, y up, z towards the viewer, with the origin in the middle of the picture in the plane of the
stereo window. A pixel's size grows with its distance (one camera, central projection), so lengths are true
at every depth and not only in the window. Where the mm of a shoot are not known they are assumed: a picture
ASSUMED_WIDTH_MM wide in the window, shot from a base of one thirtieth of the distance (common practice, no
source), and every pixel of the same size.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import NearpairError
from nearpair.pixels.luma import Plane

ASSUMED_WIDTH_MM = 100.0
ASSUMED_DISTANCE_IN_BASES = 30.0
JUMP_CELLS = 4.0
"""A step in depth of more than so many times the width of a cell is a jump, not a slope (76 degrees)."""

_SAMPLES = 512


@dataclass(frozen=True, slots=True)
class Scale:
    """Size of a pixel at a depth behind the window: window_mm + slope · depth, both in mm (a pixel)."""

    window_mm: float
    slope: float


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """Vertices (n, 3) in mm, triangles (m, 3) counter-clockwise seen from outside, and places in the picture.

    `places` (n, 2): share of the picture's width and height from its top left corner; None for a solid.
    """

    vertices: NDArray[np.float32]
    triangles: NDArray[np.uint32]
    places: NDArray[np.float32] | None = None


def depth_of(parallax: Plane, known_parallax: Plane, known_depth: Plane) -> Plane:
    """Depth (h, w) mm behind the window of a complete parallax (h, w), from pixels where both are known.

    Depth is a steady function of parallax, so it is looked up by it. Raises NearpairError if nothing is
    known.
    """
    both = np.isfinite(known_parallax) & np.isfinite(known_depth)
    if not both.any():
        raise NearpairError("No depth is known of this pair.", "Export a flat form instead.")
    order = np.argsort(known_parallax[both], kind="stable")
    points = order[np.linspace(0, len(order) - 1, min(_SAMPLES, len(order))).round().astype(int)]
    told, depth = known_parallax[both][points], known_depth[both][points]
    return np.asarray(np.interp(parallax, told, np.maximum.accumulate(depth)), np.float32)


def assumed(parallax: Plane) -> tuple[Plane, Scale]:
    """Depth (h, w) mm and scale where no mm are known: see the module."""
    window_mm = ASSUMED_WIDTH_MM / parallax.shape[1]
    return np.asarray(parallax * (ASSUMED_DISTANCE_IN_BASES * window_mm), np.float32), Scale(window_mm, 0.0)


def surface(depth: Plane, scale: Scale, columns: int) -> Mesh:
    """The surface, cut where depth jumps: what no eye saw is left open. At most `columns` cells wide."""
    points, places, cell_mm = _points(depth, scale, columns)
    height, width = points.shape[:2]
    quads = _quads(height, width)
    corners = points[..., 2].reshape(-1)[quads]
    quads = quads[np.ptp(corners, axis=1) <= JUMP_CELLS * cell_mm]
    if not len(quads):
        raise NearpairError("The depth of this pair holds no surface.", "Export a flat form instead.")
    return Mesh(points.reshape(-1, 3), _triangles(quads), places.reshape(-1, 2))


def solid(depth: Plane, scale: Scale, columns: int, base_share: float = 0.04) -> Mesh:
    """A closed body to be printed: the surface without cuts, walls, and a floor below its deepest point.

    base_share: thickness of what is below the deepest point, as a share of the width.
    """
    points, _, cell_mm = _points(depth, scale, columns)
    height, width = points.shape[:2]
    top = _triangles(_quads(height, width))
    rim = _rim(height, width)
    outer = points.reshape(-1, 3)[rim]
    floor_mm = points[..., 2].min() - base_share * cell_mm * (width - 1)
    below = np.column_stack([outer[:, :2], np.full(len(rim), floor_mm)])
    middle = np.array([[*below[:, :2].mean(axis=0), floor_mm]])
    first, count = height * width, len(rim)
    now, after = np.arange(count), np.roll(np.arange(count), -1)
    walls = [
        np.column_stack([rim[now], first + now, rim[after]]),
        np.column_stack([rim[after], first + now, first + after]),
    ]
    ground = np.column_stack([np.full(count, first + count), first + after, first + now])
    vertices = np.concatenate([points.reshape(-1, 3), below, middle]).astype(np.float32)
    return Mesh(vertices, np.concatenate([top, *walls, ground]).astype(np.uint32))


def _points(
    depth: Plane, scale: Scale, columns: int
) -> tuple[NDArray[np.float32], NDArray[np.float32], float]:
    """Grid of points (h, w, 3), their places in the picture (h, w, 2), and a cell's width in the window."""
    full_height, full_width = depth.shape
    width = max(2, min(columns, full_width))
    height = max(2, round(full_height * width / full_width))
    small = np.asarray(cv2.resize(depth, (width, height), interpolation=cv2.INTER_NEAREST), np.float64)
    across, down = ((np.arange(width) + 0.5) / width, (np.arange(height) + 0.5) / height)
    pixel_mm = scale.window_mm + scale.slope * small
    x = (across[None, :] - 0.5) * full_width * pixel_mm
    y = (0.5 - down[:, None]) * full_height * pixel_mm
    places = np.stack(np.broadcast_arrays(across[None, :], down[:, None]), axis=-1)
    points = np.stack([x, y, -small], axis=-1).astype(np.float32)
    return points, places.astype(np.float32), scale.window_mm * full_width / width


def _quads(height: int, width: int) -> NDArray[np.int64]:
    """Corners of all cells (n, 4): top left, bottom left, bottom right, top right."""
    number = np.arange(height * width).reshape(height, width)
    corners = (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:])
    return np.stack(corners, axis=-1).reshape(-1, 4)


def _triangles(quads: NDArray[np.int64]) -> NDArray[np.uint32]:
    return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]).astype(np.uint32)


def _rim(height: int, width: int) -> NDArray[np.int64]:
    """Numbers of the points around the grid, as its triangles run: down at the left."""
    number = np.arange(height * width).reshape(height, width)
    sides = (number[:-1, 0], number[-1, :-1], number[:0:-1, -1], number[0, :0:-1])
    return np.concatenate(sides)
