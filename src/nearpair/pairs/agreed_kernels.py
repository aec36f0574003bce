"""Compiled inner loops of agreeing on depth: evidence for each frame, and its paths through the picture."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
I16 = NDArray[np.int16]

_FLOOR = 1e-2
_FAINTER = 0.3
_BESIDE = 2
_LEAST_SHARE = 0.02
STEPS = 60.0
"""Costs are kept as whole numbers: this many for one unit of −ln(share)."""


@njit(cache=True, nogil=True)
def evidence(energy: F32, mismatch: F32, tolerance: float, cost: U8) -> None:
    """Cost of each frame at each place, (h, w, n), from energies and mismatches, (n, h, w).

    The share of a frame is energy² · exp(−mismatch / tolerance), twice less where a frame beside it is
    sharper. Energies above `_FAINTER` of the largest count alike: grain seen through a blurred thing is often
    stronger than the thing's own detail, and then the mismatch must decide.
    """
    count, rows, columns = energy.shape
    score = np.empty(count, np.float32)
    for y in range(rows):
        for x in range(columns):
            most = np.float32(0.0)
            for k in range(count):
                most = max(most, energy[k, y, x])
            best = np.float32(-1e9)
            for k in range(count):
                here = energy[k, y, x]
                beside = np.float32(0.0)
                for j in range(max(k - _BESIDE, 0), min(k + _BESIDE + 1, count)):
                    if j != k:
                        beside = max(beside, energy[j, y, x])
                behind = 2.0 * np.log((here + _FLOOR) / (beside + _FLOOR))
                held = np.log(min(here, _FAINTER * most) + _FLOOR)
                score[k] = 2.0 * held - mismatch[k, y, x] / tolerance + min(max(behind, -1.0), 0.0)
                best = max(best, score[k])
            total = np.float32(0.0)
            for k in range(count):
                score[k] = np.exp(score[k] - best)
                total += score[k]
            for k in range(count):
                cost[y, x, k] = np.uint8(
                    -STEPS * np.log((score[k] / total + _LEAST_SHARE) / (1 + _LEAST_SHARE))
                )


@njit(cache=True, nogil=True)
def _step(
    cost: U8, seen: U8, seen_before: U8, before: U16, small: int, jump: U16, near_last: bool, out: U16
) -> None:
    """One step of a path: least cost of each frame here, given those at the place before."""
    count = cost.shape[0]
    least = before[0]
    for k in range(1, count):
        least = min(least, before[k])
    # going nearer, and going farther: the edge is looked for in the frame of the nearer of the two
    nearest = np.int32(1 << 20)
    for step in range(count):
        k = step if near_last else count - 1 - step
        edge = abs(np.int32(seen[k]) - np.int32(seen_before[k]))
        here = np.int32(before[k])
        out[k] = np.uint16(min(here, nearest + np.int32(jump[edge])))
        nearest = min(nearest, here)
    nearer = np.int32(1 << 20)
    for step in range(count):
        k = count - 1 - step if near_last else step
        edge = abs(np.int32(seen[k]) - np.int32(seen_before[k]))
        least_way = min(np.int32(out[k]), nearer)
        nearer = min(nearer, np.int32(before[k]) + np.int32(jump[edge]))
        if k > 0:
            least_way = min(least_way, np.int32(before[k - 1]) + small)
        if k < count - 1:
            least_way = min(least_way, np.int32(before[k + 1]) + small)
        out[k] = np.uint16(np.int32(cost[k]) + least_way - np.int32(least))


@njit(cache=True, nogil=True)
def along(
    cost: U8, frames: U8, down: int, right: int, small: int, jump: U16, near_last: bool, sums: U16
) -> None:
    """Add the least costs of paths that come from one direction to `sums`, (h, w, n).

    Hirschmüller, IEEE PAMI 30(2), 2008, over frames instead of disparities, and with one change: what it
    costs to jump depends on the edge that the nearer of the two frames shows there. A near thing ends where
    the frame that has it sharp shows an edge; frames, (h, w, n), are the registered lumas.
    jump: cost for each of 256 differences of neighbours. near_last: later frames are focused nearer.
    """
    rows, columns, count = cost.shape
    last = np.zeros((columns, count), np.uint16)
    this = np.zeros((columns, count), np.uint16)
    for step_y in range(rows):
        y = rows - 1 - step_y if down < 0 else step_y
        for step_x in range(columns):
            x = columns - 1 - step_x if right < 0 else step_x
            y0, x0 = y - down, x - right
            if 0 <= y0 < rows and 0 <= x0 < columns:
                before = last[x0] if down != 0 else this[x0]
                _step(cost[y, x], frames[y, x], frames[y0, x0], before, small, jump, near_last, this[x])
            else:
                for k in range(count):
                    this[x, k] = cost[y, x, k]
            for k in range(count):
                sums[y, x, k] += this[x, k]
        if down != 0:
            last, this = this, last


@njit(cache=True, nogil=True)
def shares(
    sums: U16, paths: int, spread: F32, hidden: I16, near_last: bool, out: U8, top: int, bottom: int
) -> None:
    """How well each frame fits, against the best, in 255ths, (n, h, w), rows [top, bottom).

    spread: weights for frames 0, 1, 2, ... apart, by which neighbouring frames share what they have.
    hidden: how many frames, from the farthest, are hidden at each place, (h, w): only those get 0.
    """
    count, reach = sums.shape[2], spread.shape[0] - 1
    share, spread_out = np.empty(count, np.float32), np.empty(count, np.float32)
    unit = np.float32(STEPS * paths)
    for y in range(top, bottom):
        for x in range(sums.shape[1]):
            first = np.int64(hidden[y, x]) if near_last else 0
            end = count if near_last else count - np.int64(hidden[y, x])
            least = sums[y, x, first]
            for k in range(first, end):
                least = min(least, sums[y, x, k])
            for k in range(first, end):
                share[k] = np.exp((np.float32(least) - np.float32(sums[y, x, k])) / unit)
            most = np.float32(0.0)
            for k in range(first, end):
                total = np.float32(0.0)
                for j in range(max(first, k - reach), min(end, k + reach + 1)):
                    total += spread[abs(j - k)] * share[j]
                spread_out[k] = total
                most = max(most, total)
            for k in range(count):
                out[k, y, x] = 0
            for k in range(first, end):
                out[k, y, x] = np.uint8(254.0 * spread_out[k] / most + 1.5)
