"""Compiled inner loops: frames into fixed-point planes, planes moved, planes back into pictures.

Planes are fixed point: uint16, FULL standing for 1.0. They hold 8-bit frames with seven bits to spare and
16-bit frames to within three codes, and need half the memory traffic of float32. Each function works on a
band of rows, so that bands can run side by side.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U16 = NDArray[np.uint16]
Codes = NDArray[np.integer]

FULL = np.float32(32640.0)
"""Fixed-point value of 1.0 (255 · 128)."""
MIDDLE = np.float32(32768.0)
"""Fixed-point value of a neutral chroma: room on both sides for frames made up to twice as bright."""

# Rec. ITU-R BT.601 luma; chroma differences scaled as in JFIF (BT.601, full range)
_R, _G, _B = np.float32(0.299), np.float32(0.587), np.float32(0.114)
_CB, _CR = np.float32(0.5 / (1.0 - 0.114)), np.float32(0.5 / (1.0 - 0.299))


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
