"""Dense disparity of two views whose rows already agree: semi-global matching, checked from both sides."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from nearpair.pairs import kernels
from nearpair.pixels.luma import Plane

_SMALL, _LARGE = 6, 90
_NOISE = 2.0 / 255
_TOLERANCE_PX = 1.5
_LEAST_MARGIN = 0.02
_SPECKLE_PX = 120
_REACH = 3
_ROWS_PER_BAND = 64


@dataclass(frozen=True, slots=True)
class Disparity:
    """x_first − x_second in px of the first view (h, w), NaN where occluded or not trusted."""

    px: Plane
    occluded: np.ndarray[tuple[int, int], np.dtype[np.bool_]]
    """Where the second view has no counterpart (left-right check failed)."""
    margin: Plane
    """How clearly the best match won, 0..1."""


def _in_bands(rows: int, work: Callable[[int, int], None]) -> None:
    tops = range(0, rows, _ROWS_PER_BAND)
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for done in [pool.submit(work, top, min(rows, top + _ROWS_PER_BAND)) for top in tops]:
            done.result()


def match_rows(first: Plane, second: Plane, lowest: int, highest: int) -> Disparity:
    """Match two lumas (h, w) in [0, 1] along their rows for disparities lowest..highest (px, inclusive).

    Memory: about 3 bytes per pixel and disparity.
    """
    height, width = first.shape
    sums = _aggregated(first, second, lowest, highest - lowest + 1)
    disparity = np.empty((height, width), np.float32)
    margin = np.empty((height, width), np.float32)
    _in_bands(height, partial(kernels.pick, sums, lowest, disparity, margin))
    other = np.empty((height, width), np.float32)
    _in_bands(height, partial(kernels.pick_other, sums, lowest, other))
    del sums
    same = np.empty((height, width), np.bool_)
    _in_bands(height, partial(kernels.agree, disparity, other, _TOLERANCE_PX, same))
    good = _without_speckles(disparity, same & (margin > _LEAST_MARGIN))
    disparity[~good] = np.nan
    return Disparity(_fine(first, second, disparity), ~same, margin)


def _aggregated(
    first: Plane, second: Plane, lowest: int, count: int
) -> np.ndarray[tuple[int, int, int], np.dtype[np.uint16]]:
    height, width = first.shape
    signatures = []
    for plane in (first, second):
        out = np.empty((height, width), np.uint64)
        kernels.census(np.ascontiguousarray(plane, np.float32), _NOISE, out)
        signatures.append(out)
    cost = np.empty((height, width, count), np.uint8)
    _in_bands(height, partial(kernels.costs, signatures[0], signatures[1], lowest, cost))
    sums = np.zeros((height, width, count), np.uint16)
    edges = np.ascontiguousarray(first, np.float32)
    _in_bands(height, partial(kernels.along_rows, cost, edges, sums, _SMALL, _LARGE))
    for downwards in (True, False):
        kernels.along_columns(cost, edges, sums, _SMALL, _LARGE, downwards)
    return sums


def _without_speckles(
    disparity: Plane, good: np.ndarray[tuple[int, int], np.dtype[np.bool_]]
) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Drop small islands of disparity that no neighbour supports."""
    lowest = float(np.min(disparity)) - 1
    scaled = np.where(good, (disparity - lowest) * 16, 0).astype(np.int16)
    cv2.filterSpeckles(scaled, 0, _SPECKLE_PX, 24)
    return np.asarray(scaled > 0)


def _fine(first: Plane, second: Plane, disparity: Plane) -> Plane:
    """Sub-pixel refinement of the known disparities, then a median against single outliers."""
    blurred = [np.asarray(cv2.GaussianBlur(p, (0, 0), 0.7), np.float32) for p in (first, second)]
    slope = np.asarray(cv2.Scharr(blurred[1], cv2.CV_32F, 1, 0) / 32, np.float32)
    out = np.empty_like(disparity)
    _in_bands(
        disparity.shape[0],
        partial(kernels.refine, blurred[0], blurred[1], slope, disparity, _REACH, out),
    )
    return out
