"""Compiled inner loops: the columns of a row that are worked on, packed beside each other.

A packed row is one loop however many runs it has: beginning a run costs as much as working on a hundred
samples. Samples are counted in pairs, because energies and weights are those of 2 x 2. Indices are unsigned,
or the compiler allows for negative ones in every loop.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
I64 = NDArray[np.int64]
U16 = NDArray[np.uint16]

MARGIN = 2
"""Pairs beside a run that are packed with it."""


@njit(cache=True, nogil=True)
def packed_runs(ends: I64, count: int, runs: I64) -> int:
    """First and last pair of each run, and where it begins in packed rows; returns their length in pairs."""
    place = 0
    for k in range(count):
        runs[k, 0], runs[k, 1], runs[k, 2] = ends[k, 0] // 2, (ends[k, 1] + 1) // 2, place
        place += runs[k, 1] - runs[k, 0] + 2 * MARGIN
    return place


@njit(cache=True, nogil=True)
def pack(source: U16, y: int, runs: I64, count: int, out: F32, row: int) -> None:
    """Put the runs of row y of a coarse plane, with their margins, into a packed row. Ends are repeated."""
    width, line, into = source.shape[1], np.uint64(y), np.uint64(row)
    for r in range(count):
        start, length, place = runs[r, 0] - MARGIN, runs[r, 1] - runs[r, 0] + 2 * MARGIN, runs[r, 2]
        low, high = max(-start, 0), min(width - start, length)
        begin, to = np.uint64(start + low), np.uint64(place + low)
        for k in range(np.uint64(high - low)):
            out[into, to + k] = source[line, begin + k]
        for k in range(low):
            out[row, place + k] = source[y, 0]
        for k in range(high, length):
            out[row, place + k] = source[y, width - 1]


@njit(cache=True, nogil=True)
def pack_pairs(source: U16, y: int, runs: I64, count: int, out: F32, row: int) -> None:
    """The same for pairs of samples: left ones in the first half of the packed row, right ones after."""
    width, line, into = source.shape[1], np.uint64(y), np.uint64(row)
    other, one = out.shape[1] // 2, np.uint64(1)
    for r in range(count):
        start, length, place = runs[r, 0] - MARGIN, runs[r, 1] - runs[r, 0] + 2 * MARGIN, runs[r, 2]
        low, high = max(-start, 0), min(width // 2 - start, length)
        begin, to, beside = (
            np.uint64(2 * (start + low)),
            np.uint64(place + low),
            np.uint64(other + place + low),
        )
        for k in range(np.uint64(high - low)):
            x = begin + k + k
            out[into, to + k] = source[line, x]
            out[into, beside + k] = source[line, x + one]
        for k in range(low):
            out[row, place + k] = out[row, other + place + k] = source[y, 0]
        for k in range(high, length):  # the left one of an odd last pair is the last as well
            out[row, place + k] = out[row, other + place + k] = source[y, width - 1]
