"""Compiled inner loops of stereo matching: costs, semi-global aggregation, refinement, medians.

Census transform: Zabih & Woodfill, ECCV 1994. Semi-global matching: Hirschmueller, IEEE PAMI 30(2), 2008
(recurrence from memory): L_r(p, d) = C(p, d) + min(L_r(p−r, d), L_r(p−r, d±1) + P1, min_k L_r(p−r, k) + P2)
− min_k L_r(p−r, k), summed over eight directions r.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
U64 = NDArray[np.uint64]

OUTSIDE = 40
_BESIDE = 60_000  # of a path beyond the range: never the best, and no overflow with a penalty added


@njit(cache=True, nogil=True)
def census(plane: F32, noise: float, out: U64, reach_x: int = 4, reach_y: int = 3) -> None:
    """Which of 9 x 7 neighbours (2 · reach + 1 either way, 64 at most) are brighter by more than `noise`."""
    height, width = plane.shape
    for y in range(height):
        for x in range(width):
            bits = np.uint64(0)
            middle = plane[y, x] + noise
            for j in range(-reach_y, reach_y + 1):
                row = min(max(y + j, 0), height - 1)
                for i in range(-reach_x, reach_x + 1):
                    if i == 0 and j == 0:
                        continue
                    column = min(max(x + i, 0), width - 1)
                    bits = (bits << np.uint64(1)) | np.uint64(plane[row, column] > middle)
            out[y, x] = bits


@njit(cache=True, nogil=True)
def ones(bits: np.uint64) -> int:
    """Return how many bits are set."""
    v = bits - ((bits >> np.uint64(1)) & np.uint64(0x5555555555555555))
    v = (v & np.uint64(0x3333333333333333)) + ((v >> np.uint64(2)) & np.uint64(0x3333333333333333))
    v = (v + (v >> np.uint64(4))) & np.uint64(0x0F0F0F0F0F0F0F0F)
    return int((v * np.uint64(0x0101010101010101)) >> np.uint64(56))


@njit(cache=True, nogil=True)
def costs(first: U64, second: U64, lowest: int, out: U8, top: int, bottom: int) -> None:
    """Hamming distance of first(y, x) and second(y, x − lowest − k) into out (h, w, disparities)."""
    width, count = first.shape[1], out.shape[2]
    for y in range(top, bottom):
        for x in range(width):
            for k in range(count):
                other = x - lowest - k
                if 0 <= other < width:
                    out[y, x, k] = min(ones(first[y, x] ^ second[y, other]), OUTSIDE)
                else:
                    out[y, x, k] = OUTSIDE


@njit(cache=True, nogil=True)
def _extend(cost: U8, before: U16, now: U16, sums: U16, small: int, large: int, fresh: bool) -> None:
    """One step of one path at one pixel: cost, sums (disparities,); before, now with _BESIDE at either end.

    All in 16 bits and without a branch, so that eight disparities or more are done at once.
    """
    count = cost.shape[0]
    if fresh:
        for k in range(count):
            now[k + 1] = cost[k]
            sums[k] += cost[k]
        return
    least = np.uint16(_BESIDE)
    for k in range(count):
        least = min(least, before[k + 1])
    ceiling, step = np.uint16(least + large), np.uint16(small)
    for k in range(count):
        aside = np.uint16(min(before[k], before[k + 2]) + step)
        best = min(before[k + 1], ceiling, aside)
        value = np.uint16(cost[k] + np.uint16(best - least))
        now[k + 1] = value
        sums[k] = np.uint16(sums[k] + value)


@njit(cache=True, nogil=True)
def along_rows(cost: U8, edges: F32, sums: U16, small: int, large: int, top: int, bottom: int) -> None:
    """Aggregate leftwards and rightwards; rows do not depend on each other."""
    width, count = cost.shape[1], cost.shape[2]
    path = np.full((2, count + 2), _BESIDE, np.uint16)
    for y in range(top, bottom):
        for x in range(width):
            step = x & 1
            jump = _penalty(edges, y, x, y, max(x - 1, 0), small, large)
            _extend(cost[y, x], path[1 - step], path[step], sums[y, x], small, jump, x == 0)
        for x in range(width - 1, -1, -1):
            step = x & 1
            jump = _penalty(edges, y, x, y, min(x + 1, width - 1), small, large)
            _extend(cost[y, x], path[1 - step], path[step], sums[y, x], small, jump, x == width - 1)


@njit(cache=True, nogil=True)
def _penalty(plane: F32, y: int, x: int, py: int, px: int, small: int, large: int) -> int:
    """A jump in depth costs less where the picture has an edge."""
    contrast = abs(plane[y, x] - plane[py, px]) * 25.0
    return max(int(large / (1.0 + contrast)), small + 1)


@njit(cache=True, nogil=True)
def along_columns(cost: U8, edges: F32, sums: U16, small: int, large: int, downwards: bool) -> None:
    """Aggregate along the vertical and the two diagonals, from the top or from the bottom."""
    height, width, count = cost.shape
    paths = np.full((2, 3, width, count + 2), _BESIDE, np.uint16)
    for row in range(height):
        y = row if downwards else height - 1 - row
        py = y - 1 if downwards else y + 1
        now, last = paths[row & 1], paths[1 - (row & 1)]
        for side in range(3):
            for x in range(width):
                px = x + side - 1
                fresh = row == 0 or px < 0 or px >= width
                jump = large if fresh else _penalty(edges, y, x, py, px, small, large)
                before = last[side, x] if fresh else last[side, px]
                _extend(cost[y, x], before, now[side, x], sums[y, x], small, jump, fresh)


@njit(cache=True, nogil=True)
def pick(sums: U16, lowest: int, out: F32, margin: F32, top: int, bottom: int) -> None:
    """Disparity of least sum, in between where two equal slopes meet, and how clearly it wins (0..1)."""
    width, count = sums.shape[1], sums.shape[2]
    for y in range(top, bottom):
        for x in range(width):
            row = sums[y, x]
            best = 0
            for k in range(1, count):
                if row[k] < row[best]:
                    best = k
            second = 65535
            for k in range(count):
                if abs(k - best) > 1 and row[k] < second:
                    second = row[k]
            margin[y, x] = (second - row[best]) / (second + 1.0)
            offset = 0.0
            if 0 < best < count - 1:
                down, up = float(row[best - 1]) - row[best], float(row[best + 1]) - row[best]
                if down + up > 0:
                    offset = 0.5 * (down - up) / max(down, up)
            out[y, x] = lowest + best + offset


@njit(cache=True, nogil=True)
def pick_other(sums: U16, lowest: int, out: F32, top: int, bottom: int) -> None:
    """The same sums read from the second view: disparity at each of its pixels (whole px)."""
    width, count = sums.shape[1], sums.shape[2]
    for y in range(top, bottom):
        for x in range(width):
            least, best = 65536, -1
            for k in range(count):
                at = x + lowest + k
                if 0 <= at < width and sums[y, at, k] < least:
                    least, best = sums[y, at, k], k
            out[y, x] = lowest + best if best >= 0 else np.nan


@njit(cache=True, nogil=True)
def agree(first: F32, second: F32, tolerance: float, out: NDArray[np.bool_], top: int, bottom: int) -> None:
    """Left-right check: True where second(x − d) holds the same disparity within `tolerance` px."""
    width = first.shape[1]
    for y in range(top, bottom):
        for x in range(width):
            at = int(np.rint(x - first[y, x]))
            out[y, x] = 0 <= at < width and abs(second[y, at] - first[y, x]) <= tolerance


@njit(cache=True, nogil=True)
def _window_step(
    first: F32, second: F32, slope: F32, disparity: F32, y: int, x: int, d: float, reach: int
) -> float:
    """Least-squares step of the disparity d of one window; NaN when its texture does not tell."""
    sg = sgg = sr = sgr = np.float32(0.0)
    n = 0
    # every column of the window lies at the same fraction between two of the second view
    whole = int(np.floor(-d))
    f = np.float32(-d - whole)
    here = disparity[y, x]
    left, right = max(x - reach, -whole), min(x + reach, first.shape[1] - 2 - whole)
    for j in range(y - reach, y + reach + 1):
        for i in range(left, right + 1):
            # comparisons with NaN are False: unknown neighbours and other surfaces stay out
            if not abs(disparity[j, i] - here) <= np.float32(1.0):
                continue
            ix = i + whole
            g = slope[j, ix] + (slope[j, ix + 1] - slope[j, ix]) * f
            r = first[j, i] - second[j, ix] - (second[j, ix + 1] - second[j, ix]) * f
            sg += g
            sgg += g * g
            sr += r
            sgr += g * r
            n += 1
    if n < 8:
        return np.nan
    spread = sgg - sg * sg / n
    # first ≈ second(x − d), and the derivative of second(x − d) by d is −slope
    return float(-(sgr - sg * sr / n) / spread) if spread >= 1e-3 else np.nan


@njit(cache=True, nogil=True)
def refine(
    first: F32, second: F32, slope: F32, disparity: F32, reach: int, out: F32, top: int, bottom: int
) -> None:
    """One-dimensional least squares on a small window (Lucas & Kanade 1981), with free brightness offset.

    slope: horizontal derivative of `second`. Moves of more than 0.75 px are refused.
    """
    height, width = first.shape
    for y in range(top, bottom):
        for x in range(width):
            start = disparity[y, x]
            out[y, x] = start
            if np.isnan(start) or y < reach or y >= height - reach or x < reach or x >= width - reach:
                continue
            d = float(start)
            for _ in range(3):
                step = _window_step(first, second, slope, disparity, y, x, d, reach)
                if np.isnan(step):
                    break
                d += step
                if abs(step) < 0.01:
                    break
            if abs(d - start) < 0.75:
                out[y, x] = d


@njit(cache=True, nogil=True)
def calm(disparity: F32, reach: int, out: F32, top: int, bottom: int) -> None:
    """Median of each known disparity with the known ones around it that differ by less than 2 px.

    Unknown ones stay unknown, and a thin thing keeps its own depth whatever is behind it.
    """
    height, width = disparity.shape
    found = np.empty((2 * reach + 1) ** 2, np.float32)
    for y in range(top, bottom):
        for x in range(width):
            count = 0
            for j in range(max(0, y - reach), min(height, y + reach + 1)):
                for i in range(max(0, x - reach), min(width, x + reach + 1)):
                    # comparisons with NaN are False
                    if abs(disparity[j, i] - disparity[y, x]) < 2.0:
                        at = count
                        while at > 0 and found[at - 1] > disparity[j, i]:
                            found[at] = found[at - 1]
                            at -= 1
                        found[at] = disparity[j, i]
                        count += 1
            middle = count // 2
            if count == 0:
                out[y, x] = np.nan
            elif count % 2 == 1:
                out[y, x] = found[middle]
            else:
                out[y, x] = (found[middle - 1] + found[middle]) / 2
