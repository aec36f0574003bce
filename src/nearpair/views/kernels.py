"""Compiled inner loops of merging: one fused pass over a level of the pyramid.

Each function works on a band of rows, so that bands can run side by side. Planes: see `plane_kernels`.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nearpair.views.plane_kernels import FULL

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]

_BORDER_PX = 2.0
# Energies are squares of differences of values in [0, 1], scaled so that their fourth power stays far from
# the smallest float32; the floor keeps flat places at a plain mean.
_ENERGY_SCALE = 1e4 / float(FULL) ** 2
_FLOOR = 1e-2
# Samples are added in runs of this many, unless no weight of a run reaches this share of the sum so far.
_RUN = 16
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
def _squares_row(upper: F32, lower: F32, out: F32) -> None:
    """Sums of squares of 2 x 2 details; an odd last column counts twice."""
    whole = upper.shape[0] // 2
    for x in range(whole):
        a, b, c, d = upper[2 * x], upper[2 * x + 1], lower[2 * x], lower[2 * x + 1]
        out[x] = a * a + b * b + c * c + d * d
    if whole < out.shape[0]:
        out[whole] = 2 * (upper[2 * whole] * upper[2 * whole] + lower[2 * whole] * lower[2 * whole])


@njit(cache=True, nogil=True, fastmath=True)
def _pooled_row(a: F32, b: F32, c: F32, column: F32, out: F32) -> None:
    """Mean of squares over 3 x 3 samples of three rows (6 x 6 details), scaled; ends repeated."""
    width = out.shape[0]
    for x in range(width):
        column[x + 1] = a[x] + b[x] + c[x]
    column[0], column[width + 1] = column[1], column[width]
    for x in range(width):
        out[x] = np.float32(_ENERGY_SCALE / 36.0) * (column[x] + column[x + 1] + column[x + 2])


@njit(cache=True, nogil=True, fastmath=True)
def _hear(heard: F32, y: int, share: float, energy: F32) -> None:
    """Add the mean of 2 x 2 energies that the finer level passed on."""
    under, whole = min(y + 1, heard.shape[0] - 1), heard.shape[1] // 2
    part = np.float32(0.25 * share)
    for x in range(whole):
        energy[x] += part * (
            heard[y, 2 * x] + heard[y, 2 * x + 1] + heard[under, 2 * x] + heard[under, 2 * x + 1]
        )
    if whole < energy.shape[0]:
        energy[whole] += 2 * part * (heard[y, 2 * whole] + heard[under, 2 * whole])


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


@njit(cache=True, nogil=True, fastmath=True)
def _expect(expected: U8, weights: F32) -> None:
    """Weigh by how well the frame is expected to fit, in 255ths; never by nothing."""
    for x in range(weights.shape[0]):
        weights[x] *= (np.float32(expected[x]) + np.float32(1.0)) * np.float32(1.0 / 256.0)


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
    """Add detail · weight to the sums, one weight for two neighbours."""
    for run in range(counts.shape[0]):
        if counts[run]:
            start = 2 * run * _RUN
            here, ours = total[start : start + 2 * _RUN], detail[start : start + 2 * _RUN]
            share = weight[run * _RUN : (run + 1) * _RUN]
            whole = here.shape[0] // 2
            for k in range(whole):
                here[2 * k] += share[k] * ours[2 * k]
                here[2 * k + 1] += share[k] * ours[2 * k + 1]
            if 2 * whole < here.shape[0]:
                here[2 * whole] += share[whole] * ours[2 * whole]


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
    expected: U8,
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

    fine, coarse: this level's luma (h, w) and the next; chroma likewise, or arrays without rows where the
    level has none. Energies and weights are those of 2 x 2 samples, (h/2, w/2) rounded up: heard is what the
    finer level passed on, (h, w) or without rows; passed is this level's; expected, or an array without rows,
    is how well the frame should fit, in 255ths. inverse, cell, size: where this level's samples lie in it.
    """
    height, width = fine.shape
    half = (width + 1) // 2
    details = np.empty((6, width), np.float32)
    squares = np.empty((3, half), np.float32)
    column = np.empty(half + 2, np.float32)
    buffer = np.empty(max(coarse.shape[1], 1), np.float32)
    counts = np.empty((half + _RUN - 1) // _RUN, np.bool_)
    weights, colour = np.empty(half, np.float32), np.empty(width, np.float32)
    for pair in range(top // 2 - 1, (bottom + 1) // 2 + 1):
        within = min(max(pair, 0), (height + 1) // 2 - 1)
        upper, lower = details[2 * (pair % 3)], details[2 * (pair % 3) + 1]
        _detail_row(fine, coarse, 2 * within, upper, buffer)
        _detail_row(fine, coarse, min(2 * within + 1, height - 1), lower, buffer)
        _squares_row(upper, lower, squares[pair % 3])
        at = pair - 1
        if at < top // 2:
            continue
        energy = passed[at]
        _pooled_row(squares[0], squares[1], squares[2], column, energy)
        if heard.shape[0] > 0:
            _hear(heard, 2 * at, hear, energy)
        first, last = _inside(inverse, 2 * cell, at, half, size)
        # a frame is not sharp where it sees nothing: neither here nor for coarser levels and the focus map
        energy[: min(first, half)] = 0.0
        energy[max(last + 1, 0) :] = 0.0
        _weights_row(energy, first, last, weights)
        if expected.shape[0] > 0:
            _expect(expected[at], weights)
        _heard_of(weights, weight[at], counts)
        _add_weight(weights, counts, weight[at])
        for y in range(2 * at, min(2 * at + 2, height)):
            _add_row(details[2 * (at % 3) + y % 2], weights, counts, total[y])
            if blue.shape[0] > 0:
                _detail_row(blue, blue_coarse, y, colour, buffer)
                _add_row(colour, weights, counts, blue_total[y])
                _detail_row(red, red_coarse, y, colour, buffer)
                _add_row(colour, weights, counts, red_total[y])


@njit(cache=True, nogil=True, fastmath=True)
def divide(total: F32, weight: F32, top: int, bottom: int) -> None:
    """Turn weighted sums into means; `weight` has one value for 2 x 2 samples, or one for each."""
    step = 2 if weight.shape[0] < total.shape[0] or weight.shape[1] < total.shape[1] else 1
    for y in range(top, bottom):
        for x in range(total.shape[1]):
            total[y, x] /= weight[y // step, x // step]


@njit(cache=True, nogil=True, fastmath=True)
def blend_rest(
    plane: U16,
    blue: U16,
    red: U16,
    energy: F32,
    expected: U8,
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
        if expected.shape[0] > 0:
            _expect(expected[y], weights)
        for x in range(plane.shape[1]):
            weight[y, x] += weights[x]
            total[y, x] += weights[x] * np.float32(plane[y, x])
            blue_total[y, x] += weights[x] * np.float32(blue[y, x])
            red_total[y, x] += weights[x] * np.float32(red[y, x])
