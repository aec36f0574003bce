"""Things in front of the stereo window that an edge of the frame cuts.

What stands in front of the window (parallax below -threshold) but is cut off by the frame's left or right
edge is seen by one eye only, and the frame, which lies behind it, seems to cover it: the depth cues
contradict each other. The upper and lower edges cut both eyes' pictures alike and are milder. Remedy: move
the window nearer, or crop (common practice, no source).

A floating window brings a side of the frame forward by masking one eye's picture there; only what stands in
front of that is cut.
"""

import numpy as np
from numpy.typing import NDArray

from nearpair.pixels.sides import along, band_px, left_strip, right_strip, threshold_px
from nearpair.proof.model_look import EdgeCut, Edges

Plane = NDArray[np.float32]


def edges(parallax: Plane, floating_px: tuple[float, float] = (0, 0)) -> Edges:
    """Cuts along the four edges, from the parallax map (H, W) in px, left-eye coordinates, NaN unknown.

    floating_px: by how much a floating window brings the left and the right side forward.
    """
    height, width = parallax.shape
    band, limit = band_px(width), threshold_px(width)
    return Edges(
        left=_cut(left_strip(parallax, band), limit + floating_px[0]),
        right=_cut(right_strip(parallax, band), limit + floating_px[1]),
        top=_cut(parallax[: min(band, height)].T, limit),
        bottom=_cut(parallax[max(0, height - band) :].T, limit),
    )


def _cut(strip: Plane, limit: float) -> EdgeCut:
    """Find the cut along a strip of shape (length of the edge, depth of the strip)."""
    depth = along(strip)
    cut = depth < -limit
    if not cut.any():
        return EdgeCut(share=0.0)
    first, last = _longest_run(cut)
    return EdgeCut(share=float(cut.mean()), worst_px=float(depth[cut].min()), place=(first, last))


def _longest_run(flags: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last index of the longest run of True (the first of equals); needs at least one True."""
    steps = np.diff(np.concatenate(([0], flags.astype(np.int8), [0])))
    starts, stops = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest]) - 1
