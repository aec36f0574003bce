"""Compiled inner loops of merging. Each works on a band of rows, so that bands can run side by side.

Planes are fixed point: uint16, FULL standing for 1.0. They hold 8-bit frames with seven bits to spare and
16-bit frames to within one code, and need half the memory traffic of float32.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I16 = NDArray[np.int16]
U16 = NDArray[np.uint16]
Codes = NDArray[np.integer]

FULL = np.float32(32640.0)
"""Fixed-point value of 1.0 (255 · 128)."""
MIDDLE = np.float32(16384.0)
"""Fixed-point value of a neutral chroma."""

# Rec. ITU-R BT.601 luma; chroma differences scaled as in JFIF (BT.601, full range)
_R, _G, _B = np.float32(0.299), np.float32(0.587), np.float32(0.114)
_CB, _CR = np.float32(0.5 / (1.0 - 0.114)), np.float32(0.5 / (1.0 - 0.299))

_REACH = 2
_BORDER_PX = 2.0
# Energies are squares of differences of values in [0, 1], scaled so that their fourth power stays far from
# the smallest float32; the floor keeps flat places at a plain mean.
_ENERGY_SCALE = 1e4 / float(FULL) ** 2
_FLOOR = 1e-2


@njit(cache=True, nogil=True, fastmath=True)
def _to_fixed(value: np.float32) -> np.uint16:
    return np.uint16(min(max(value + np.float32(0.5), np.float32(0.0)), np.float32(65535.0)))


@njit(cache=True, nogil=True, fastmath=True)
def _planes_row(
    r: Codes, g: Codes, b: Codes, gain: np.float32, luma: U16, blue: U16, red: U16, colour: bool
) -> None:
    for x in range(luma.shape[0]):
        value = (_R * np.float32(r[x]) + _G * np.float32(g[x]) + _B * np.float32(b[x])) * gain
        luma[x] = _to_fixed(value)
        if colour:
            blue[x] = _to_fixed((np.float32(b[x]) * gain - value) * _CB + MIDDLE)
            red[x] = _to_fixed((np.float32(r[x]) * gain - value) * _CR + MIDDLE)


@njit(cache=True, nogil=True, fastmath=True)
def _paired(upper: Codes, lower: Codes, x: int, last: int) -> np.float32:
    """Sum of 2 x 2 codes; an odd last column counts twice."""
    x0, x1 = 2 * x, min(2 * x + 1, last)
    return np.float32(upper[x0]) + np.float32(upper[x1]) + np.float32(lower[x0]) + np.float32(lower[x1])


@njit(cache=True, nogil=True, fastmath=True)
def to_planes(r: Codes, g: Codes, b: Codes, gain: float, luma: U16, blue: U16, red: U16) -> None:
    """Encoded colour planes (h, w) times `gain` into luma (h, w) and chroma of full or half size.

    Halved chroma (for frames whose file has it so) is that of the mean of 2 x 2 pixels.
    """
    height, last = luma.shape[0], luma.shape[1] - 1
    half = blue.shape[0] != height or blue.shape[1] != luma.shape[1]
    factor, quarter = np.float32(gain), np.float32(0.25 * gain)
    for y in range(height):
        row = 0 if half else y
        _planes_row(r[y], g[y], b[y], factor, luma[y], blue[row], red[row], not half)
        if half and y % 2 == 0:
            under = min(y + 1, height - 1)
            for x in range(blue.shape[1]):
                red4, blue4 = _paired(r[y], r[under], x, last), _paired(b[y], b[under], x, last)
                value = _R * red4 + _G * _paired(g[y], g[under], x, last) + _B * blue4
                blue[y // 2, x] = _to_fixed((blue4 - value) * quarter * _CB + MIDDLE)
                red[y // 2, x] = _to_fixed((red4 - value) * quarter * _CR + MIDDLE)


@njit(cache=True, nogil=True, fastmath=True)
def to_rgb(
    luma: F32, blue: F32, red: F32, scale: float, out: NDArray[np.integer], top: int, bottom: int
) -> None:
    """Planes (fixed-point units, chroma of full size) into encoded RGB; `scale` = largest code / FULL."""
    factor = np.float32(scale)
    largest = np.float32(scale * FULL)
    none, half = np.float32(0.0), np.float32(0.5)
    for y in range(top, bottom):
        for x in range(luma.shape[1]):
            value = luma[y, x]
            b = value + (blue[y, x] - MIDDLE) / _CB
            r = value + (red[y, x] - MIDDLE) / _CR
            g = (value - _R * r - _B * b) / _G
            out[y, x, 0] = min(max(r * factor, none), largest) + half
            out[y, x, 1] = min(max(g * factor, none), largest) + half
            out[y, x, 2] = min(max(b * factor, none), largest) + half


@njit(cache=True, nogil=True, fastmath=True)
def _cubic(a: np.float32, b: np.float32, c: np.float32, d: np.float32, f: np.float32) -> np.float32:
    """Catmull-Rom interpolation at f in [0, 1) between b and c."""
    inner = np.float32(3.0) * (b - c) + d - a
    middle = np.float32(2.0) * a - np.float32(5.0) * b + np.float32(4.0) * c - d
    return b + np.float32(0.5) * f * (c - a + f * (middle + f * inner))


@njit(cache=True, nogil=True, fastmath=True)
def _cubic_run(a: U16, b: U16, c: U16, d: U16, f: np.float32, drift: np.float32, ramp: F32, out: F32) -> None:
    for k in range(out.shape[0]):
        out[k] = _cubic(
            np.float32(a[k]), np.float32(b[k]), np.float32(c[k]), np.float32(d[k]), f + drift * ramp[k]
        )


@njit(cache=True, nogil=True)
def _run_length(f: float, drift: float) -> float:
    """For how many samples floor(f + drift·k) stays 0."""
    if drift > 1e-12:
        return (1.0 - f) / drift
    return f / -drift + 1.0 if drift < -1e-12 else 1e9


@njit(cache=True, nogil=True)
def _resample_row(source: U16, start: float, slope: float, ramp: F32, out: F32) -> None:
    """out[x] = source at start + slope·x, ends repeated; runs of equal whole offset stay contiguous."""
    width, count = source.shape[0], out.shape[0]
    drift = slope - 1.0
    x = 0
    while x < count:
        at = start + slope * x
        whole = int(np.floor(at))
        f = at - whole
        if whole < 1 or whole > width - 3:
            i0, i1 = min(max(whole - 1, 0), width - 1), min(max(whole, 0), width - 1)
            i2, i3 = min(max(whole + 1, 0), width - 1), min(max(whole + 2, 0), width - 1)
            out[x] = _cubic(
                np.float32(source[i0]),
                np.float32(source[i1]),
                np.float32(source[i2]),
                np.float32(source[i3]),
                np.float32(f),
            )
            x += 1
            continue
        run = min(_run_length(f, drift), float(width - 2 - whole), float(count - x))
        n = max(int(run), 1)
        _cubic_run(
            source[whole - 1 : whole - 1 + n],
            source[whole : whole + n],
            source[whole + 1 : whole + 1 + n],
            source[whole + 2 : whole + 2 + n],
            np.float32(f),
            np.float32(drift),
            ramp,
            out[x : x + n],
        )
        x += n


@njit(cache=True, nogil=True, fastmath=True)
def _vertical_run(
    a: F32, b: F32, c: F32, d: F32, f: np.float32, drift: np.float32, ramp: F32, out: U16
) -> None:
    for k in range(out.shape[0]):
        out[k] = _to_fixed(_cubic(a[k], b[k], c[k], d[k], f + drift * ramp[k]))


@njit(cache=True, nogil=True)
def _held(row: int, first: int, height: int, held: int) -> int:
    """Place of a source row in the buffer that starts at row `first`; ends repeated."""
    return min(max(min(max(row, 0), height - 1) - first, 0), held - 1)


@njit(cache=True, nogil=True)
def _vertical(rows: F32, first: int, start: float, slope: float, height: int, ramp: F32, out: U16) -> None:
    """out[x] = column x of `rows` (source rows from `first`) at start + slope·x."""
    count, held = out.shape[0], rows.shape[0]
    x = 0
    while x < count:
        at = start + slope * x
        whole = int(np.floor(at))
        f = at - whole
        n = max(int(min(_run_length(f, slope), float(count - x))), 1)
        _vertical_run(
            rows[_held(whole - 1, first, height, held), x : x + n],
            rows[_held(whole, first, height, held), x : x + n],
            rows[_held(whole + 1, first, height, held), x : x + n],
            rows[_held(whole + 2, first, height, held), x : x + n],
            np.float32(f),
            np.float32(slope),
            ramp,
            out[x : x + n],
        )
        x += n


@njit(cache=True, nogil=True)
def warp(source: U16, inverse: F64, out: U16, top: int, bottom: int) -> None:
    """Resample a plane by a similarity in two one-dimensional passes; ends are repeated outside.

    inverse: (2, 3) map out px → source px with a small roll. Each pass is exact: Catmull & Smith, "3-D
    transformations of images in scanline order", SIGGRAPH 1980; Catmull-Rom weights.
    """
    height, columns = source.shape[0], out.shape[1]
    a, b = inverse[0, 0], inverse[1, 0]
    tx, ty = inverse[0, 2], inverse[1, 2]
    tilt = b * (columns - 1.0)
    first = int(np.floor(a * top + ty + min(tilt, 0.0))) - 1
    last = int(np.floor(a * (bottom - 1) + ty + max(tilt, 0.0))) + 2
    first, last = min(max(first, 0), height - 1), min(max(last, 0), height - 1)
    rows = np.empty((last - first + 1, columns), np.float32)
    ramp = np.arange(max(columns, source.shape[1])).astype(np.float32)
    slope = a + b * b / a
    for v in range(first, last + 1):
        _resample_row(source[v], tx - b * (v - ty) / a, slope, ramp, rows[v - first])
    for y in range(top, bottom):
        _vertical(rows, first, a * y + ty, b, height, ramp, out[y])


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
def _inside(inverse: F64, cell: float, y: int, columns: int, size: tuple[int, int]) -> tuple[int, int]:
    """First and last column of a level's row y that come from inside the frame (empty: first > last)."""
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
def _add_row(detail: F32, weight: F32, total: F32) -> None:
    for x in range(detail.shape[0]):
        total[x] += weight[x] * detail[x]


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
        for x in range(width):
            energy[x] = np.float32(_ENERGY_SCALE / 25.0) * (
                pools[0, x] + pools[1, x] + pools[2, x] + pools[3, x] + pools[4, x]
            )
        if heard.shape[0] > 0:
            for x in range(width):
                energy[x] += np.float32(hear) * heard[at, x]
        first, last = _inside(inverse, cell, at, width, size)
        _weights_row(energy, first, last, weights)
        _add_row(details[at % 5], weights, total[at])
        for x in range(width):
            weight[at, x] += weights[x]
        if chroma:
            _detail_row(blue, blue_coarse, at, colour, buffer)
            _add_row(colour, weights, blue_total[at])
            _detail_row(red, red_coarse, at, colour, buffer)
            _add_row(colour, weights, red_total[at])
        _pass_on(energy, at, height, passed)


@njit(cache=True, nogil=True, fastmath=True)
def _pass_on(energy: F32, y: int, height: int, passed: F32) -> None:
    """Gather the mean of 2 x 2 energies; an odd last row or column counts twice."""
    half, width = y // 2, energy.shape[0]
    if half >= passed.shape[0]:
        return
    share = np.float32(0.5 if (y % 2 == 0 and y == height - 1) else 0.25)
    if y % 2 == 0:
        for x in range(passed.shape[1]):
            passed[half, x] = share * (energy[2 * x] + energy[min(2 * x + 1, width - 1)])
    else:
        for x in range(passed.shape[1]):
            passed[half, x] += share * (energy[2 * x] + energy[min(2 * x + 1, width - 1)])


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


@njit(cache=True, nogil=True)
def track_peak(
    energy: F32,
    number: int,
    best: F32,
    index: I16,
    before: F32,
    after: F32,
    last: F32,
    total: F32,
    least: F32,
    top: int,
    bottom: int,
) -> None:
    """Follow, for each pixel, the largest energy over the frames and its two neighbours in the sequence."""
    for y in range(top, bottom):
        for x in range(energy.shape[1]):
            e = energy[y, x]
            if e > best[y, x]:
                before[y, x] = last[y, x]
                best[y, x] = e
                index[y, x] = number
                after[y, x] = -1.0
            elif index[y, x] == number - 1:
                after[y, x] = e
            last[y, x] = e
            total[y, x] += e
            if e < least[y, x]:
                least[y, x] = e


@njit(cache=True, nogil=True)
def interpolate_peak(
    best: F32, index: I16, before: F32, after: F32, position: F32, width: F32, top: int, bottom: int
) -> None:
    """Gaussian peak through three energies: fractional frame and width (σ, frames); NaN width at the ends.

    Nayar & Nakagawa, "Shape from focus", IEEE PAMI 16(8), 1994 (formula from memory), written for unit steps.
    """
    for y in range(top, bottom):
        for x in range(best.shape[1]):
            position[y, x] = index[y, x]
            width[y, x] = np.nan
            if before[y, x] <= 0.0 or after[y, x] <= 0.0:
                continue
            peak = np.log(best[y, x])
            down, up = peak - np.log(before[y, x]), peak - np.log(after[y, x])
            if down + up < 1e-6:
                continue
            position[y, x] = index[y, x] + 0.5 * (down - up) / (down + up)
            width[y, x] = np.sqrt(1.0 / (down + up))
