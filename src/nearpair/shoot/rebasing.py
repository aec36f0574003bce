"""A mounted pair for another stereo base than was shot: its right picture as seen from a part of the way.

The left picture stays as it was shot, and with it everything that is told in its pixels: parallax, depth in
mm, the window's point, the crop. One eye then sees nothing that was reckoned.
"""

from dataclasses import dataclass

import numpy as np

from nearpair.frames.read import Pixels
from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.between import Between
from nearpair.pairs.disparity import match_rows
from nearpair.pairs.mounting import Mount, mounted_parallax
from nearpair.pixels.luma import Plane, luma, reduced
from nearpair.shoot.surveying import match_factor

_ROOM_PX = 4


@dataclass(frozen=True, slots=True, eq=False)
class Rebased:
    """The right picture (H, W, 3) of the pair, and the parallax of its left one (H, W), px."""

    right: Pixels
    parallax: Plane
    filled_share: float
    """Share of the right picture that neither view showed."""


def rebased(left: Pixels, right: Pixels, parallax: Plane, share: float) -> Rebased:
    """Reckon a mounted pair (H, W, 3) of parallax (H, W) for `share` of the stereo base that was shot.

    Parallax becomes `share` times what it was: the window stays where it is, as both views agree there from
    everywhere. With 1 nothing is done. Raises PairError if almost no depth is known.
    """
    if share == 1:
        return Rebased(right, parallax, 0.0)
    seen = ready(left, right, parallax).view(share)
    return Rebased(seen.picture, parallax * np.float32(share), float(np.mean(seen.unseen)))


def ready(left: Pixels, right: Pixels, parallax: Plane) -> Between:
    """Make a mounted pair (H, W, 3) of parallax (H, W) ready to be seen from between its stations.

    Raises PairError if almost no depth is known.
    """
    return Between.of((left, right), _disparities(left, right, parallax), _factor(left))


def _factor(view: Pixels) -> int:
    return match_factor((view.shape[0], view.shape[1]))


def _disparities(left: Pixels, right: Pixels, parallax: Plane) -> tuple[Plane, Plane]:
    """Disparity of both mounted views, measured here by luma alone: with gaps, and right elsewhere.

    What lies in a gap is better told by seeing from in between than by votes of what is alike around.
    """
    known = parallax[np.isfinite(parallax)]
    if not known.size:
        return -parallax, np.full_like(parallax, np.nan)
    factor, (height, width) = _factor(left), parallax.shape
    lowest = int(np.floor(-known.max() / factor)) - _ROOM_PX
    highest = int(np.ceil(-known.min() / factor)) + _ROOM_PX
    first, second = (reduced(luma(view), factor) for view in (left, right))
    from_left = match_rows(first, second, lowest, highest).px
    from_right = match_rows(second, first, -highest, -lowest).px
    as_it_lies = Mount(Projective.like(Similarity()), 0.0, None, (0, 0, width, height))
    # mounted parallax is the negative of disparity
    whole = [mounted_parallax(px, factor, as_it_lies) for px in (from_left, from_right)]
    return -whole[0], whole[1]
