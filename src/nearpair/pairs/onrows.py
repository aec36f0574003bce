"""Two lumas laid on common rows by the points they share, and the disparities to look for there."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.evidence import search_range
from nearpair.pairs.matches import Matches, spread_out
from nearpair.pairs.rectify import NotRectified, Rectified, rectify
from nearpair.pixels.luma import Plane
from nearpair.pixels.moved import moved

WRONG_PX = 3.0
"""A matched point farther off its row than this is a wrong match."""


@dataclass(frozen=True, slots=True, eq=False)
class OnRows:
    """Where both views (h, w) lie: `first` and `second` lead there from their px."""

    rows: Rectified
    first: Similarity
    second: Projective
    lumas: tuple[Plane, Plane]
    """As they lie."""
    good: Matches
    """The points that agree with it, in px of the views."""
    disparities_px: NDArray[np.float64]
    """x_first − x_second of each of them where the views lie, (N,)."""
    range_px: tuple[int, int]
    """Whole disparities to search, inclusive."""

    def laid(self, picture: NDArray[Any], eye: int, how: int = cv2.INTER_CUBIC) -> Any:
        """Another picture (h, w, ...) of the first view (eye 0) or the second (1), as it lies."""
        return _laid(picture, eye, self.rows, (self.first, self.second), how)


def on_rows(
    first: Plane, second: Plane, found: Matches, focal_px: float | None = None
) -> OnRows | NotRectified:
    """Lay two lumas (h, w) with matched points on common rows.

    focal_px: distance of picture and lens in px, if known; see `rectify`.
    """
    size = (first.shape[0], first.shape[1])
    rows = rectify(spread_out(found, size), size, focal_px)
    return rows if isinstance(rows, NotRectified) else laid_by(first, second, found, rows)


def laid_by(first: Plane, second: Plane, found: Matches, rows: Rectified) -> OnRows:
    """Lay two lumas (h, w) with matched points on common rows that are known."""
    turn, onto = rows.level((first.shape[0], first.shape[1]))
    apart = turn.apply(found.first) - onto.apply(found.second)
    good = np.abs(apart[:, 1]) < WRONG_PX
    one, two = (_laid(p, k, rows, (turn, onto), cv2.INTER_CUBIC) for k, p in enumerate((first, second)))
    range_px = search_range(one, two, apart[good, 0])
    return OnRows(rows, turn, onto, (one, two), found.keep(good), apart[good, 0], range_px)


def _laid(
    picture: NDArray[Any], eye: int, rows: Rectified, places: tuple[Similarity, Projective], how: int
) -> Any:
    if eye == 0 and not rows.base_deg:
        return picture
    matrix = (Projective.like(places[0]) if eye == 0 else places[1]).matrix()
    return moved(picture, matrix, (picture.shape[0], picture.shape[1]), how, cv2.BORDER_REPLICATE)
