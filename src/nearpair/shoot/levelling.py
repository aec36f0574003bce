"""Two views on common rows, ready to be matched: how they lie, the range to search, and what focus says."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import PairError
from nearpair.pairs.focal import Guide, guide
from nearpair.pairs.matches import Matches, match
from nearpair.pairs.onrows import OnRows, on_rows
from nearpair.pairs.rectify import NotRectified
from nearpair.pixels.luma import Pixels, Plane, luma, reduced


@dataclass(frozen=True, slots=True)
class Focused:
    """Of one view: the fractional frame in which each place is sharpest, NaN where unknown; of how many."""

    frame: Plane
    count: int


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """Both views, reduced for matching, as they lie on common rows; all in px of the reduced views.

    expected: what focus says, None where it tells nothing.
    """

    on: OnRows
    first: Pixels
    second: Pixels
    expected: Guide | None


def on_common_rows(
    views: tuple[Pixels, Pixels],
    focus: tuple[Focused, Focused],
    factor: int,
    focal_px: float | None = None,
) -> Level:
    """Lay both views on common rows. Raises PairError when they do not fit.

    factor: how much they are reduced for it; focal_px: focal length in px of the full views, where known.
    """
    first, second = (reduced(luma(view), factor) for view in views)
    on = on_rows(first, second, match(first, second), None if focal_px is None else focal_px / factor)
    if isinstance(on, NotRectified):
        message = f"The views cannot be mounted: {on.reason}."
        raise PairError(message, "Check that both stations show the same subject from beside each other.")
    told = _told_by_focus(focus, factor, on.good, on.disparities_px)
    if told is not None:
        one, two, every = (
            on.laid(plane, eye, cv2.INTER_NEAREST)
            for plane, eye in ((told.first, 0), (told.second, 1), (told.everywhere, 0))
        )
        told = Guide(one, two, every, told.deep_px)
    small = [reduced(view, factor) for view in views]
    return Level(on, on.laid(small[0], 0), on.laid(small[1], 1), told)


def _told_by_focus(
    focus: tuple[Focused, Focused], factor: int, found: Matches, disparities_px: NDArray[np.float64]
) -> Guide | None:
    """Disparity that focus leads to expect, on each view as it is; None if it tells none."""
    small = []
    for eye in focus:
        height, width = eye.frame.shape[0] // factor, eye.frame.shape[1] // factor
        small.append(eye.frame[factor // 2 :: factor, factor // 2 :: factor][:height, :width])
    counts = focus[0].count, focus[1].count
    return guide((small[0], small[1]), counts, (found.first, found.second), disparities_px)
