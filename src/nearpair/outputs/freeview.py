"""Side by side pairs, seen without glasses.

Parallel: the left picture on the left, so each eye looks straight at its own picture; the centres must be
no further apart than the viewer's eyes, about 60 mm. Crossed: the left picture on the right, seen with the
lines of sight crossing in front of the picture; any size (common practice, no source; the spacing of eyes is
from N. A. Dodgson, "Variation and extrema of human interpupillary distance", Proc. SPIE 5291 (2004) 36-46).
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.errors import NearpairError
from nearpair.outputs.same import check_pair

NEUTRAL = 0.5
"""Encoded level of the gap: a middle grey, which pulls at neither eye."""


def parallel(left: NDArray[Any], right: NDArray[Any], gap_px: int = 0) -> NDArray[Any]:
    """Lay the pair out for parallel viewing, (H, 2·W + gap_px, 3): left picture, grey gap, right picture."""
    return _beside(left, right, gap_px)


def crossed(left: NDArray[Any], right: NDArray[Any], gap_px: int = 0) -> NDArray[Any]:
    """Lay the pair out for crossed viewing, (H, 2·W + gap_px, 3): right picture, grey gap, left picture."""
    return _beside(right, left, gap_px)


def largest_width_mm(eyes_mm: float, gap_share: float, far_share: float) -> float:
    """Width in mm that one picture of a parallel pair may have at most, so that no eye turns outwards.

    The farthest points stand apart by the width of a picture, the gap (`gap_share` of it) and their parallax
    (`far_share` of it, positive behind the window); that may not exceed the distance of the pupils
    (elementary geometry).
    """
    return eyes_mm / (1 + gap_share + max(far_share, 0.0))


def _beside(first: NDArray[Any], second: NDArray[Any], gap_px: int) -> NDArray[Any]:
    check_pair(first, second)
    if gap_px < 0:
        raise NearpairError(f"gap_px must be 0 or more, found {gap_px}.", "Give the gap's width in px.")
    height, width, _ = first.shape
    level = round(NEUTRAL * np.iinfo(first.dtype).max)
    out = np.full((height, 2 * width + gap_px, 3), level, first.dtype)
    out[:, :width] = first
    out[:, width + gap_px :] = second
    return out
