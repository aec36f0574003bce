"""What stands at the sides of a mounted pair's frame: strips of a parallax map along its edges.

In left-eye coordinates the left edge of the common field is where the point meets the edge of the RIGHT
picture, x + parallax = 0; the right edge is the left picture's own last column.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]

BAND_OF_WIDTH = 0.006
"""Width of the strip along an edge that is looked at, as a share of the picture's width (at least 3 px)."""

THRESHOLD_OF_WIDTH = 0.001
"""Parallax in front that counts, as a share of the picture's width (at least 1 px): less is at the window."""

_SMOOTH_PX = 5  # a cut must hold over this many rows, so that single wrong matches do not count


def band_px(width: int) -> int:
    """Width of the strip along an edge, px."""
    return max(3, round(BAND_OF_WIDTH * width))


def threshold_px(width: float) -> float:
    """Parallax in front of the window from which on a thing counts as in front, px."""
    return max(1.0, THRESHOLD_OF_WIDTH * width)


def left_strip(parallax: Plane, band: int) -> Plane:
    """What meets the left edge of the right picture, of a map (H, W) in px; NaN for all else."""
    width = parallax.shape[1]
    in_front = float(-np.nanmin(parallax)) if np.isfinite(parallax).any() else 0.0
    slab = parallax[:, : min(width, band + int(np.ceil(max(0.0, in_front))) + 1)]
    right_column = np.arange(slab.shape[1], dtype=np.float32) + slab
    return np.where((right_column > -1) & (right_column < band), slab, np.float32(np.nan))


def right_strip(parallax: Plane, band: int) -> Plane:
    """What meets the right edge of the left picture, of a map (H, W) in px."""
    return parallax[:, max(0, parallax.shape[1] - band) :]


def along(strip: Plane) -> Plane:
    """Parallax along an edge, from a strip (length, depth): medians, steadied; unknown counts as 0."""
    return _steady(_row_medians(strip))


def _row_medians(strip: Plane) -> Plane:
    """Median of the known values of every row, NaN for rows without any."""
    ordered = np.sort(strip, axis=1)  # NaN goes last
    known = np.isfinite(ordered).sum(axis=1)
    middle = np.maximum(known - 1, 0) // 2
    return np.asarray(np.where(known > 0, ordered[np.arange(len(ordered)), middle], np.float32(np.nan)))


def _steady(depths: Plane) -> Plane:
    """Take a running median over `_SMOOTH_PX` rows; unknown rows count as at the window."""
    padded = np.pad(np.nan_to_num(depths), _SMOOTH_PX // 2, mode="symmetric")
    windows: NDArray[Any] = np.lib.stride_tricks.sliding_window_view(padded, _SMOOTH_PX)
    return np.asarray(np.median(windows, axis=1), dtype=np.float32)
