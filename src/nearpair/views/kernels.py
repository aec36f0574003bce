"""Compiled inner loops of merging: one fused pass over a level of the pyramid.

Each function works on a band of rows, so that bands can run side by side. Planes: see `plane_kernels`.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nearpair.views.plane_kernels import FULL

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U16 = NDArray[np.uint16]

_REACH = 2
_BORDER_PX = 2.0
# Energies are squares of differences of values in [0, 1], scaled so that their fourth power stays far from
# the smallest float32; the floor keeps flat places at a plain mean.
_ENERGY_SCALE = 1e4 / float(FULL) ** 2
_FLOOR = 1e-2
# Samples are added in runs of this many, unless no weight of a run reaches this share of the sum so far.
_RUN = 32
_SAY = 1e-3


@njit(cache=True, nogil=True, fastmath=True)
def _upsampled_row(coarse: NDArray[np.floating], y: int, out: F32, buffer: F32) -> None:
    """Row y of the coarse plane expanded to twice the size (Burt & Adelson's expand, a = 0.4 → 1 4 6 4 1)."""
    rows, columns = coarse.shape
    c = y // 2
    if y % 2 == 0:
        up, here, down = max(c - 1, 0), c, min(c + 1, rows - 1)
        for x in range(columns):
            side = np.float32(coarse[up, x]) + np.float32(coarse[down, x])
            buffer[x] = np.float32(0.125) * side + np.float32(0.75) * np.float32(coarse[here, x])
    else:
        here, down = c, min(c + 1, rows - 1)
        for x in range(columns):
            buffer[x] = np.float32(0.5) * (np.float32(coarse[here, x]) + np.float32(coarse[down, x]))
    width = out.shape[0]
    for x in range(1, columns - 1):
        out[2 * x] = np.float32(0.125) * (buffer[x - 1] + buffer[x + 1]) + np.float32(0.75) * buffer[x]
        out[2 * x + 1] = np.float32(0.5) * (buffer[x] + buffer[x + 1])
    last = columns - 1
    out[0] = 0.875 * buffer[0] + 0.125 * buffer[min(1, last)]
    if width > 1:
        out[1] = 0.5 * (buffer[0] + buffer[min(1, last)])
    if last > 0:
        out[2 * last] = 0.125 * buffer[last - 1] + 0.875 * buffer[last]
        if 2 * last + 1 < width:
            out[2 * last + 1] = buffer[last]


@njit(cache=True, nogil=True, fastmath=True)
def expand_add(coarse: F32, fine: F32, top: int, bottom: int) -> None:
    """Add the expanded coarse plane to the fine one, rows [top, bottom)."""
    row = np.empty(fine.shape[1], np.float32)
    buffer = np.empty(coarse.shape[1], np.float32)
    for y in range(top, bottom):
        _upsampled_row(coarse, y, row, buffer)
        for x in range(fine.shape[1]):
            fine[y, x] += row[x]


@njit(cache=True, nogil=True, fastmath=True)
def _detail_row(fine: U16, coarse: U16, y: int, out: F32, buffer: F32) -> None:
    """Row y of the Laplacian level: fine − expanded coarse."""
    _upsampled_row(coarse, y, out, buffer)
    for x in range(fine.shape[1]):
        out[x] = np.float32(fine[y, x]) - out[x]


@njit(cache=True, nogil=True, fastmath=True)
def _pooled_squares(detail: F32, squares: F32, out: F32) -> None:
    """Sums of squares over five neighbours along a row; ends repeated."""
    width = detail.shape[0]
    for x in range(width):
        squares[x + 2] = detail[x] * detail[x]
    squares[0] = squares[1] = squares[2]
    squares[width + 2] = squares[width + 3] = squares[width + 1]
    for x in range(width):
        out[x] = squares[x] + squares[x + 1] + squares[x + 2] + squares[x + 3] + squares[x + 4]


@njit(cache=True, nogil=True, fastmath=True)
def _energy_row(a: F32, b: F32, c: F32, d: F32, e: F32, out: F32) -> None:
    """Mean of five rows of sums over five squares, scaled."""
    for x in range(out.shape[0]):
        out[x] = np.float32(_ENERGY_SCALE / 25.0) * (a[x] + b[x] + c[x] + d[x] + e[x])


@njit(cache=True, nogil=True, fastmath=True)
def _weights_row(energy: F32, first: int, last: int, out: F32) -> None:
    """Fourth power of the energy, nothing outside columns [first, last]."""
    for x in range(energy.shape[0]):
        e = energy[x] + np.float32(_FLOOR)
        e = e * e
        out[x] = e * e
    for x in range(min(first, energy.shape[0])):
        out[x] = 1e-12
    for x in range(max(last + 1, 0), energy.shape[0]):
        out[x] = 1e-12


@njit(cache=True, nogil=True)
def _unmoved(inverse: F64, size: tuple[int, int]) -> bool:
    """Whether a map leaves a frame where it is, to a thousandth of a pixel."""
    turned = abs(inverse[0, 0] - 1.0) + abs(inverse[0, 1])
    return bool(abs(inverse[0, 2]) + abs(inverse[1, 2]) + turned * max(size[0], size[1]) < 1e-3)


@njit(cache=True, nogil=True)
def _inside(inverse: F64, cell: float, y: int, columns: int, size: tuple[int, int]) -> tuple[int, int]:
    """First and last column of a level's row y that come from inside the frame (empty: first > last).

    The reference frame counts to its very edge: otherwise nothing would, there, and all were averaged.
    """
    if _unmoved(inverse, size):
        return 0, columns - 1
    height, width = size
    ry = (y + 0.5) * cell - 0.5
    low, high = 0.0, columns - 1.0
    for axis, limit in ((0, width - 1.0), (1, height - 1.0)):
        slope = inverse[axis, 0] * cell
        start = inverse[axis, 0] * (0.5 * cell - 0.5) + inverse[axis, 1] * ry + inverse[axis, 2]
        least, most = _BORDER_PX - start, limit - _BORDER_PX - start
        if abs(slope) < 1e-9:
            if least > 0.0 or most < 0.0:
                return 1, 0
        elif slope > 0:
            low, high = max(low, least / slope), min(high, most / slope)
        else:
            low, high = max(low, most / slope), min(high, least / slope)
    return int(np.ceil(low)), int(np.floor(high))


@njit(cache=True, nogil=True, fastmath=True)
def _heard_of(weights: F32, weight: F32, counts: NDArray[np.bool_]) -> None:
    """Which runs of samples this frame has a say in: elsewhere its weight is lost beside what is there.

    Most of a frame is blurred, and reading and writing the sums is what merging spends its time on.
    """
    width = weights.shape[0]
    for run in range(counts.shape[0]):
        start = run * _RUN
        ours, theirs = weights[start : start + _RUN], weight[start : min(start + _RUN, width)]
        most = np.float32(-1.0)
        for k in range(theirs.shape[0]):
            most = max(most, ours[k] - np.float32(_SAY) * theirs[k])
        counts[run] = most > 0.0


@njit(cache=True, nogil=True, fastmath=True)
def _add_row(detail: F32, weight: F32, counts: NDArray[np.bool_], total: F32) -> None:
    for run in range(counts.shape[0]):
        if counts[run]:
            start = run * _RUN
            here = total[start : start + _RUN]
            ours, share = detail[start : start + _RUN], weight[start : start + _RUN]
            for k in range(here.shape[0]):
                here[k] += share[k] * ours[k]


@njit(cache=True, nogil=True, fastmath=True)
def _add_weight(weight: F32, counts: NDArray[np.bool_], total: F32) -> None:
    for run in range(counts.shape[0]):
        if counts[run]:
            start = run * _RUN
            here, ours = total[start : start + _RUN], weight[start : start + _RUN]
            for k in range(here.shape[0]):
                here[k] += ours[k]


@njit(cache=True, nogil=True, fastmath=True)
def blend_level(
    fine: U16,
    coarse: U16,
    blue: U16,
    blue_coarse: U16,
    red: U16,
    red_coarse: U16,
    heard: F32,
    hear: float,
    inverse: F64,
    cell: float,
    size: tuple[int, int],
    total: F32,
    weight: F32,
    blue_total: F32,
    red_total: F32,
    passed: F32,
    top: int,
    bottom: int,
) -> None:
    """Split one level of one frame and add it to the running weighted sums, rows [top, bottom), top even.

    fine, coarse: this level's luma and the next; chroma likewise, or arrays without rows where the level has
    none. heard: energy passed on by the finer level (h, w), or without rows; passed: mean energy of 2 x 2
    samples for the next level. inverse, cell, size: where this level's samples lie in the frame.
    """
    height, width = fine.shape
    chroma = blue.shape[0] > 0
    details = np.empty((5, width), np.float32)
    pools = np.empty((5, width), np.float32)
    squares = np.empty(width + 4, np.float32)
    buffer = np.empty(max(coarse.shape[1], 1), np.float32)
    counts = np.empty((width + _RUN - 1) // _RUN, np.bool_)
    energy, weights, colour = (
        np.empty(width, np.float32),
        np.empty(width, np.float32),
        np.empty(width, np.float32),
    )
    for y in range(top - _REACH, bottom + _REACH):
        row = min(max(y, 0), height - 1)
        _detail_row(fine, coarse, row, details[y % 5], buffer)
        _pooled_squares(details[y % 5], squares, pools[y % 5])
        at = y - _REACH
        if at < top:
            continue
        _energy_row(pools[0], pools[1], pools[2], pools[3], pools[4], energy)
        if heard.shape[0] > 0:
            for x in range(width):
                energy[x] += np.float32(hear) * heard[at, x]
        first, last = _inside(inverse, cell, at, width, size)
        # a frame is not sharp where it sees nothing: neither here nor for coarser levels and the focus map
        energy[: min(first, width)] = 0.0
        energy[max(last + 1, 0) :] = 0.0
        _weights_row(energy, first, last, weights)
        _heard_of(weights, weight[at], counts)
        _add_row(details[at % 5], weights, counts, total[at])
        _add_weight(weights, counts, weight[at])
        if chroma:
            _detail_row(blue, blue_coarse, at, colour, buffer)
            _add_row(colour, weights, counts, blue_total[at])
            _detail_row(red, red_coarse, at, colour, buffer)
            _add_row(colour, weights, counts, red_total[at])
        _pass_on(energy, at, height, passed)


@njit(cache=True, nogil=True, fastmath=True)
def _pass_on(energy: F32, y: int, height: int, passed: F32) -> None:
    """Gather the mean of 2 x 2 energies; an odd last row or column counts twice."""
    if y // 2 >= passed.shape[0]:
        return
    here, whole = passed[y // 2], energy.shape[0] // 2
    share = np.float32(0.5 if (y % 2 == 0 and y == height - 1) else 0.25)
    if y % 2 == 0:
        for x in range(whole):
            here[x] = share * (energy[2 * x] + energy[2 * x + 1])
        if whole < here.shape[0]:
            here[whole] = 2 * share * energy[2 * whole]
    else:
        for x in range(whole):
            here[x] += share * (energy[2 * x] + energy[2 * x + 1])
        if whole < here.shape[0]:
            here[whole] += 2 * share * energy[2 * whole]


@njit(cache=True, nogil=True, fastmath=True)
def blend_rest(
    plane: U16,
    blue: U16,
    red: U16,
    energy: F32,
    inverse: F64,
    cell: float,
    size: tuple[int, int],
    total: F32,
    weight: F32,
    blue_total: F32,
    red_total: F32,
) -> None:
    """Add the coarsest residue of one frame, weighted like the level above it."""
    weights = np.empty(plane.shape[1], np.float32)
    for y in range(plane.shape[0]):
        first, last = _inside(inverse, cell, y, plane.shape[1], size)
        _weights_row(energy[y], first, last, weights)
        for x in range(plane.shape[1]):
            weight[y, x] += weights[x]
            total[y, x] += weights[x] * np.float32(plane[y, x])
            blue_total[y, x] += weights[x] * np.float32(blue[y, x])
            red_total[y, x] += weights[x] * np.float32(red[y, x])
