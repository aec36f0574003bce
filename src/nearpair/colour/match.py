"""Matched points of a pair in linear light, on a coarse grid.

Rivalry, ghosting and exposure are about patches the eye can see, not about single pixels: both pictures are
averaged over square blocks in linear light first, so that the longer side has at most 1000 blocks, and the
block at x of the left picture is compared with the right picture at x + parallax.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.colour.light import decode_srgb

Light = NDArray[np.float32]
Plane = NDArray[np.float32]

LONGEST_BLOCKS = 1000
_STRIP_PX = 1 << 20  # pixels decoded at once


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Blocks of `block_px` pixels: the parallax of their centres in blocks (h, w), NaN where unknown."""

    block_px: int
    parallax: Plane

    @property
    def partner(self) -> Plane:
        """Column of the partner in the right picture, in blocks, (h, w); NaN where unknown or outside."""
        width = self.parallax.shape[1]
        column = np.arange(width, dtype=np.float32) + self.parallax
        return np.where((column >= 0) & (column <= width - 1), column, np.float32(np.nan))


@dataclass(frozen=True, slots=True, eq=False)
class Matched:
    """Light of matched points: `left` and `right` are (n, 3); `share` of all blocks that have a partner."""

    left: Light
    right: Light
    share: float


def grid(parallax: Plane, longest_blocks: int = LONGEST_BLOCKS) -> Grid:
    """Blocks for a parallax map (H, W) in px. A block takes its centre's parallax: means would mix depths."""
    height, width = parallax.shape
    block = max(1, -(-max(height, width) // longest_blocks))
    rows, columns = max(1, height // block), max(1, width // block)
    centres = parallax[block // 2 :: block, block // 2 :: block][:rows, :columns]
    return Grid(block, np.asarray(centres / np.float32(block), dtype=np.float32))


def block_light(
    picture: NDArray[Any], on: Grid, decode: Callable[[NDArray[Any]], Light] = decode_srgb
) -> Light:
    """Mean linear light of each block, (h, w, 3), of a picture (H, W, 3); decode: its codes to light."""
    block, (rows, columns) = on.block_px, on.parallax.shape
    out = np.empty((rows, columns, 3), np.float32)
    at_once = max(1, _STRIP_PX // (block * picture.shape[1]))
    for first in range(0, rows, at_once):
        last = min(rows, first + at_once)
        light = decode(picture[first * block : last * block, : columns * block])
        out[first:last] = cv2.resize(light, (columns, last - first), interpolation=cv2.INTER_AREA)
    return out


def partners(values: NDArray[np.float32], on: Grid) -> NDArray[np.float32]:
    """Values (h, w) or (h, w, 3) of the right picture at every block's partner, linear between blocks.

    Where there is no partner the value is meaningless; mask with `np.isfinite(on.partner)`.
    """
    rows = np.broadcast_to(np.arange(values.shape[0], dtype=np.float32)[:, None], values.shape[:2])
    columns = np.nan_to_num(on.partner)
    return np.asarray(cv2.remap(values, columns, np.ascontiguousarray(rows), cv2.INTER_LINEAR))


def matched(left: Light, right: Light, on: Grid) -> Matched:
    """Collect the matched points of two block pictures (h, w, 3)."""
    known = np.isfinite(on.partner)
    return Matched(left[known], partners(right, on)[known], float(known.mean()))
