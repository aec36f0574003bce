"""Compiled inner loops: planes moved by a similarity, where they are needed.

Planes: see `planes`. Each function works on a band of rows, so that bands can run side by side.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nearpair.pixels.planes import to_fixed
from nearpair.pixels.runs import LONGEST, run_ends

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U16 = NDArray[np.uint16]
I64 = NDArray[np.int64]
Samples = NDArray[np.integer] | NDArray[np.floating]
Mask = NDArray[np.bool_]

NEED_PX = 4
"""Side of the blocks in which it is said which parts of a plane are needed."""

# Whole arrays and unsigned indices: cutting rows out of arrays costs as much as working on them where runs
# are short, and the compiler allows for negative indices in every loop if it can.
_PIECE = 16
_TAPS = 5
# shorter runs of the same weights are not worth it
_LEAST_RUN = 48
# a place may be taken for that of a neighbour's as long as it is no farther from it, px
_NEAR_PX = 0.01


@njit(cache=True, nogil=True)
def _catmull_rom(f: float) -> tuple[float, float, float, float]:
    """Weights of four samples for a place f in [0, 1] between the second and the third."""
    return (
        ((-0.5 * f + 1.0) * f - 0.5) * f,
        (1.5 * f - 2.5) * f * f + 1.0,
        ((-1.5 * f + 2.0) * f + 0.5) * f,
        (0.5 * f - 0.5) * f * f,
    )


@njit(cache=True, nogil=True)
def _down_rolled(
    source: Samples, start: float, slope: float, first: int, left: int, right: int, row: F32
) -> None:
    """As `_down`, for columns [left, right) inside the source and slopes that change the weights quickly."""
    last = source.shape[0] - 1
    half = np.float32(0.5)
    x = left
    while x < right:
        at = start + slope * (x - first)
        whole = np.int64(np.floor(at))
        steady = (whole + 1 - at) / slope if slope > 0.0 else (at - whole) / -slope + 1.0
        n = int(max(min(steady, float(right - x)), 1.0))
        a, b = np.uint64(min(max(whole - 1, 0), last)), np.uint64(min(max(whole, 0), last))
        c, d = np.uint64(min(max(whole + 1, 0), last)), np.uint64(min(max(whole + 2, 0), last))
        f32, drift = np.float32(at - whole), np.float32(slope)
        begin, into = np.uint64(x), np.uint64(x - first)
        for k in range(np.uint64(n)):
            i, f = begin + k, f32 + drift * np.float32(k)
            p, q = np.float32(source[a, i]), np.float32(source[b, i])
            r, s = np.float32(source[c, i]), np.float32(source[d, i])
            inner = np.float32(3.0) * (q - r) + s - p
            middle = p + p - np.float32(5.0) * q + np.float32(4.0) * r - s
            row[into + k] = q + half * f * (r - p + f * (middle + f * inner))
        x += n


@njit(cache=True, nogil=True)
def _down(source: Samples, start: float, slope: float, first: int, count: int, row: F32) -> None:
    """row[k] = column first + k of the source at row start + slope·k, k < count; ends are repeated.

    At least one of the columns lies in the source.
    """
    last, width = source.shape[0] - 1, source.shape[1]
    left, right = min(max(first, 0), width), max(min(first + count, width), 0)
    longest = max(int(min(2 * _NEAR_PX / max(abs(slope), 1e-9), 1e6)), 1)
    steady = longest >= _LEAST_RUN
    if not steady:
        _down_rolled(source, start, slope, first, left, right, row)
    for x in range(left, right if steady else left, longest):
        n = min(longest, right - x)
        at = start + slope * (x - first + 0.5 * (n - 1))
        whole = np.int64(np.floor(at))
        p, q, r, s = _catmull_rom(at - whole)
        p32, q32, r32, s32 = np.float32(p), np.float32(q), np.float32(r), np.float32(s)
        a, b = np.uint64(min(max(whole - 1, 0), last)), np.uint64(min(max(whole, 0), last))
        c, d = np.uint64(min(max(whole + 1, 0), last)), np.uint64(min(max(whole + 2, 0), last))
        begin, into = np.uint64(x), np.uint64(x - first)
        for k in range(np.uint64(n)):
            i = begin + k
            upper = p32 * np.float32(source[a, i]) + q32 * np.float32(source[b, i])
            row[into + k] = upper + (r32 * np.float32(source[c, i]) + s32 * np.float32(source[d, i]))
    for k in range(left - first):
        row[k] = row[left - first]
    for k in range(right - first, count):
        row[k] = row[right - first - 1]


@njit(cache=True, nogil=True)
def _piece_length(slope: float) -> int:
    """For how many samples floor(start + slope·x) gets ahead of, or falls behind x by one at most."""
    drift = abs(slope - 1.0)
    return _PIECE if drift * _PIECE < 1.0 else max(int(1.0 / drift), 1)


@njit(cache=True, nogil=True)
def _taps(start: float, slope: float, gain: float, piece: int, weights: F32, bases: I64) -> None:
    """Weights (_TAPS, N) of the samples for the places start + slope·x, and the first sample of each piece.

    Of five samples of the piece either the first or the last has no say.
    """
    early = 1 if slope < 1.0 and piece > 1 else 0
    none, one, two, three, half = (
        np.float32(0.0), np.float32(1.0), np.float32(2.0), np.float32(3.0), np.float32(0.5)
    )  # fmt: skip
    scale, drift = np.float32(gain), np.float32(slope - 1.0)
    a, b, c, d = np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4)
    for number in range(bases.shape[0]):
        first = number * piece
        place = start + slope * first
        base = np.floor(place) - early
        bases[number] = np.int64(base) - 1
        ahead = np.float32(place - base)
        for k in range(np.uint64(max(min(piece, weights.shape[1] - first), 0))):
            x, t = np.uint64(first) + k, ahead + drift * np.float32(k)
            # no branches, so that several are worked out at once
            late = one if t >= one else none
            f = t - late
            p = scale * ((-half * f + one) * f - half) * f
            q = scale * ((half * three * f - half * (two + three)) * f * f + one)
            r = scale * ((-half * three * f + two) * f + half) * f
            s = scale * (half * f - half) * f * f
            weights[0, x] = p - p * late
            weights[a, x] = q - late * (q - p)
            weights[b, x] = r - late * (r - q)
            weights[c, x] = s - late * (s - r)
            weights[d, x] = s * late


@njit(cache=True, nogil=True)
def _across(
    row: F32, low: int, weights: F32, bases: I64, piece: int, offset: float, y: int, first: int, last: int,
    out: U16,
) -> None:  # fmt: skip
    """Columns [first, last) of out's row y; first is that of a piece. The row begins with sample `low`."""
    line, added = np.uint64(y), np.float32(offset)
    one, two, three, four = np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4)
    for number in range(first // piece, (last + piece - 1) // piece):
        x, at = np.uint64(number * piece), np.uint64(bases[number] - low)
        if piece == _PIECE and number * _PIECE + _PIECE <= last:  # a length that the compiler knows
            for k in range(np.uint64(_PIECE)):
                i, j = at + k, x + k
                value = weights[0, j] * row[i] + weights[one, j] * row[i + one]
                value += weights[two, j] * row[i + two] + weights[three, j] * row[i + three]
                out[line, j] = to_fixed(value + weights[four, j] * row[i + four] + added)
            continue
        for k in range(np.uint64(min(piece, last - number * piece))):
            i, j = at + k, x + k
            value = weights[0, j] * row[i] + weights[one, j] * row[i + one]
            value += weights[two, j] * row[i + two] + weights[three, j] * row[i + three]
            out[line, j] = to_fixed(value + weights[four, j] * row[i + four] + added)


@njit(cache=True, nogil=True)
def warp(
    source: Samples, inverse: F64, gain: float, offset: float, needed: Mask, out: U16, top: int, bottom: int
) -> None:
    """Resample a plane by a similarity in two one-dimensional passes; ends are repeated outside.

    inverse: (2, 3) map out px → source px with a small roll; values become gain · value + offset. Each pass
    is exact but for _NEAR_PX: Catmull & Smith, "3-D transformations of images in scanline order", SIGGRAPH
    1980; Catmull-Rom weights. needed: blocks of NEED_PX that have to be filled; without rows, all of them.
    """
    a, b = inverse[0, 0], inverse[1, 0]
    tx, ty = inverse[0, 2], inverse[1, 2]
    width, piece = out.shape[1], _piece_length(a)
    row = np.empty(int((LONGEST + 2 * _PIECE) * abs(a)) + 64, np.float32)
    weights, bases = np.empty((_TAPS, width), np.float32), np.empty(width // piece + 1, np.int64)
    ends = np.empty((width // NEED_PX + 2 + width // LONGEST, 2), np.int64)
    fresh = max(int(min(2 * _NEAR_PX / max(abs(b), 1e-9), 1e6)) // NEED_PX, 1) * NEED_PX
    for block in range(top, bottom, NEED_PX):
        until = min(block + NEED_PX, bottom)
        if (block - top) % fresh == 0:
            middle = block + 0.5 * (min(fresh, bottom - block) - 1)
            _taps(tx - b * middle, a, gain, piece, weights, bases)
        for k in range(run_ends(needed, NEED_PX, block, until, width, ends)):
            first, last = ends[k, 0] // piece * piece, min(-(-ends[k, 1] // piece) * piece, width)
            low = bases[first // piece]
            count = bases[(last - 1) // piece] + piece + _TAPS - low
            # outside the source all columns are alike, so that any run of them may hold its end
            near = min(max(low, 1 - count), source.shape[1] - 1)
            for y in range(block, until):
                # the source row that belongs to column `near` of the source and row y of the view
                start = b * (near - tx + b * y) / a + a * y + ty
                _down(source, start, b / a, near, count, row)
                _across(row, low, weights, bases, piece, offset, y, first, last, out)
