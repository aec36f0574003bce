"""Compiled inner loops of dense matching: costs with colour and focus, votes, hidden places."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nearpair.pairs.kernels import OUTSIDE, ones

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
U64 = NDArray[np.uint64]

_MOST_COLOUR, _COLOUR_OF_256 = 80, 77
MOST_FOCUS = 12.0
_BINS_PER_PX, _SUPPORT_BINS = 2, 2
_MAJORITY, _BEYOND_NEAREST = 0.6, 0.3
_LEAST_HEARD, _OWN_BINS = 0.02, 3


@njit(cache=True, nogil=True)
def coloured_costs(
    signatures: tuple[U64, U64],
    colours: tuple[U8, U8],
    expected: tuple[F32, F32],
    per_focus_px: float,
    lowest: int,
    out: U8,
    top: int,
    bottom: int,
) -> None:
    """Cost of first(y, x) being second(y, x − lowest − k) into out (h, w, disparities).

    Bits of the signatures that differ, 0.3 of the colours' distance (L1, at most 80), and `per_focus_px`
    for each px that either eye's focus leads to expect another disparity (at most 12 each). expected: NaN
    where silent.
    """
    width, count = out.shape[1], out.shape[2]
    for y in range(top, bottom):
        for x in range(width):
            for k in range(count):
                disparity = lowest + k
                other = x - disparity
                if not 0 <= other < width:
                    out[y, x, k] = OUTSIDE + _off(expected[0][y, x], disparity, per_focus_px)
                    continue
                bits = ones(signatures[0][y, x] ^ signatures[1][y, other])
                colour = min(_apart(colours[0][y, x], colours[1][y, other]), _MOST_COLOUR)
                focus = _off(expected[0][y, x], disparity, per_focus_px)
                focus += _off(expected[1][y, other], disparity, per_focus_px)
                out[y, x, k] = bits + ((colour * _COLOUR_OF_256) >> 8) + focus


@njit(cache=True, nogil=True)
def _off(expected: float, disparity: int, per_px: float) -> int:
    # comparisons with NaN are False
    off = abs(expected - disparity) * per_px
    if off < MOST_FOCUS:
        return int(off)
    return int(MOST_FOCUS) if expected == expected else 0


@njit(cache=True, nogil=True)
def _apart(one: U8, other: U8) -> int:
    """L1 distance of two colours."""
    # unsigned bytes would wrap around
    apart = abs(np.int64(one[0]) - np.int64(other[0]))
    apart += abs(np.int64(one[1]) - np.int64(other[1]))
    apart += abs(np.int64(one[2]) - np.int64(other[2]))
    return int(apart)


@njit(cache=True, nogil=True)
def vote(
    colour: U8,
    disparity: F32,
    weight: F32,
    asked: NDArray[np.bool_],
    bounds: tuple[int, int],
    step: int,
    by_colour: F32,
    by_distance: F32,
    nearest: F32,
    measured: NDArray[np.bool_],
    out: F32,
    support: F32,
    top: int,
    bottom: int,
) -> None:
    """Weighted median of the disparities around each pixel asked for, of every `step`-th row and column.

    bounds: lowest and highest disparity; by_colour (766,), by_distance (reach + 1,) and `weight` (h, w):
    weights, 0 has no vote. nearest (h, w): disparity beyond which votes count little where no majority of
    them agrees, NaN for none. measured (h, w): where the disparity was measured, and not filled in. out: the
    median (to half a px), or the disparity as it was where that is within a px of it, or where it was
    measured and would win by likeness alone (`_held`); support: share of votes that agree.
    """
    height, width = disparity.shape
    reach = len(by_distance) - 1
    bins = np.zeros(_BINS_PER_PX * (bounds[1] - bounds[0] + 2), np.float32)
    heard = np.zeros_like(bins)
    for y in range(top, bottom):
        for x in range(width):
            out[y, x], support[y, x] = disparity[y, x], 1.0
            if not asked[y, x]:
                continue
            bins[:], heard[:] = 0, 0
            for j in range(max(y - reach, y % step), min(y + reach + 1, height), step):
                for i in range(max(x - reach, x % step), min(x + reach + 1, width), step):
                    if weight[j, i] > 0:
                        near = by_distance[abs(i - x)] * by_distance[abs(j - y)] * weight[j, i]
                        at = int((disparity[j, i] - bounds[0]) * _BINS_PER_PX + 1)
                        bins[at] += near * by_colour[_apart(colour[y, x], colour[j, i])]
                        heard[at] += near
            middle, support[y, x] = _median(bins)
            if support[y, x] < _MAJORITY and nearest[y, x] == nearest[y, x]:
                first = int((nearest[y, x] - bounds[0]) * _BINS_PER_PX + 2)
                bins[min(max(first, 0), len(bins)) :] *= np.float32(_BEYOND_NEAREST)
                middle, support[y, x] = _median(bins)
            median = bounds[0] + (middle - 0.5) / _BINS_PER_PX
            if support[y, x] > 0 and not abs(disparity[y, x] - median) <= 1.0:
                own = (disparity[y, x] - bounds[0]) * _BINS_PER_PX + 0.5
                held = _held(bins, heard, own) if measured[y, x] else 0.0
                if held > 0:
                    support[y, x] = held
                else:
                    out[y, x] = median


@njit(cache=True, nogil=True)
def _held(bins: F32, heard: F32, own: float) -> float:
    """Share of votes for the bin `own`, if it wins where the number of votes counts by its root only; or 0.

    A thin thing has few votes, however alike they are, and a wide ground always some that are. heard: the
    votes (as `bins`) if all were alike; `bins` are changed.
    """
    total, around = float(np.sum(heard)), 0.0
    wide = 2 * _SUPPORT_BINS
    for k in range(min(wide, len(bins))):
        around += heard[k]
    for k in range(len(bins)):
        if k + wide < len(bins):
            around += heard[k + wide]
        if k > wide:
            around -= heard[k - wide - 1]
        if bins[k] > 0:
            bins[k] /= math.sqrt(max(around, 0.0) / total + _LEAST_HEARD)
    middle, share = _median(bins)
    return share if abs(middle - own) <= _OWN_BINS else 0.0


@njit(cache=True, nogil=True)
def _median(bins: F32) -> tuple[int, float]:
    """Bin of the median, and the share of all that lies in it and beside it; (0, 0) of nothing."""
    total = 0.0
    for value in bins:
        total += value
    if total <= 0:
        return 0, 0.0
    below, middle = float(bins[0]), 0
    while below < total / 2 and middle < len(bins) - 1:
        middle += 1
        below += bins[middle]
    close = 0.0
    for k in range(max(0, middle - _SUPPORT_BINS), min(len(bins), middle + _SUPPORT_BINS + 1)):
        close += bins[k]
    return middle, close / total


@njit(cache=True, nogil=True)
def hidden(disparity: F32, jump: float, out: NDArray[np.bool_], top: int, bottom: int) -> None:
    """Where the second view has something nearer (by `jump` px) in the place of a pixel, or ends there."""
    width = disparity.shape[1]
    nearest = np.empty(width, np.float32)
    for y in range(top, bottom):
        nearest[:] = -np.inf
        for x in range(width):
            at = int(np.rint(x - disparity[y, x]))
            if 0 <= at < width:
                nearest[at] = max(nearest[at], disparity[y, x])
        for x in range(width):
            at = int(np.rint(x - disparity[y, x]))
            out[y, x] = not 0 <= at < width or nearest[at] > disparity[y, x] + jump
