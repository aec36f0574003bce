"""A floating window: one eye's picture is masked at a side, which brings that side of the frame forward.

At the left the left eye's picture is masked, at the right the right eye's: then that side of the frame has
parallax −m, m being the width of the mask (elementary geometry).
"""

from typing import Any

from numpy.typing import NDArray

from nearpair.outputs.same import check_pair

Picture = NDArray[Any]


def masked(left: Picture, right: Picture, floating_px: tuple[int, int]) -> tuple[Picture, Picture]:
    """The pair (H, W, 3) with black masks of these widths, left and right side; the given ones stay."""
    check_pair(left, right)
    one, other = left, right
    if floating_px[0] > 0:
        one = left.copy()
        one[:, : floating_px[0]] = 0
    if floating_px[1] > 0:
        other = right.copy()
        other[:, right.shape[1] - floating_px[1] :] = 0
    return one, other
