"""Is a thing as sharp for one eye as for the other? Detail of both views at matched places, by depth.

Fine detail (energy of a band of the luma, over the mean around it, so that exposure does not count) of each
block of the left view against its partner's in the right one. Where a stack did not reach as far as the
other, all blocks at that end of the depth are less sharp in one view. Reported as base-2 logarithms of
energy, right over left, against the median of all: 1 means twice the energy.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.colour.match import Grid, grid, partners
from nearpair.pixels.luma import Plane, band, luma

PARTS = 20
"""Parts of the depth, nearest first, with as many blocks each."""
ONE_SIDED = 2.0
_BLOCKS = 120
_AROUND_PX, _DARKEST, _LEAST = 8.0, 0.03, 1e-5
_FEWEST = 400
_STRIP_PX = 1 << 20
_BESIDE_PX = 64
"""Rows beside a strip that are looked at with it: more than the widest filter reaches."""


@dataclass(frozen=True, slots=True, eq=False)
class Sharpness:
    """Blocks of `on`: log2 of detail right over left (h, w), NaN where it cannot be told.

    by_depth: its medians by twentieths of the depth, nearest first; empty when too little is known.
    """

    on: Grid
    ratio: Plane
    by_depth: tuple[float, ...]
    one_sided_share: float | None


def sharpness(left: NDArray[Any], right: NDArray[Any], parallax: Plane) -> Sharpness:
    """Compare two mounted views (H, W, 3) with the parallax (H, W) of the left one."""
    on = grid(parallax, _BLOCKS)
    one, other = _detail(left, on), partners(_detail(right, on), on)
    known = np.isfinite(on.partner)
    most = np.maximum(one, other)
    if known.sum() < _FEWEST:
        return Sharpness(on, np.full(one.shape, np.nan, np.float32), (), None)
    telling = known & (most >= max(float(np.median(most[known])), _LEAST))
    ratio = np.full(one.shape, np.nan, np.float32)
    if telling.sum() < _FEWEST:
        return Sharpness(on, ratio, (), None)
    ratio[telling] = np.log2(np.maximum(other[telling], 1e-9) / np.maximum(one[telling], 1e-9))
    ratio -= np.float32(np.nanmedian(ratio))
    rank = np.argsort(np.argsort(on.parallax[telling], kind="stable"), kind="stable")
    part = rank * PARTS // telling.sum()
    by_depth = tuple(float(np.median(ratio[telling][part == k])) for k in range(PARTS))
    return Sharpness(on, ratio, by_depth, float(np.mean(np.abs(ratio[telling]) > ONE_SIDED)))


def _detail(picture: NDArray[Any], on: Grid) -> Plane:
    """Energy of the fine detail of each block, (h, w). In strips, for the sake of memory."""
    (rows, columns), block = on.parallax.shape, on.block_px
    blocks = np.empty((rows, columns), np.float32)
    at_once = max(1, _STRIP_PX // (block * picture.shape[1]))
    for first in range(0, rows, at_once):
        last = min(rows, first + at_once)
        top, bottom = first * block, last * block
        above = max(0, top - _BESIDE_PX)
        energy = _energy(picture[above : bottom + _BESIDE_PX])
        strip = energy[top - above : bottom - above, : columns * block]
        blocks[first:last] = cv2.resize(strip, (columns, last - first), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.blur(blocks, (3, 3)), np.float32)


def _energy(picture: NDArray[Any]) -> Plane:
    plane = luma(picture)
    around = np.maximum(cv2.GaussianBlur(plane, (0, 0), _AROUND_PX), np.float32(_DARKEST))
    detail = band(plane, 0.7, 2.0) / around
    return np.asarray(detail * detail, np.float32)
