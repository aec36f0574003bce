"""Compiled inner loops of seeing a subject from between two stations; every row is worked on by itself."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]

_NAN = np.float32(np.nan)


@njit(cache=True, nogil=True)
def fill_row_wise(disparity: F32, edges: F32, out: F32, top: int, bottom: int) -> None:
    """Complete a disparity map (h, w), NaN where unknown, along its rows, rows [top, bottom).

    A gap between two surfaces belongs to the farther one as far as the view cannot know better; where a strong
    edge of the picture (`edges`, (h, w), ≥ 0) lies in the gap, the surfaces meet there.
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
            _fill_gap(out[y], edges[y], x, stop, before, after)
            x = stop


@njit(cache=True, nogil=True)
def _fill_gap(out: F32, edges: F32, start: int, stop: int, before: float, after: float) -> None:
    if np.isnan(before) or np.isnan(after):
        value = after if np.isnan(before) else before
        for x in range(start, stop):
            out[x] = np.float32(0.0) if np.isnan(value) else value
        return
    length = stop - start + 1
    if abs(before - after) <= 1.0 + 0.1 * length:  # one surface
        for x in range(start, stop):
            out[x] = before + (after - before) * np.float32(x - start + 1) / np.float32(length)
        return
    meet = stop if before < after else start
    strongest = np.float32(0.0)
    for x in range(start, stop):
        if edges[x] > strongest:
            strongest, meet = edges[x], x
    for x in range(start, stop):
        out[x] = before if x < meet else after


@njit(cache=True, nogil=True)
def splat(disparity: F32, share: float, out: F32, top: int, bottom: int) -> None:
    """Carry a disparity map, NaN where unknown, to where it is seen from: x → x − share · disparity.

    out: (h, w), NaN where nothing arrives; of several the nearest wins. Between neighbours of one surface what
    arrives is interpolated.
    """
    width = disparity.shape[1]
    for y in range(top, bottom):
        for x in range(width):
            out[y, x] = _NAN
        for x in range(width):
            here = disparity[y, x]
            if np.isnan(here):
                continue
            following = disparity[y, x + 1] if x + 1 < width else here
            if np.isnan(following) or abs(following - here) > 1.5:
                following = here
            a, b = x - share * here, x + 1 - share * following
            first, last = int(np.ceil(min(a, b) - 1e-6)), int(np.floor(max(a, b) + 1e-6))
            for at in range(max(first, 0), min(last, width - 1) + 1):
                part = (at - a) / (b - a) if b != a else 0.0
                value = np.float32(here + min(max(part, 0.0), 1.0) * (following - here))
                if np.isnan(out[y, at]) or value > out[y, at]:
                    out[y, at] = value


@njit(cache=True, nogil=True)
def _nearer(a: float, b: float) -> float:
    return b if np.isnan(a) or (not np.isnan(b) and b > a) else a


@njit(cache=True, nogil=True)
def join(
    first: F32, second: F32, first_guess: F32, second_guess: F32, out: F32, top: int, bottom: int
) -> None:
    """One map from what two views carried to the same place: the nearer one; gaps go to the farther side.

    What was measured comes before what was only completed.
    """
    width = first.shape[1]
    for y in range(top, bottom):
        for x in range(width):
            out[y, x] = _nearer(first[y, x], second[y, x])
            if np.isnan(out[y, x]):
                out[y, x] = _nearer(first_guess[y, x], second_guess[y, x])
        x = 0
        while x < width:
            if not np.isnan(out[y, x]):
                x += 1
                continue
            stop = x
            while stop < width and np.isnan(out[y, stop]):
                stop += 1
            before = out[y, x - 1] if x > 0 else np.float32(np.inf)
            after = out[y, stop] if stop < width else np.float32(np.inf)
            value = min(before, after)
            for k in range(x, stop):
                out[y, k] = value if np.isfinite(value) else np.float32(0.0)
            x = stop


@njit(cache=True, nogil=True)
def seen(disparity: F32, wanted: F32, share: float, veil: F32, out: F32, top: int, bottom: int) -> None:
    """How well a view shows each point of another place, rows [top, bottom), 0 to 1.

    disparity (h, w): the view's own; wanted: that of the points, which lie at x + share · wanted in the view.
    A point is hidden where the view has something else there. veil (h, w): how much less samples of the view
    are to be trusted near the outline of something nearer, 0 to 1.
    """
    width = disparity.shape[1]
    for y in range(top, bottom):
        for x in range(width):
            place = x + share * wanted[y, x]
            at = int(np.floor(place + 0.5))
            if place < 0 or place > width - 1:
                out[y, x] = 0.0
                continue
            off = abs(disparity[y, at] - wanted[y, x])
            out[y, x] = max(np.float32(1.0) - np.float32(off / 2.0), np.float32(0.0)) * (1.0 - veil[y, at])


@njit(cache=True, nogil=True)
def sample(picture: F32, wanted: F32, share: float, out: F32, top: int, bottom: int) -> None:
    """out (h, w, 3) = the picture (h, w, 3) at x + share · wanted, Catmull-Rom along the rows; ends repeated."""
    width = picture.shape[1]
    for y in range(top, bottom):
        for x in range(width):
            place = x + share * wanted[y, x]
            whole = int(np.floor(place))
            f = np.float32(place - whole)
            a, b = min(max(whole - 1, 0), width - 1), min(max(whole, 0), width - 1)
            c, d = min(max(whole + 1, 0), width - 1), min(max(whole + 2, 0), width - 1)
            for k in range(3):
                p, q = picture[y, a, k], picture[y, b, k]
                r, s = picture[y, c, k], picture[y, d, k]
                inner = np.float32(3.0) * (q - r) + s - p
                middle = np.float32(2.0) * p - np.float32(5.0) * q + np.float32(4.0) * r - s
                out[y, x, k] = q + np.float32(0.5) * f * (r - p + f * (middle + f * inner))
