"""Dense disparity of two views whose rows already agree: semi-global matching, checked from both sides."""

from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.pairs import kernels
from nearpair.pixels.bands import in_bands
from nearpair.pixels.luma import Plane, reduced

Known = NDArray[np.bool_]
Signature = NDArray[np.uint64]
Costs = NDArray[np.uint8]
Sums = NDArray[np.uint16]

_SMALL, _LARGE = 6, 90
_NOISE = 2.0 / 255
_TOLERANCE_PX = 1.5
_LEAST_MARGIN = 0.02
# Without any neighbour that differs from its middle by more than noise, on average over a window, a place has
# no texture, and what it is told is only where the search ends or what its surroundings are.
_TEXTURE_WINDOW_PX, _LEAST_NEIGHBOURS = 15, 1.0
_SPECKLE_PX = 120
_REACH = 3
_MEDIAN_REACH = 2
MOST_DISPARITIES = 160
SMALLEST_SIDE_PX = 100


@dataclass(frozen=True, slots=True)
class Disparity:
    """x_first − x_second in px of the first view (h, w), NaN where occluded, flat, or not trusted."""

    px: Plane
    occluded: Known
    """Where the second view has no counterpart (left-right check failed)."""
    margin: Plane
    """How clearly the best match won, 0..1."""


def match_rows(first: Plane, second: Plane, lowest: int, highest: int) -> Disparity:
    """Match two lumas (h, w) in [0, 1] along their rows for disparities lowest..highest (px, inclusive).

    Memory: about 3 bytes per pixel and disparity. A range of more than 160 px is searched at half the size,
    to keep that bounded: so deep a pair is coarser to the half pixel, but loses nothing of its range.
    """
    if highest - lowest < MOST_DISPARITIES or min(first.shape) < 2 * SMALLEST_SIDE_PX:
        return _match(first, second, lowest, highest)
    half = match_rows(reduced(first, 2), reduced(second, 2), lowest // 2, -(-highest // 2))
    return Disparity(
        2 * doubled(half.px, first.shape),
        doubled(half.occluded, first.shape),
        doubled(half.margin, first.shape),
    )


def doubled(plane: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """Each sample four times; an odd last row or column repeats its neighbour."""
    rows = np.minimum(np.arange(shape[0]) // 2, plane.shape[0] - 1)
    columns = np.minimum(np.arange(shape[1]) // 2, plane.shape[1] - 1)
    doubled: NDArray[Any] = plane[rows[:, None], columns]
    return doubled


@dataclass(frozen=True, slots=True)
class Matched:
    """What the sums of matching say: disparity (px), how clearly it won (0..1), whether both sides agree."""

    px: Plane
    margin: Plane
    same: Known


def _match(first: Plane, second: Plane, lowest: int, highest: int) -> Disparity:
    signatures = (signature(first), signature(second))
    cost = np.empty((*first.shape, highest - lowest + 1), np.uint8)
    in_bands(len(cost), partial(kernels.costs, signatures[0], signatures[1], lowest, cost))
    found = matched(aggregated(cost, first, _SMALL, _LARGE), lowest)
    good = found.same & (found.margin > _LEAST_MARGIN) & textured(signatures[0])
    good = _without_speckles(found.px, good)
    found.px[~good] = np.nan
    return Disparity(refined(first, second, found.px), ~found.same, found.margin)


def matched(sums: Sums, lowest: int) -> Matched:
    """Read the sums (h, w, disparities) from both sides."""
    height, width = sums.shape[:2]
    disparity, margin = np.empty((height, width), np.float32), np.empty((height, width), np.float32)
    in_bands(height, partial(kernels.pick, sums, lowest, disparity, margin))
    other = np.empty((height, width), np.float32)
    in_bands(height, partial(kernels.pick_other, sums, lowest, other))
    same = np.empty((height, width), np.bool_)
    in_bands(height, partial(kernels.agree, disparity, other, _TOLERANCE_PX, same))
    return Matched(disparity, margin, same)


def signature(plane: Plane, reach_x: int = 4, reach_y: int = 3) -> Signature:
    """Census signature of each pixel of a luma (h, w), noise passed over."""
    out = np.empty(plane.shape, np.uint64)
    kernels.census(np.ascontiguousarray(plane, np.float32), _NOISE, out, reach_x, reach_y)
    return out


def textured(signature: Signature) -> Known:
    """Where anything differs from its neighbours by more than noise."""
    brighter = np.bitwise_count(signature).astype(np.float32)
    window = (_TEXTURE_WINDOW_PX, _TEXTURE_WINDOW_PX)
    return np.asarray(cv2.blur(brighter, window) >= _LEAST_NEIGHBOURS)


def aggregated(cost: Costs, edges: Plane, small: int, large: int) -> Sums:
    """Sum the costs (h, w, disparities) along eight paths; jumps in depth are cheap at edges of a luma."""
    sums = np.zeros(cost.shape, np.uint16)
    plane = np.ascontiguousarray(edges, np.float32)
    in_bands(len(cost), partial(kernels.along_rows, cost, plane, sums, small, large))
    for downwards in (True, False):
        kernels.along_columns(cost, plane, sums, small, large, downwards)
    return sums


def _without_speckles(disparity: Plane, good: Known) -> Known:
    """Drop small islands of disparity that no neighbour supports."""
    lowest = float(np.min(disparity)) - 1
    scaled = np.where(good, (disparity - lowest) * 16, 0).astype(np.int16)
    cv2.filterSpeckles(scaled, 0, _SPECKLE_PX, 24)
    return np.asarray(scaled > 0)


def refined(first: Plane, second: Plane, disparity: Plane) -> Plane:
    """Sub-pixel refinement of the known disparities, then a median against outliers of the refinement."""
    blurred = [np.asarray(cv2.GaussianBlur(p, (0, 0), 0.7), np.float32) for p in (first, second)]
    slope = np.asarray(cv2.Scharr(blurred[1], cv2.CV_32F, 1, 0) / 32, np.float32)
    rows = disparity.shape[0]
    refined, out = np.empty_like(disparity), np.empty_like(disparity)
    in_bands(rows, partial(kernels.refine, blurred[0], blurred[1], slope, disparity, _REACH, refined))
    in_bands(rows, partial(kernels.calm, refined, _MEDIAN_REACH, out))
    return out
