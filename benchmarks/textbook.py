"""Merging a focus stack as the literature describes it, plainly written: what the product is compared with.

Both functions take frames that are already registered, (H, W, 3) RGB uint8, one at a time.

* Laplacian pyramid, maximum selection: P. J. Burt and E. H. Adelson, "The Laplacian pyramid as a compact
  image code", IEEE Trans. Communications 31(4), 1983, 532-540; taking the larger coefficient: J. M. Ogden,
  E. H. Adelson, J. R. Bergen and P. J. Burt, "Pyramid-based computer graphics", RCA Engineer 30(5), 1985.
* Depth map: S. K. Nayar and Y. Nakagawa, "Shape from focus", IEEE PAMI 16(8), 1994, 824-831: each pixel from
  the frame with the largest sum-modified-Laplacian.
"""

from collections.abc import Iterable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Floats = NDArray[np.float32]

_SMALLEST_SIDE_PX = 16


def laplacian_pyramid(picture: Floats, levels: int) -> list[Floats]:
    """Return band-passed pictures from fine to coarse; the last one is the low-passed rest."""
    bands: list[Any] = []
    low: Any = picture
    for _ in range(levels):
        lower = cv2.pyrDown(low)
        bands.append(low - cv2.pyrUp(lower, dstsize=(low.shape[1], low.shape[0])))
        low = lower
    return [*bands, low]


def collapse(pyramid: list[Floats]) -> Floats:
    """Undo `laplacian_pyramid`."""
    picture: Any = pyramid[-1]
    for band in reversed(pyramid[:-1]):
        picture = cv2.pyrUp(picture, dstsize=(band.shape[1], band.shape[0])) + band
    return np.asarray(picture)


def luma(picture: Floats) -> Floats:
    """Return the luma of encoded RGB (ITU-R BT.601-7)."""
    return np.asarray(picture @ np.array([0.299, 0.587, 0.114], dtype=np.float32))


def pyramid_merge(frames: Iterable[Picture]) -> Picture:
    """Merge by the largest Laplacian coefficient (of the luma) of each pixel and level; mean of the rests."""
    best: list[Floats] = []
    strength: list[Floats] = []
    count = 0
    for frame in frames:
        levels = max(1, int(np.log2(min(frame.shape[:2]) / _SMALLEST_SIDE_PX)))
        bands = laplacian_pyramid(frame.astype(np.float32), levels)
        here = [np.abs(luma(band)) for band in bands[:-1]]
        count += 1
        if not best:
            best, strength = bands, here
            continue
        for level, band in enumerate(bands[:-1]):
            wins = here[level] > strength[level]
            best[level][wins] = band[wins]
            strength[level] = np.maximum(strength[level], here[level])
        best[-1] = best[-1] + bands[-1]
    best[-1] = best[-1] / np.float32(count)
    return _to_uint8(collapse(best))


def modified_laplacian(plane: Floats) -> Floats:
    """Return |2I - I(x-1) - I(x+1)| + |2I - I(y-1) - I(y+1)|."""
    across = np.array([[-1, 2, -1]], dtype=np.float32)
    result: Any = np.abs(cv2.filter2D(plane, -1, across)) + np.abs(cv2.filter2D(plane, -1, across.T))
    return np.asarray(result)


def depth_map_merge(frames: Iterable[Picture], window_px: int = 9) -> tuple[Picture, NDArray[np.int32]]:
    """Merge by the frame that is sharpest around each pixel; also return which one that was, (H, W)."""
    merged: Any = None
    chosen: Any = None
    strength: Any = None
    for number, frame in enumerate(frames):
        measure: Any = cv2.blur(modified_laplacian(luma(frame.astype(np.float32))), (window_px, window_px))
        if merged is None:
            merged, strength, chosen = frame.copy(), measure, np.zeros(measure.shape, dtype=np.int32)
            continue
        wins = measure > strength
        merged[wins], chosen[wins], strength[wins] = frame[wins], number, measure[wins]
    return merged, chosen


def _to_uint8(picture: Floats) -> Picture:
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)
