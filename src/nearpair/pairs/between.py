"""What would be seen from between two stations, or a little beyond them: views for another stereo base.

Both views have to agree in their rows. A point at x in the left view is at x − d in the right one; from a share
t of the way it is at x − t·d. The depth as seen from there is carried over from both views' disparities, the
nearest winning; every point is then looked up in both views, which count by how near they are and by whether
they see the point at all. Source: image-based rendering from depth (Chen & Williams, "View interpolation for
image synthesis", SIGGRAPH 1993; from memory), with the sources weighed by visibility.
"""

from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.pairs import between_kernels as kernels
from nearpair.pixels.bands import in_bands
from nearpair.pixels.luma import Pixels, Plane, luma

# Samples this near to the outline of something nearer hold some of its light.
_VEIL_PX = 2
_JUMP_PX = 1.5
# what a view that does not see a point, and one that is farther than the other, still counts
_LEAST, _FARTHER = 1e-3, 0.02
_STRIP_ROWS, _MARGIN_ROWS = 256, 4


def completed(disparity: Plane, picture: Pixels) -> Plane:
    """A disparity map (h, w) of a view, NaN where unknown, without gaps: see `kernels.fill_row_wise`."""
    grey = luma(picture)
    edges = np.abs(np.asarray(cv2.Scharr(grey, cv2.CV_32F, 1, 0)))
    out = np.empty_like(disparity)
    in_bands(disparity.shape[0], partial(kernels.fill_row_wise, disparity, edges, out))
    return np.asarray(cv2.medianBlur(out, 5), np.float32)


def seen_from(
    pictures: tuple[Pixels, Pixels], measured: tuple[Plane, Plane], share: float
) -> tuple[Pixels, Plane]:
    """The picture (H, W, 3) from `share` of the way from the left to the right view, and its disparity (H, W).

    measured: x_left − x_right of both views, px, NaN where unknown. share: 0 left, 1 right; beyond 0..1 more is
    guessed. The disparity given back is that between the two views, at the new view's pixels. Rows are worked
    on in strips, so that large pictures need little memory besides.
    """
    height = measured[0].shape[0]
    out, disparity = np.empty_like(pictures[0]), np.empty_like(measured[0])
    for top in range(0, height, _STRIP_ROWS):
        bottom = min(top + _STRIP_ROWS, height)
        low, high = max(top - _MARGIN_ROWS, 0), min(bottom + _MARGIN_ROWS, height)
        strip = np.s_[low:high]
        part, wanted = _seen_strip(
            (pictures[0][strip], pictures[1][strip]), (measured[0][strip], measured[1][strip]), share
        )
        own = np.s_[top - low : bottom - low]
        out[top:bottom], disparity[top:bottom] = part[own], wanted[own]
    return out, disparity


def _seen_strip(
    pictures: tuple[Pixels, Pixels], measured: tuple[Plane, Plane], share: float
) -> tuple[Pixels, Plane]:
    size = measured[0].shape
    disparities = [completed(*each) for each in zip(measured, pictures, strict=True)]
    ways = (share, share - 1.0)
    carried = [
        _carried(plane, way)
        for group in (measured, disparities)
        for plane, way in zip(group, ways, strict=True)
    ]
    wanted = np.empty(size, np.float32)
    in_bands(size[0], partial(kernels.join, *carried, wanted))
    total, weight = np.zeros((*size, 3), np.float32), np.zeros(size, np.float32)
    near = (max(1.0 - share, 0.0), max(share, 0.0))
    for picture, own, way, closeness in zip(pictures, disparities, ways, near, strict=True):
        sampled, trusted = np.empty((*size, 3), np.float32), np.empty(size, np.float32)
        source = np.ascontiguousarray(picture, np.float32)
        in_bands(size[0], partial(kernels.sample, source, wanted, way, sampled))
        in_bands(size[0], partial(kernels.seen, own, wanted, way, _veiled(own), trusted))
        voice = np.float32(closeness + _FARTHER) * (trusted + np.float32(_LEAST))
        total += voice[..., None] * sampled
        weight += voice
    top = np.iinfo(pictures[0].dtype).max
    mixed = np.clip(total / weight[..., None] + np.float32(0.5), 0, top)
    return mixed.astype(pictures[0].dtype), wanted


def _carried(disparity: Plane, share: float) -> Plane:
    out = np.empty_like(disparity)
    in_bands(disparity.shape[0], partial(kernels.splat, disparity, share, out))
    return out


def _veiled(disparity: Plane) -> NDArray[np.float32]:
    """Where a view's samples hold light of something nearer beside them, 0 to 1."""
    around = np.ones((1, 2 * _VEIL_PX + 1), np.uint8)
    nearest = cv2.dilate(disparity, around)
    return np.asarray((nearest - disparity > _JUMP_PX) * np.float32(0.9), np.float32)
