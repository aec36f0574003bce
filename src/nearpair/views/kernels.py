"""Compiled inner loops of merging: one fused pass over a level of the pyramid.

Each function works on a band of rows, so that bands can run side by side. Planes: see `pixels.planes`.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nearpair.pixels.detail import ENERGY_SCALE
from nearpair.pixels.runs import LONGEST, ROWS_AT_ONCE, run_ends
from nearpair.views.packing import MARGIN, pack, pack_pairs, packed_runs

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
I64 = NDArray[np.int64]
Mask = NDArray[np.bool_]

_BORDER_PX = 2.0
# the floor keeps flat places at a plain mean
_FLOOR = 1e-2
NEVER = 1e-22
"""What is left of the weight of a frame that is not expected at all, in 255ths."""


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _pair_details(
    fine: U16, coarse: U16, pair: int, fresh: bool, runs: I64, count: int, length: int, ring: F32, even: F32,
    odd: F32, details: F32, row: int,
) -> None:  # fmt: skip
    """Details (fine − expanded coarse; weights 1 4 6 4 1) of two rows, packed, into rows `row` and `row` + 1.

    ring: 3 packed rows of the coarse plane, kept from pair to pair; even, odd: buffers. They are arrays of
    their own so that the compiler sees that no loop overwrites what it reads.
    """
    for c in range(pair - 1 if fresh else pair + 1, pair + 2):
        pack(coarse, min(max(c, 0), coarse.shape[0] - 1), runs, count, ring, (c + 3) % 3)
    above, here, below = np.uint64((pair + 2) % 3), np.uint64((pair + 3) % 3), np.uint64((pair + 4) % 3)
    for k in range(np.uint64(length)):
        even[k] = np.float32(0.125) * (ring[above, k] + ring[below, k]) + np.float32(0.75) * ring[here, k]
    for k in range(np.uint64(length)):
        odd[k] = np.float32(0.5) * (ring[here, k] + ring[below, k])
    pack_pairs(fine, 2 * pair, runs, count, details, row)
    _less_expanded(even, length, details, row)
    pack_pairs(fine, min(2 * pair + 1, fine.shape[0] - 1), runs, count, details, row + 1)
    _less_expanded(odd, length, details, row + 1)


@njit(cache=True, nogil=True)
def _less_expanded(coarse: F32, length: int, details: F32, row: int) -> None:
    """Take a packed row of coarse samples, expanded across, from a packed row of pairs."""
    one, at, other = np.uint64(1), np.uint64(row), np.uint64(details.shape[1] // 2)
    for k in range(one, np.uint64(length) - one):
        sides = coarse[k - one] + coarse[k + one]
        details[at, k] -= np.float32(0.125) * sides + np.float32(0.75) * coarse[k]
    for k in range(one, np.uint64(length) - one):
        details[at, other + k] -= np.float32(0.5) * (coarse[k] + coarse[k + one])


@njit(cache=True, nogil=True)
def _pair_squares(
    details: F32, row: int, runs: I64, count: int, length: int, half: int, out: F32, to: int
) -> None:
    """Sums of squares of 2 x 2 details, packed; repeated beyond the picture, which has `half` pairs."""
    upper, lower, into = np.uint64(row), np.uint64(row + 1), np.uint64(to)
    other = np.uint64(details.shape[1] // 2)
    for k in range(np.uint64(length)):
        a, b = details[upper, k], details[upper, other + k]
        c, d = details[lower, k], details[lower, other + k]
        out[into, k] = a * a + b * b + c * c + d * d
    for r in range(count):
        begin, end = runs[r, 2] + MARGIN, runs[r, 2] + MARGIN + runs[r, 1] - runs[r, 0]
        if runs[r, 0] == 0:
            out[to, begin - 1] = out[to, begin]
        if runs[r, 1] == half:
            out[to, end] = out[to, end - 1]


@njit(cache=True, nogil=True)
def _pair_energy(squares: F32, length: int, out: F32) -> None:
    """Mean of squares over 3 x 3 samples of three rows (6 x 6 details), scaled; row 3 is a buffer."""
    one, column = np.uint64(1), np.uint64(3)
    for k in range(np.uint64(length)):
        squares[column, k] = squares[0, k] + squares[1, k] + squares[2, k]
    for k in range(one, np.uint64(length) - one):
        sides = squares[column, k - one] + squares[column, k + one]
        out[k] = np.float32(ENERGY_SCALE / 36.0) * (sides + squares[column, k])


@njit(cache=True, nogil=True)
def _hear(heard: F32, at: int, runs: I64, count: int, share: float, energy: F32) -> None:
    """Add what the finer level passed on."""
    part, line = np.float32(share), np.uint64(at)
    for r in range(count):
        begin, place = np.uint64(runs[r, 0]), np.uint64(runs[r, 2] + MARGIN)
        for k in range(np.uint64(runs[r, 1] - runs[r, 0])):
            energy[place + k] += part * heard[line, begin + k]


@njit(cache=True, nogil=True)
def _pass_on(energy: F32, at: int, rows: int, half: int, runs: I64, count: int, passed: F32) -> None:
    """Take row `at` of `rows` packed energies into means of 2 x 2; an odd last row or column counts twice."""
    first, one, line = at % 2 == 0, np.uint64(1), np.uint64(at // 2)
    part = np.float32(0.5) if first and at == rows - 1 else np.float32(0.25)
    for r in range(count):
        place, begin = np.uint64(runs[r, 2] + MARGIN), np.uint64(runs[r, 0] // 2)
        pairs = np.uint64(min(runs[r, 1], half // 2 * 2) // 2 - runs[r, 0] // 2)
        if first:
            for k in range(pairs):
                passed[line, begin + k] = part * (energy[place + k + k] + energy[place + k + k + one])
        else:
            for k in range(pairs):
                passed[line, begin + k] += part * (energy[place + k + k] + energy[place + k + k + one])
        if runs[r, 1] == half and half % 2 == 1:
            last = 2 * part * energy[place + pairs + pairs]
            passed[line, begin + pairs] = last + (np.float32(0.0) if first else passed[line, begin + pairs])


@njit(cache=True, nogil=True)
def _set_outside(row: F32, value: float, low: int, high: int, runs: I64, count: int) -> None:
    """Set the pairs of a packed row that lie outside [low, high]."""
    for r in range(count):
        shift = runs[r, 2] + MARGIN - runs[r, 0]
        for x in range(runs[r, 0], min(low, runs[r, 1])):
            row[shift + x] = value
        for x in range(max(high + 1, runs[r, 0]), runs[r, 1]):
            row[shift + x] = value


@njit(cache=True, nogil=True)
def _weigh(
    energy: F32, at: int, low: int, high: int, runs: I64, count: int, length: int, expected: U8,
    energies: F32, weights: F32, total: F32,
) -> None:  # fmt: skip
    """Weights of a packed row of energies: the fourth power, none outside [low, high]; and their sums."""
    line = np.uint64(at)
    # a frame is not sharp where it sees nothing: neither here nor for coarser levels and the focus
    _set_outside(energy, 0.0, low, high, runs, count)
    for k in range(np.uint64(length)):
        e = energy[k] + np.float32(_FLOOR)
        weights[k] = e * e * e * e
    _set_outside(weights, 1e-12, low, high, runs, count)
    for r in range(count):
        place, begin = np.uint64(runs[r, 2] + MARGIN), np.uint64(runs[r, 0])
        if expected.shape[0] > 0:
            for k in range(np.uint64(runs[r, 1] - runs[r, 0])):
                fit = np.float32(expected[line, begin + k]) + np.float32(NEVER)
                weights[place + k] *= fit * np.float32(1.0 / 255.0)
        if energies.shape[0] > 0:
            for k in range(np.uint64(runs[r, 1] - runs[r, 0])):
                energies[line, begin + k] = energy[place + k]
        for k in range(np.uint64(runs[r, 1] - runs[r, 0])):
            total[line, begin + k] += weights[place + k]


@njit(cache=True, nogil=True)
def _add_pair(
    details: F32, row: int, weights: F32, y: int, until: int, runs: I64, count: int, total: F32
) -> None:
    """Add two packed rows of details, weighted, to rows y and y + 1 of the sums."""
    one, width, other = np.uint64(1), total.shape[1], np.uint64(details.shape[1] // 2)
    for lower in range(min(2, until - y)):
        line, at = np.uint64(y + lower), np.uint64(row + lower)
        for r in range(count):
            place, begin = np.uint64(runs[r, 2] + MARGIN), np.uint64(2 * runs[r, 0])
            pairs = np.uint64(min(runs[r, 1], width // 2) - runs[r, 0])
            for k in range(pairs):
                x, p = begin + k + k, place + k
                total[line, x] += weights[p] * details[at, p]
                total[line, x + one] += weights[p] * details[at, other + p]
            if runs[r, 1] > width // 2:
                p = place + pairs
                total[line, np.uint64(width - 1)] += weights[p] * details[at, p]


@njit(cache=True, nogil=True)
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
    worth: Mask,
    block: int,
    total: F32,
    weight: F32,
    blue_total: F32,
    red_total: F32,
    energies: F32,
    passed: F32,
    top: int,
    bottom: int,
) -> None:
    """Split one level of one frame and add it to the running weighted sums: rows [top, bottom) of it.

    fine, coarse: this level's luma (h, w) and the next; chroma likewise, or arrays without rows where the
    level has none. Energies and weights are those of 2 x 2 samples, (h/2, w/2) rounded up: heard is what the
    finer level passed on, or without rows; energies are this level's, and passed the means of 2 x 2 of them,
    each filled if it has rows; expected, or an array without rows, is how well the frame should fit, in
    255ths. top is a multiple of 4. inverse, cell, size: where this level's samples lie in it.
    worth: blocks of block x block samples that are looked at, the others are left as they are; without rows,
    all of them.
    """
    half, most = (fine.shape[1] + 1) // 2, fine.shape[1] // block + 2 + fine.shape[1] // LONGEST
    ends, runs = np.empty((most, 2), np.int64), np.empty((most, 3), np.int64)
    room = half + 2 * MARGIN * most
    details, squares = np.empty((6, 2 * room), np.float32), np.empty((4, room), np.float32)
    rings, even, odd = np.empty((9, room), np.float32), np.empty(room, np.float32), np.empty(room, np.float32)
    luma_ring, blue_ring, red_ring = rings[0:3], rings[3:6], rings[6:9]
    energy, weights = np.zeros(room, np.float32), np.empty(room, np.float32)
    for row in range(top, bottom, ROWS_AT_ONCE):
        until = min(row + ROWS_AT_ONCE, bottom)
        count = run_ends(worth, block, row, until, fine.shape[1], ends)
        length = packed_runs(ends, count, runs)
        if count == 0:
            continue
        for pair in range(row // 2 - 1, (until + 1) // 2 + 1):
            slot = pair % 3
            within = min(max(pair, 0), (fine.shape[0] + 1) // 2 - 1)
            fresh = pair == row // 2 - 1 or within != pair or pair == 0
            _pair_details(
                fine, coarse, within, fresh, runs, count, length, luma_ring, even, odd, details, 2 * slot
            )
            _pair_squares(details, 2 * slot, runs, count, length, half, squares, slot)
            at = pair - 1
            if at < row // 2:
                continue
            _pair_energy(squares, length, energy)
            if heard.shape[0] > 0:
                _hear(heard, at, runs, count, hear, energy)
            low, high = _inside(inverse, 2 * cell, at, half, size)
            _weigh(energy, at, low, high, runs, count, length, expected, energies, weights, weight)
            if passed.shape[0] > 0:
                _pass_on(energy, at, (fine.shape[0] + 1) // 2, half, runs, count, passed)
            _add_pair(details, 2 * (at % 3), weights, 2 * at, until, runs, count, total)
            if blue.shape[0] > 0:
                # the rows of `details` of the pair before are free by now
                spare = 2 * ((at + 2) % 3)
                fresh = at == row // 2
                _pair_details(
                    blue, blue_coarse, at, fresh, runs, count, length, blue_ring, even, odd, details, spare
                )
                _add_pair(details, spare, weights, 2 * at, until, runs, count, blue_total)
                _pair_details(
                    red, red_coarse, at, fresh, runs, count, length, red_ring, even, odd, details, spare
                )
                _add_pair(details, spare, weights, 2 * at, until, runs, count, red_total)


@njit(cache=True, nogil=True)
def fill_blocks(energy: F32, per_block: int, factor: float, out: F32, top: int, bottom: int) -> None:
    """Set energies (h, w), rows [top, bottom), to those of their blocks of per_block x per_block."""
    width = out.shape[1]
    row = np.empty(width + per_block, np.float32)
    for y in range(top, bottom):
        if y == top or y % per_block == 0:
            for column in range(energy.shape[1]):
                value = np.float32(factor) * energy[y // per_block, column]
                for k in range(column * per_block, min((column + 1) * per_block, width)):
                    row[k] = value
        line = np.uint64(y)
        for x in range(np.uint64(width)):
            out[line, x] = row[x]


@njit(cache=True, nogil=True)
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
            for x in range(weights.shape[0]):
                weights[x] *= (np.float32(expected[y, x]) + np.float32(NEVER)) * np.float32(1.0 / 255.0)
        for x in range(plane.shape[1]):
            weight[y, x] += weights[x]
            total[y, x] += weights[x] * np.float32(plane[y, x])
            blue_total[y, x] += weights[x] * np.float32(blue[y, x])
            red_total[y, x] += weights[x] * np.float32(red[y, x])
