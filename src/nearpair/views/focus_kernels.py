"""Compiled inner loops of the focus map: following the sharpest frame of every pixel."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
I16 = NDArray[np.int16]


@njit(cache=True, nogil=True)
def track_peak(
    energy: F32,
    last: F32,
    number: int,
    best: F32,
    index: I16,
    before: F32,
    after: F32,
    total: F32,
    least: F32,
    top: int,
    bottom: int,
) -> None:
    """Follow, for each pixel, the largest energy over the frames and its two neighbours in the sequence.

    energy: of frame `number`; last: of the frame before it, −1 before the first.
    """
    for y in range(top, bottom):
        for x in range(energy.shape[1]):
            e = energy[y, x]
            if e > best[y, x]:
                before[y, x] = last[y, x]
                best[y, x] = e
                index[y, x] = number
                after[y, x] = -1.0
            elif index[y, x] == number - 1:
                after[y, x] = e
            total[y, x] += e
            if e < least[y, x]:
                least[y, x] = e


@njit(cache=True, nogil=True)
def interpolate_peak(
    best: F32, index: I16, before: F32, after: F32, position: F32, width: F32, top: int, bottom: int
) -> None:
    """Gaussian peak through three energies: fractional frame and width (σ, frames); NaN width at the ends.

    Nayar & Nakagawa, "Shape from focus", IEEE PAMI 16(8), 1994 (formula from memory), written for unit steps.
    """
    for y in range(top, bottom):
        for x in range(best.shape[1]):
            position[y, x] = index[y, x]
            width[y, x] = np.nan
            if before[y, x] <= 0.0 or after[y, x] <= 0.0:
                continue
            peak = np.log(best[y, x])
            down, up = peak - np.log(before[y, x]), peak - np.log(after[y, x])
            if down + up < 1e-6:
                continue
            position[y, x] = index[y, x] + 0.5 * (down - up) / (down + up)
            width[y, x] = np.sqrt(1.0 / (down + up))


@njit(cache=True, nogil=True)
def enlarge(small: F32, each: int, out: F32, top: int, bottom: int) -> None:
    """Repeat each value `each` times across and down, rows [top, bottom) of the result."""
    width = out.shape[1]
    row = np.empty(small.shape[1] * each, np.float32)
    for y in range(top, bottom):
        if y == top or y % each == 0:
            values = small[y // each]
            for k in range(each):
                part = row[k::each]
                for x in range(values.shape[0]):
                    part[x] = values[x]
        out[y] = row[:width]
