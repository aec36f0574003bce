"""Things in front of the stereo window that an edge of the frame cuts.

What stands in front of the window (parallax below -threshold) but is cut off by the frame's left or right
edge is seen by one eye only, and the frame, which lies behind it, seems to cover it: the depth cues
contradict each other. The upper and lower edges cut both eyes' pictures alike and are milder. Remedy: move
the window nearer, or crop (common practice, no source).

In left-eye coordinates the left edge of the common field is where the point meets the edge of the RIGHT
picture, x + parallax = 0; the right edge is the left picture's own last column.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.proof.model import EdgeCut, Edges

Plane = NDArray[np.float32]

BAND_OF_WIDTH = 0.006
"""Width of the strip along an edge that is looked at, as a share of the picture's width (at least 3 px)."""

THRESHOLD_OF_WIDTH = 0.001
"""Parallax in front that counts, as a share of the picture's width (at least 1 px): less is at the window."""

_SMOOTH_PX = 5  # a cut must hold over this many rows, so that single wrong matches do not count


def threshold_px(width: int) -> float:
    """Parallax in front of the window from which on a thing counts as in front, px."""
    return max(1.0, THRESHOLD_OF_WIDTH * width)


def edges(parallax: Plane) -> Edges:
    """Cuts along the four edges, from the parallax map (H, W) in px, left-eye coordinates, NaN unknown."""
    height, width = parallax.shape
    band, limit = max(3, round(BAND_OF_WIDTH * width)), threshold_px(width)
    in_front = float(-np.nanmin(parallax)) if np.isfinite(parallax).any() else 0.0
    slab = parallax[:, : min(width, band + int(np.ceil(max(0.0, in_front))) + 1)]
    right_column = np.arange(slab.shape[1], dtype=np.float32) + slab
    left = np.where((right_column > -1) & (right_column < band), slab, np.float32(np.nan))
    return Edges(
        left=_cut(left, limit),
        right=_cut(parallax[:, max(0, width - band) :], limit),
        top=_cut(parallax[: min(band, height)].T, limit),
        bottom=_cut(parallax[max(0, height - band) :].T, limit),
    )


def _cut(strip: Plane, limit: float) -> EdgeCut:
    """Find the cut along a strip of shape (length of the edge, depth of the strip)."""
    along = _steady(_row_medians(strip))
    cut = along < -limit
    if not cut.any():
        return EdgeCut(share=0.0)
    first, last = _longest_run(cut)
    return EdgeCut(share=float(cut.mean()), worst_px=float(along[cut].min()), place=(first, last))


def _row_medians(strip: Plane) -> Plane:
    """Median of the known values of every row, NaN for rows without any."""
    ordered = np.sort(strip, axis=1)  # NaN goes last
    known = np.isfinite(ordered).sum(axis=1)
    middle = np.maximum(known - 1, 0) // 2
    return np.asarray(np.where(known > 0, ordered[np.arange(len(ordered)), middle], np.float32(np.nan)))


def _steady(along: Plane) -> Plane:
    """Take a running median over `_SMOOTH_PX` rows; unknown rows count as at the window."""
    padded = np.pad(np.nan_to_num(along), _SMOOTH_PX // 2, mode="symmetric")
    windows: NDArray[Any] = np.lib.stride_tricks.sliding_window_view(padded, _SMOOTH_PX)
    return np.asarray(np.median(windows, axis=1), dtype=np.float32)


def _longest_run(flags: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last index of the longest run of True (the first of equals); needs at least one True."""
    steps = np.diff(np.concatenate(([0], flags.astype(np.int8), [0])))
    starts, stops = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest]) - 1
