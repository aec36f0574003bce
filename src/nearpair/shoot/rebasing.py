"""A mounted pair for another stereo base than was shot: its right view seen from a part of the way."""

import cv2
import numpy as np

from nearpair.frames.read import Pixels
from nearpair.pairs.between import seen_from
from nearpair.pairs.disparity import match_rows
from nearpair.pixels.luma import Plane, luma, reduced
from nearpair.shoot.surveying import match_factor

_ROOM_PX = 4


def with_share(left: Pixels, right: Pixels, parallax: Plane, share: float) -> tuple[Pixels, Plane]:
    """The right view from `share` of the base, and the parallax (H, W) of the left view with it.

    The window stays where it is: there both views agree, whatever the base.
    """
    factor = match_factor((left.shape[0], left.shape[1]))
    known = -parallax[np.isfinite(parallax)] / factor
    if not known.size:
        return right, parallax
    lowest, highest = int(np.floor(known.min())) - _ROOM_PX, int(np.ceil(known.max())) + _ROOM_PX
    greys = [reduced(luma(view), factor) for view in (left, right)]
    seen_back = -match_rows(greys[1], greys[0], -highest, -lowest).px * factor
    size = (left.shape[1], left.shape[0])
    from_right = np.asarray(cv2.resize(seen_back, size, interpolation=cv2.INTER_NEAREST), np.float32)
    nearer, _ = seen_from((left, right), (-parallax, from_right), share)
    return nearer, parallax * np.float32(share)
