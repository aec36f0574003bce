"""Compiled inner loops of seeing a subject from between two stations; every row is worked on by itself."""

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
Known = NDArray[np.bool_]

_NAN = np.float32(np.nan)
# Of a surface of one colour, no two neighbours differ by more: luma, 0 to 1, per px.
_EVEN = np.float32(0.01)
# Neighbours in a map that differ by more are two surfaces; a point whose disparity is off by more is another.
# Both in px of the map that the disparities were measured on.
_JUMP_PX, _SAME_PX = np.float32(1.5), np.float32(2.0)
# Samples this near to the outline of something nearer hold some of its light, and count so much less.
_VEIL_PX, _VEILED = 2, np.float32(0.1)
# What a view that does not see a point still counts: only where no other view sees it.
_UNSEEN = np.float32(1e-3)
# Outlines are put right by 5 x 5 samples, this far from each other.
_REACH, _APART_PX = 2, 2
_LIKE = np.float32(40.0 / 255.0)
"""Sum of the differences of the three channels, 0 to 1 each, at which a sample counts 1/e."""
_GUESSED = np.float32(0.5)
"""How much a disparity that was not measured counts for an outline."""


@njit(cache=True, nogil=True)
def fill(disparity: F32, luma: F32, out: F32, top: int, bottom: int) -> None:
    """Complete a disparity map (h, w), NaN where unknown, along rows [top, bottom).

    A gap within one surface is bridged evenly. One between two surfaces is the farther one's: that is what
    near things hide from the other view; the nearer reaches in only as far as the picture (luma, (h, w), 0
    to 1) is perfectly even. Rows without anything known become 0.
    """
    width = disparity.shape[1]
    for y in range(top, bottom):
        x = 0
        while x < width:
            if not np.isnan(disparity[y, x]):
                out[y, x] = disparity[y, x]
                x += 1
                continue
            stop = x
            while stop < width and np.isnan(disparity[y, stop]):
                stop += 1
            before = disparity[y, x - 1] if x > 0 else _NAN
            after = disparity[y, stop] if stop < width else _NAN
            _fill_gap(out[y], luma[y], x, stop, before, after)
            x = stop


@njit(cache=True, nogil=True)
def _fill_gap(out: F32, luma: F32, start: int, stop: int, before: float, after: float) -> None:
    if np.isnan(before) or np.isnan(after):
        value = after if np.isnan(before) else before
        out[start:stop] = np.float32(0.0) if np.isnan(value) else value
        return
    length = stop - start + 1
    if abs(before - after) <= 1.0 + 0.1 * length:  # one surface
        for x in range(start, stop):
            out[x] = before + (after - before) * np.float32(x - start + 1) / np.float32(length)
        return
    out[start:stop] = min(before, after)
    forwards = before > after
    x = start if forwards else stop - 1
    ahead = 1 if forwards else -1
    while start <= x < stop and abs(luma[x] - luma[x - ahead]) < _EVEN:
        x += ahead
    if start <= x < stop:  # else all is even, and nothing tells where the nearer surface ends
        if forwards:
            out[start:x] = before
        else:
            out[x + 1 : stop] = after


@njit(cache=True, nogil=True)
def outline(
    picture: NDArray[Any], disparity: F32, known: Known, step_px: int, out: F32, top: int, bottom: int
) -> None:
    """Put outlines of a complete disparity map (h, w) where the picture (h, w, 3) has them, by rows.

    Beside jumps, the median of the disparities around, which count by how alike the picture is there, and
    less where they were not measured (`known`). step_px: px of the picture that one px of the measured map
    covers. Source: weighted median filter for stereo matching (Ma, He, Wei, Sun & Wu, ICCV 2013; from
    memory).
    """
    width = disparity.shape[1]
    apart = _APART_PX * step_px
    values, weights = np.empty((2 * _REACH + 1) ** 2, np.float32), np.empty((2 * _REACH + 1) ** 2, np.float32)
    for y in range(top, bottom):
        for x in range(width):
            out[y, x] = disparity[y, x]
            reach = apart if known[y, x] else _REACH * apart
            if not _beside_jump(disparity, y, x, reach, apart, _JUMP_PX * step_px):
                continue
            count = _gathered(picture, disparity, known, y, x, apart, values, weights)
            out[y, x] = _weighted_median(values, weights, count)


@njit(cache=True, nogil=True)
def _beside_jump(disparity: F32, y: int, x: int, reach: int, apart: int, jump_px: float) -> bool:
    height, width = disparity.shape
    for j in range(y - reach, y + reach + 1, apart):
        for i in range(x - reach, x + reach + 1, apart):
            if 0 <= j < height and 0 <= i < width and abs(disparity[j, i] - disparity[y, x]) > jump_px:
                return True
    return False


@njit(cache=True, nogil=True)
def _gathered(
    picture: NDArray[Any],
    disparity: F32,
    known: Known,
    y: int,
    x: int,
    apart: int,
    values: F32,
    weights: F32,
) -> int:
    """Gather the disparities around a place and what they count there; how many there are."""
    height, width = disparity.shape
    like = np.float32(255.0 if picture.itemsize == 1 else 65535.0) * _LIKE
    count = 0
    for n in range((2 * _REACH + 1) ** 2):
        j = y + (n // (2 * _REACH + 1) - _REACH) * apart
        i = x + (n % (2 * _REACH + 1) - _REACH) * apart
        if 0 <= j < height and 0 <= i < width:
            unlike = np.float32(0.0)
            for k in range(3):
                unlike += abs(np.float32(picture[j, i, k]) - np.float32(picture[y, x, k]))
            weight = np.exp(-unlike / like)
            values[count] = disparity[j, i]
            weights[count] = weight if known[j, i] else weight * _GUESSED
            count += 1
    return count


@njit(cache=True, nogil=True)
def _weighted_median(values: F32, weights: F32, count: int) -> Any:
    """Sorts both in place: few values, so by insertion."""
    total = np.float32(0.0)
    for n in range(count):
        value, weight = values[n], weights[n]
        total += weight
        m = n
        while m > 0 and values[m - 1] > value:
            values[m], weights[m] = values[m - 1], weights[m - 1]
            m -= 1
        values[m], weights[m] = value, weight
    below = np.float32(0.0)
    for n in range(count):
        below += weights[n]
        if 2 * below >= total:
            return values[n]
    return values[count - 1]


@njit(cache=True, nogil=True)
def see_rows(
    left: NDArray[Any],
    right: NDArray[Any],
    of_left: F32,
    of_right: F32,
    known_left: Known,
    known_right: Known,
    step_px: int,
    position: float,
    picture: NDArray[Any],
    disparity: F32,
    unseen: Known,
    top: int,
    bottom: int,
) -> None:
    """See rows [top, bottom) from a position: 0 that of the left, 1 that of the right view.

    left, right: (h, w, 3) pictures. of_left, of_right: (h, w) complete disparities, x_left − x_right, of both
    views; known_...: where they were measured, on a map of which a px covers `step_px` px. Written are
    `picture` (h, w, 3), `disparity` (h, w) at its pixels, NaN where nothing measured arrives, and `unseen`
    (h, w): what neither view sees.
    """
    width = of_left.shape[1]
    wanted = np.empty(width, np.float32)
    trust_left, trust_right = np.empty(width, np.float32), np.empty(width, np.float32)
    for y in range(top, bottom):
        measured = disparity[y]
        measured[:] = _NAN
        wanted[:] = _NAN
        _carry(of_left[y], known_left[y], step_px, position, measured, wanted)
        _carry(of_right[y], known_right[y], step_px, position - 1.0, measured, wanted)
        for x in range(width):
            if not np.isnan(measured[x]):
                wanted[x] = measured[x]
        _fill_with_farther(wanted)
        _trust(of_left[y], wanted, step_px, position, trust_left)
        _trust(of_right[y], wanted, step_px, position - 1.0, trust_right)
        _mix(left[y], right[y], wanted, trust_left, trust_right, position, picture[y], unseen[y])
        _fill_unseen(wanted, unseen[y], step_px, picture[y])


@njit(cache=True, nogil=True)
def _carry(disparity: F32, known: Known, step_px: int, share: float, measured: F32, guessed: F32) -> None:
    """Carry one row to where it is seen from: x → x − share · disparity; of several the nearest stays.

    Between neighbours of one surface what arrives is interpolated. measured, guessed (w,): NaN where nothing
    arrived; what was measured goes into both, so that a guess never stands before it.
    """
    width = disparity.shape[0]
    for x in range(width):
        here = disparity[x]
        following, both = here, known[x]
        if x + 1 < width and abs(disparity[x + 1] - here) <= _JUMP_PX * step_px:
            following, both = disparity[x + 1], known[x] and known[x + 1]
        a, b = x - share * here, x + 1 - share * following
        first, last = int(np.ceil(min(a, b) - 1e-6)), int(np.floor(max(a, b) + 1e-6))
        for at in range(max(first, 0), min(last, width - 1) + 1):
            part = (at - a) / (b - a) if b != a else 0.0
            value = np.float32(here + min(max(part, 0.0), 1.0) * (following - here))
            if np.isnan(guessed[at]) or value > guessed[at]:
                guessed[at] = value
            if both and (np.isnan(measured[at]) or value > measured[at]):
                measured[at] = value


@njit(cache=True, nogil=True)
def _fill_with_farther(wanted: F32) -> None:
    """Gaps of a row get the disparity of their farther side; a row without any gets 0."""
    width = wanted.shape[0]
    x = 0
    while x < width:
        if not np.isnan(wanted[x]):
            x += 1
            continue
        stop = x
        while stop < width and np.isnan(wanted[stop]):
            stop += 1
        before = wanted[x - 1] if x > 0 else np.float32(np.inf)
        after = wanted[stop] if stop < width else np.float32(np.inf)
        value = min(before, after)
        for k in range(x, stop):
            wanted[k] = value if np.isfinite(value) else np.float32(0.0)
        x = stop


@njit(cache=True, nogil=True)
def _trust(own: F32, wanted: F32, step_px: int, share: float, out: F32) -> None:
    """How well a row of a view, of disparity `own`, shows points of another place, 0 to 1.

    The points, of disparity `wanted`, lie at x + share · wanted in the view. One is hidden where the view has
    something else there, and veiled beside the outline of something nearer.
    """
    width = own.shape[0]
    for x in range(width):
        place = x + share * wanted[x]
        if place < 0 or place > width - 1:
            out[x] = 0.0
            continue
        at = int(np.floor(place + 0.5))
        nearest = own[at]
        for k in range(max(at - _VEIL_PX, 0), min(at + _VEIL_PX, width - 1) + 1):
            nearest = max(nearest, own[k])
        off = np.float32(abs(own[at] - wanted[x]) / (_SAME_PX * step_px))
        seen = max(np.float32(1.0) - off, np.float32(0.0))
        out[x] = seen * _VEILED if nearest - own[at] > _JUMP_PX * step_px else seen


@njit(cache=True, nogil=True)
def _mix(
    left: NDArray[Any],
    right: NDArray[Any],
    wanted: F32,
    trust_left: F32,
    trust_right: F32,
    position: float,
    picture: NDArray[Any],
    unseen: Known,
) -> None:
    """Look every point of a row up in both views, which count by how near they are and what they see."""
    width = wanted.shape[0]
    full = np.float32(255.0 if picture.itemsize == 1 else 65535.0)
    near_left = np.float32(min(max(1.0 - position, 0.0), 1.0))
    near_right = np.float32(1.0) - near_left
    for x in range(width):
        unseen[x] = trust_left[x] <= 0.0 and trust_right[x] <= 0.0
        one = (near_left + _UNSEEN) * (trust_left[x] + _UNSEEN)
        two = (near_right + _UNSEEN) * (trust_right[x] + _UNSEEN)
        share = two / (one + two)
        at_left = x + position * wanted[x]
        at_right = x + (position - 1.0) * wanted[x]
        for k in range(3):
            value = (np.float32(1.0) - share) * _sample(left, at_left, k) + share * _sample(
                right, at_right, k
            )
            picture[x, k] = min(max(value + np.float32(0.5), np.float32(0.0)), full)


@njit(cache=True, nogil=True)
def _fill_unseen(wanted: F32, unseen: Known, step_px: int, picture: NDArray[Any]) -> None:
    """Runs of a row that no view sees become what is beside them at their farther side, in a mirror.

    Only as far as it is of one surface there; then its last pixel is repeated.
    """
    width = wanted.shape[0]
    x = 0
    while x < width:
        if not unseen[x]:
            x += 1
            continue
        stop = x
        while stop < width and unseen[stop]:
            stop += 1
        far_left = x > 0 and (stop == width or wanted[x - 1] <= wanted[stop])
        if far_left or stop < width:
            first, ahead = (x - 1, -1) if far_left else (stop, 1)
            for k in range(stop - x):
                at = first + k * ahead
                if not 0 <= at < width or unseen[at] or abs(wanted[at] - wanted[first]) > _SAME_PX * step_px:
                    at = -1
                to = x + k if far_left else stop - 1 - k
                previous = to - 1 if far_left else to + 1
                for c in range(3):
                    picture[to, c] = picture[at if at >= 0 else previous, c]
        x = stop


@njit(cache=True, nogil=True)
def _sample(row: NDArray[Any], place: float, k: int) -> np.floating[Any]:
    """Channel k of a row (w, 3) at a fractional place, by Catmull and Rom's cubic; ends repeated."""
    last = row.shape[0] - 1
    whole = int(np.floor(place))
    f = np.float32(place - whole)
    p, q = np.float32(row[min(max(whole - 1, 0), last), k]), np.float32(row[min(max(whole, 0), last), k])
    r, s = np.float32(row[min(max(whole + 1, 0), last), k]), np.float32(row[min(max(whole + 2, 0), last), k])
    inner = np.float32(3.0) * (q - r) + s - p
    middle = np.float32(2.0) * p - np.float32(5.0) * q + np.float32(4.0) * r - s
    return q + np.float32(0.5) * f * (r - p + f * (middle + f * inner))
