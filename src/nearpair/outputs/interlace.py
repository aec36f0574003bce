"""Both pictures of a pair in one frame, sample by sample or half by half, as 3D screens take them.

Arrangements as in the frame packing arrangement table of ITU-T H.264 (ISO/IEC 14496-10), Annex D, with the
left view as frame 0, which gives the first row, column, or top left sample. Interleaving takes samples and
changes none, so that each eye's own samples come out exactly.
"""

from typing import Any

import cv2
import numpy as np

from nearpair.outputs.same import check_pair
from nearpair.pixels.luma import Pixels


def row_interleaved(left: Pixels, right: Pixels) -> Pixels:
    """Even rows (0, 2, ...) of the left picture, odd ones of the right, (H, W, 3)."""
    check_pair(left, right)
    out = left.copy()
    out[1::2] = right[1::2]
    return out


def column_interleaved(left: Pixels, right: Pixels) -> Pixels:
    """Even columns of the left picture, odd ones of the right, (H, W, 3)."""
    check_pair(left, right)
    out = left.copy()
    out[:, 1::2] = right[:, 1::2]
    return out


def checkerboard(left: Pixels, right: Pixels) -> Pixels:
    """Samples whose row and column sum up to an even number from the left, others from the right picture."""
    check_pair(left, right)
    out = left.copy()
    out[0::2, 1::2] = right[0::2, 1::2]
    out[1::2, 0::2] = right[1::2, 0::2]
    return out


def top_bottom(left: Pixels, right: Pixels) -> Pixels:
    """The left picture over the right one, (2·H, W, 3)."""
    check_pair(left, right)
    joined: Any = np.concatenate((left, right))
    together: Pixels = joined
    return together


def side_by_side(left: Pixels, right: Pixels) -> Pixels:
    """Both squeezed to half their width, left picture on the left: (H, 2·ceil(W/2), 3)."""
    check_pair(left, right)
    size = ((left.shape[1] + 1) // 2, left.shape[0])
    halves = [cv2.resize(view, size, interpolation=cv2.INTER_AREA) for view in (left, right)]
    joined: Any = np.concatenate(halves, axis=1)
    together: Pixels = joined
    return together
