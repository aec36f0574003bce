"""Compiled rows of a Laplacian pyramid, and the energy of the finest detail in every block of a picture.

Burt & Adelson, "The Laplacian pyramid as a compact image code", IEEE Trans. Comm. 31(4), 1983: a level is
the picture minus its next coarser level, expanded (weights 1 4 6 4 1). Values are fixed point: see `planes`.
"""

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from nearpair.pixels.planes import coarser

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
Codes = NDArray[np.integer]

BLOCK_PX = 8
"""Side of the blocks whose detail is measured."""

# Energies are squares of differences of values in [0, 1], scaled so that their fourth power stays far from
# the smallest float32.
ENERGY_SCALE = 1e4 / 32640.0**2
# energies are kept as their logarithm, in sixteenths of an octave from 2^-6 to 2^9.9
_LOWEST = np.float32(-6.0)
_ENERGIES = np.exp2((np.arange(256, dtype=np.float32) - 1) / 16 + _LOWEST)
_ENERGIES[0] = 0.0


@njit(cache=True, nogil=True)
def upsampled_row(coarse: NDArray[np.number], y: int, start: int, out: F32, buffer: F32) -> None:
    """Samples [start, start + len(out)) of row y of the coarse plane expanded to twice the size.

    start is even; buffer holds at least len(out) / 2 + 3 values. The weights are 1 4 6 4 1 (a = 0.4 of Burt &
    Adelson); ends are repeated.
    """
    rows, columns = coarse.shape
    c, first = y // 2, start // 2 - 1
    count = (out.shape[0] + 1) // 2 + 2
    inner_first, inner_last = max(first, 0), min(first + count, columns)
    own = buffer[inner_first - first : inner_last - first]
    middle = coarse[c, inner_first:inner_last]
    below = coarse[min(c + 1, rows - 1), inner_first:inner_last]
    if y % 2 == 0:
        above = coarse[max(c - 1, 0), inner_first:inner_last]
        for k in range(own.shape[0]):
            side = np.float32(above[k]) + np.float32(below[k])
            own[k] = np.float32(0.125) * side + np.float32(0.75) * np.float32(middle[k])
    else:
        for k in range(own.shape[0]):
            own[k] = np.float32(0.5) * (np.float32(middle[k]) + np.float32(below[k]))
    if inner_first > first:
        buffer[0] = buffer[1]
    for k in range(inner_last - first, count):
        buffer[k] = buffer[inner_last - first - 1]
    whole = out.shape[0] // 2
    left, here, right = buffer[:whole], buffer[1 : whole + 1], buffer[2 : whole + 2]
    for k in range(whole):
        out[2 * k] = np.float32(0.125) * (left[k] + right[k]) + np.float32(0.75) * here[k]
        out[2 * k + 1] = np.float32(0.5) * (here[k] + right[k])
    if 2 * whole < out.shape[0]:
        side = buffer[whole] + buffer[whole + 2]
        out[2 * whole] = np.float32(0.125) * side + np.float32(0.75) * buffer[whole + 1]


@njit(cache=True, nogil=True)
def detail_row(fine: Codes, coarse: Codes, y: int, start: int, out: F32, buffer: F32) -> None:
    """Samples [start, start + len(out)) of row y of a Laplacian level: fine − expanded coarse."""
    upsampled_row(coarse, y, start, out, buffer)
    row = fine[y, start : start + out.shape[0]]
    for k in range(out.shape[0]):
        out[k] = np.float32(row[k]) - out[k]


@njit(cache=True, nogil=True)
def squares_row(upper: F32, lower: F32, out: F32) -> None:
    """Sums of squares of 2 x 2 details; an odd last column counts twice."""
    whole = upper.shape[0] // 2
    for x in range(whole):
        a, b, c, d = upper[2 * x], upper[2 * x + 1], lower[2 * x], lower[2 * x + 1]
        out[x] = a * a + b * b + c * c + d * d
    if whole < out.shape[0]:
        out[whole] = 2 * (upper[2 * whole] * upper[2 * whole] + lower[2 * whole] * lower[2 * whole])


@njit(cache=True, nogil=True)
def _block_rows(fine: Codes, coarse: Codes, scale: float, out: U8) -> None:
    """Codes of the detail energy of every block; every other pair of rows is looked at."""
    height, width = fine.shape
    upper, lower = np.empty(width, np.float32), np.empty(width, np.float32)
    squares, buffer = np.empty((width + 1) // 2, np.float32), np.empty(width // 2 + 4, np.float32)
    sums = np.empty(out.shape[1], np.float32)
    per = BLOCK_PX // 2
    for row in range(out.shape[0]):
        sums[:] = 0.0
        pairs = 0
        for y in range(row * BLOCK_PX, min((row + 1) * BLOCK_PX, height), 4):
            detail_row(fine, coarse, y, 0, upper, buffer)
            detail_row(fine, coarse, min(y + 1, height - 1), 0, lower, buffer)
            squares_row(upper, lower, squares)
            pairs += 1
            for x in range(squares.shape[0] // per):
                for k in range(per):
                    sums[x] += squares[x * per + k]
            for x in range(squares.shape[0] // per * per, squares.shape[0]):
                sums[out.shape[1] - 1] += squares[x]
        for x in range(out.shape[1]):
            across = min(per, squares.shape[0] - x * per)
            energy = sums[x] * np.float32(scale) / np.float32(4 * across * pairs)
            code = np.float32(16.0) * (np.log2(energy + np.float32(1e-6)) - _LOWEST)
            out[row, x] = np.uint8(min(max(code + np.float32(1.5), np.float32(1.0)), np.float32(255.0)))


def block_detail(luma: Codes, full: float, coarse: Codes | None = None) -> U8:
    """Energy of the finest detail in each block of a luma (H, W), shape (⌈H/8⌉, ⌈W/8⌉), as codes 1 to 255.

    full: the luma's value of white; coarse: its next coarser level, if it is known.
    `energy_of` turns codes into energies. Half of the rows are looked at.
    """
    coarse = coarser(luma) if coarse is None else coarse
    height, width = luma.shape
    out = np.empty((-(-height // BLOCK_PX), -(-width // BLOCK_PX)), np.uint8)
    _block_rows(luma, coarse, 1e4 / full**2, out)
    return out


def codes_of(energies: F32) -> U8:
    """Codes of energies, see `energy_of`."""
    with np.errstate(divide="ignore"):
        codes = np.rint(16 * (np.log2(energies) - _LOWEST) + 1)
    return np.asarray(np.where(energies > 0, np.clip(codes, 1, 255), 0), np.uint8)


def energy_of(codes: U8) -> F32:
    """Energies of codes: values in [0, 1], squared, times 10^4; 0 for code 0, which is nothing seen."""
    return np.asarray(cv2.LUT(codes, _ENERGIES), np.float32)
