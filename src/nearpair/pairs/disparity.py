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
_MOST_DISPARITIES = 160
_SMALLEST_SIDE_PX = 100


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
    if highest - lowest < _MOST_DISPARITIES or min(first.shape) < 2 * _SMALLEST_SIDE_PX:
        return _match(first, second, lowest, highest)
    half = match_rows(reduced(first, 2), reduced(second, 2), lowest // 2, -(-highest // 2))
    return Disparity(
        2 * _doubled(half.px, first.shape),
        _doubled(half.occluded, first.shape),
        _doubled(half.margin, first.shape),
    )


def _doubled(plane: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """Each sample four times; an odd last row or column repeats its neighbour."""
    rows = np.minimum(np.arange(shape[0]) // 2, plane.shape[0] - 1)
    columns = np.minimum(np.arange(shape[1]) // 2, plane.shape[1] - 1)
    doubled: NDArray[Any] = plane[rows[:, None], columns]
    return doubled


def _match(first: Plane, second: Plane, lowest: int, highest: int) -> Disparity:
    height, width = first.shape
    signatures = (_signature(first), _signature(second))
    sums = _aggregated(first, signatures, lowest, highest - lowest + 1)
    disparity = np.empty((height, width), np.float32)
    margin = np.empty((height, width), np.float32)
    in_bands(height, partial(kernels.pick, sums, lowest, disparity, margin))
    other = np.empty((height, width), np.float32)
    in_bands(height, partial(kernels.pick_other, sums, lowest, other))
    del sums
    same = np.empty((height, width), np.bool_)
    in_bands(height, partial(kernels.agree, disparity, other, _TOLERANCE_PX, same))
    good = same & (margin > _LEAST_MARGIN) & _textured(signatures[0])
    good = _without_speckles(disparity, good)
    disparity[~good] = np.nan
    return Disparity(_fine(first, second, disparity), ~same, margin)


def _signature(plane: Plane) -> Signature:
    out = np.empty(plane.shape, np.uint64)
    kernels.census(np.ascontiguousarray(plane, np.float32), _NOISE, out)
    return out


def _textured(signature: Signature) -> Known:
    brighter = np.bitwise_count(signature).astype(np.float32)
    window = (_TEXTURE_WINDOW_PX, _TEXTURE_WINDOW_PX)
    return np.asarray(cv2.blur(brighter, window) >= _LEAST_NEIGHBOURS)


def _aggregated(first: Plane, signatures: tuple[Signature, Signature], lowest: int, count: int) -> Sums:
    height, width = first.shape
    cost = np.empty((height, width, count), np.uint8)
    in_bands(height, partial(kernels.costs, signatures[0], signatures[1], lowest, cost))
    sums = np.zeros((height, width, count), np.uint16)
    edges = np.ascontiguousarray(first, np.float32)
    in_bands(height, partial(kernels.along_rows, cost, edges, sums, _SMALL, _LARGE))
    for downwards in (True, False):
        kernels.along_columns(cost, edges, sums, _SMALL, _LARGE, downwards)
    return sums


def _without_speckles(disparity: Plane, good: Known) -> Known:
    """Drop small islands of disparity that no neighbour supports."""
    lowest = float(np.min(disparity)) - 1
    scaled = np.where(good, (disparity - lowest) * 16, 0).astype(np.int16)
    cv2.filterSpeckles(scaled, 0, _SPECKLE_PX, 24)
    return np.asarray(scaled > 0)


def _fine(first: Plane, second: Plane, disparity: Plane) -> Plane:
    """Sub-pixel refinement of the known disparities, then a median against outliers of the refinement."""
    blurred = [np.asarray(cv2.GaussianBlur(p, (0, 0), 0.7), np.float32) for p in (first, second)]
    slope = np.asarray(cv2.Scharr(blurred[1], cv2.CV_32F, 1, 0) / 32, np.float32)
    rows = disparity.shape[0]
    refined, out = np.empty_like(disparity), np.empty_like(disparity)
    in_bands(rows, partial(kernels.refine, blurred[0], blurred[1], slope, disparity, _REACH, refined))
    in_bands(rows, partial(kernels.calm, refined, _MEDIAN_REACH, out))
    return out
