"""What only one eye sees: strips of background beside near things, and whom they belong to.

Seen from the left eye, near things uncover background on their left; from the right eye on their right. A
strip that the other view lacks lies, in either case, where x_first − x_second jumps up from left to right.
If the first view is the left eye the strip is background of its left neighbour (the farther surface); if
the views are swapped the same strip belongs to its right neighbour. So: which neighbour does the strip look
like, in focus and in colour? Source: half-occlusion geometry, Nakayama & Shimojo, Vision Research 30, 1990
(from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.pairs.disparity import Disparity
from nearpair.pixels.luma import Plane

_JUMP_PX = 2.0
_NARROWEST, _WIDEST = 2, 40
_BESIDE = 6


@dataclass(frozen=True, slots=True)
class Strips:
    """Votes of the half-hidden strips of one view: for its left, and for its right neighbour."""

    left: int
    right: int

    def plus(self, other: "Strips") -> "Strips":
        """Add votes."""
        return Strips(self.left + other.left, self.right + other.right)


def strips(disparity: Disparity, features: NDArray[np.float32]) -> Strips:
    """Count to which side the strips belong.

    features: (h, w, n) per-pixel description of the first view (such as its focus index and smoothed luma),
    each scaled so that differences of 1 are clear.
    """
    left = right = 0
    for row in range(0, disparity.px.shape[0], 2):
        l_votes, r_votes = _row(disparity.px[row], disparity.occluded[row], features[row])
        left += l_votes
        right += r_votes
    return Strips(left, right)


def _row(px: Plane, hidden: NDArray[np.bool_], features: NDArray[np.float32]) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], hidden, [False]]).astype(np.int8)))
    left = right = 0
    width = len(px)
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if not _NARROWEST <= stop - start <= _WIDEST or start < _BESIDE + 2 or stop > width - _BESIDE - 2:
            continue
        before, after = px[start - _BESIDE : start], px[stop : stop + _BESIDE]
        if not (np.isfinite(before).sum() > 2 and np.isfinite(after).sum() > 2):
            continue
        if np.nanmedian(after) - np.nanmedian(before) < _JUMP_PX:
            continue
        strip = np.median(features[start:stop], axis=0)
        to_left = np.abs(strip - np.median(features[start - _BESIDE : start], axis=0)).sum()
        to_right = np.abs(strip - np.median(features[stop : stop + _BESIDE], axis=0)).sum()
        if abs(to_left - to_right) < 0.25:
            continue
        left += int(to_left < to_right)
        right += int(to_right < to_left)
    return left, right
