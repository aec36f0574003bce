"""Which blocks of the two finest levels merging works on, and which of their samples that needs."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.pixels.detail import BLOCK_PX
from nearpair.pixels.runs import ROWS_AT_ONCE

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class LevelMasks:
    """Where a level is worked on, in blocks of 8 px of the finest, and what it needs, in its own 4 px."""

    worked_on: Mask
    needed: Mask


# gaps of twice as many blocks in a row are worked on too: that costs less than to begin anew
_GAP = (10, 12)

_NO_MASK: Mask = np.zeros((0, 0), np.bool_)
EVERYWHERE = LevelMasks(_NO_MASK, _NO_MASK)


def level_masks(looked_at: Mask | None) -> tuple[LevelMasks, LevelMasks]:
    """What the two finest levels work on and need; coarser ones are needed, so worked on, all over."""
    if looked_at is None:
        return EVERYWHERE, EVERYWHERE
    fine, coarse = (_strips(looked_at, level) for level in (0, 1))
    around = np.ones((3, 3), np.uint8)
    needed = cv2.dilate(cv2.resize(fine, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST), around)
    needed_coarse = cv2.dilate(np.maximum(fine, coarse), around)
    return LevelMasks(fine.astype(np.bool_), np.asarray(needed, np.bool_)), LevelMasks(
        coarse.astype(np.bool_), np.asarray(needed_coarse, np.bool_)
    )


def _strips(looked_at: Mask, level: int) -> NDArray[np.uint8]:
    """The blocks that are worked on at a level: those of a strip of rows together, and without small gaps."""
    strip = ROWS_AT_ONCE * 2**level // BLOCK_PX
    rows = -(-looked_at.shape[0] // strip)
    padded = np.zeros((rows * strip, looked_at.shape[1]), np.uint8)
    padded[: looked_at.shape[0]] = looked_at
    together = padded.reshape(rows, strip, -1).max(axis=1)
    joined = cv2.morphologyEx(together, cv2.MORPH_CLOSE, np.ones((1, 1 + 2 * _GAP[level]), np.uint8))
    return np.asarray(np.repeat(joined, strip, axis=0)[: looked_at.shape[0]], np.uint8)
