"""Runs of columns that are worth working on, from masks of blocks."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

ROWS_AT_ONCE = 16
LONGEST = 512
"""Longest run, px: what is worked on at once stays in the processor's cache."""


@njit(cache=True, nogil=True)
def run_ends(
    mask: NDArray[np.bool_], block: int, top: int, bottom: int, width: int, out: NDArray[np.int64]
) -> int:
    """Find the runs of columns in which any block of rows [top, bottom) is set, [first, last) px each.

    mask: one value for block x block px, or without rows, then all is set. out: room for (N, 2); returns how
    many were found. Runs longer than LONGEST are cut, at even columns.
    """
    found = 0
    if mask.shape[0] == 0:
        for first in range(0, width, LONGEST):
            out[found, 0], out[found, 1] = first, min(first + LONGEST, width)
            found += 1
        return found
    above, below = top // block, min((bottom + block - 1) // block, mask.shape[0])
    start = -1
    for x in range(mask.shape[1] + 1):
        worth = False
        if x < mask.shape[1]:
            for y in range(above, below):
                worth |= mask[y, x]
        at = min(x * block, width)
        if worth and start >= 0 and at - start >= LONGEST:
            out[found, 0], out[found, 1] = start, at
            found += 1
            start = at
        if worth and start < 0:
            start = at
        if not worth and start >= 0:
            if at > start:
                out[found, 0], out[found, 1] = start, at
                found += 1
            start = -1
    return found
