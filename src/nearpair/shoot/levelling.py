"""Two views on common rows, ready to be matched: how they lie, the range to search, and what focus says."""

from dataclasses import dataclass
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import PairError
from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.evidence import search_range
from nearpair.pairs.focal import Guide, guide
from nearpair.pairs.matches import Matches, match, spread_out
from nearpair.pairs.rectify import NotRectified, Rectified, rectify
from nearpair.pixels.luma import Pixels, Plane, luma, reduced
from nearpair.pixels.moved import moved

WRONG_PX = 3.0
"""A matched point farther off its row than this is a wrong match."""


@dataclass(frozen=True, slots=True)
class Focused:
    """Of one view: the fractional frame in which each place is sharpest, NaN where unknown; of how many."""

    frame: Plane
    count: int


@dataclass(frozen=True, slots=True)
class Level:
    """Both views, reduced for matching, as they lie on common rows; all in px of the reduced views.

    turn, onto: what lays the left and the right view there; range_px: whole disparities to search, inclusive;
    expected: what focus says, None where it tells nothing.
    """

    rows: Rectified
    turn: Similarity
    onto: Projective
    first: Pixels
    second: Pixels
    range_px: tuple[int, int]
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
    lumas = [reduced(luma(view), factor) for view in views]
    size = (lumas[0].shape[0], lumas[0].shape[1])
    found = match(lumas[0], lumas[1])
    rows = rectify(spread_out(found, size), size, None if focal_px is None else focal_px / factor)
    if isinstance(rows, NotRectified):
        message = f"The views cannot be mounted: {rows.reason}."
        raise PairError(message, "Check that both stations show the same subject from beside each other.")
    turn, onto = rows.level(size)
    apart = turn.apply(found.first) - onto.apply(found.second)
    good = np.abs(apart[:, 1]) < WRONG_PX
    matrices = Projective.like(turn).matrix(), onto.matrix()

    def laid(picture: NDArray[Any], eye: int, how: int = cv2.INTER_CUBIC) -> Any:
        if eye == 0 and not rows.base_deg:
            return picture
        return moved(picture, matrices[eye], size, how, cv2.BORDER_REPLICATE)

    range_px = search_range(laid(lumas[0], 0), laid(lumas[1], 1), apart[good, 0])
    told = _told_by_focus(focus, factor, found.keep(good), apart[good, 0])
    if told is not None:
        one, two, every = (
            laid(plane, eye, cv2.INTER_NEAREST)
            for plane, eye in ((told.first, 0), (told.second, 1), (told.everywhere, 0))
        )
        told = Guide(one, two, every, told.deep_px)
    small = [_reduced(view, factor) for view in views]
    return Level(rows, turn, onto, laid(small[0], 0), laid(small[1], 1), range_px, told)


def _reduced(view: Pixels, factor: int) -> Pixels:
    if factor == 1:
        return view
    height, width = view.shape[0] // factor, view.shape[1] // factor
    whole: Any = view[: height * factor, : width * factor]
    return cast("Pixels", cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA))


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
