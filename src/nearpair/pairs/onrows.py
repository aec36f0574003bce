"""Two small lumas laid on common rows by the points they share, and the disparity between them."""

from dataclasses import dataclass

import cv2
import numpy as np

from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.disparity import match_rows
from nearpair.pairs.evidence import search_range
from nearpair.pairs.matches import Matches, spread_out
from nearpair.pairs.rectify import NotRectified, Rectified, rectify
from nearpair.pixels.luma import Plane
from nearpair.pixels.moved import moved

_WRONG_PX = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class OnRows:
    """Where both views lie (`first`, `second`: from px of the views), and the first one's disparity there."""

    rows: Rectified
    first: Similarity
    second: Projective
    disparity: Plane


def on_rows(
    first: Plane, second: Plane, found: Matches, focal_px: float | None = None
) -> OnRows | NotRectified:
    """Lay two lumas (h, w) with matched points on common rows and measure their disparity (px) densely.

    focal_px: distance of picture and lens in px, if known; see `rectify`.
    """
    size = (first.shape[0], first.shape[1])
    rows = rectify(spread_out(found, size), size, focal_px)
    if isinstance(rows, NotRectified):
        return rows
    turn, onto = rows.level(size)
    apart = turn.apply(found.first) - onto.apply(found.second)
    good = np.abs(apart[:, 1]) < _WRONG_PX
    if rows.base_deg:
        first = moved(first, Projective.like(turn).matrix(), size, cv2.INTER_CUBIC, cv2.BORDER_REPLICATE)
    laid = moved(second, onto.matrix(), size, cv2.INTER_CUBIC, cv2.BORDER_REPLICATE)
    lowest, highest = search_range(first, laid, apart[good, 0])
    return OnRows(rows, turn, onto, match_rows(first, laid, lowest, highest).px)
