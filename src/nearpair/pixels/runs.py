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
    row = mask[above]
    if below - above > 1:
        row = row.copy()
        for y in range(above + 1, below):
            row |= mask[y]
    x, blocks, longest = 0, row.shape[0], -(-LONGEST // block)
    while x < blocks:
        # short loops of one comparison: most of a mask is empty
        while x < blocks and not row[x]:
            x += 1
        start = x
        while x < blocks and row[x] and x - start < longest:
            x += 1
        first, last = min(start * block, width), min(x * block, width)
        if last > first:
            out[found, 0], out[found, 1] = first, last
            found += 1
    return found
