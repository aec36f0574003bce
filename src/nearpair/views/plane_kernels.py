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
def to_planes(r: Codes, g: Codes, b: Codes, gain: float, luma: U16, blue: U16, red: U16) -> None:
    """Encoded colour planes (h, w) times `gain` into luma and chroma planes (h, w)."""
    factor = np.float32(gain)
    for y in range(luma.shape[0]):
        for x in range(luma.shape[1]):
            value = factor * (_R * np.float32(r[y, x]) + _G * np.float32(g[y, x]) + _B * np.float32(b[y, x]))
            luma[y, x] = _to_fixed(value)
            blue[y, x] = _to_fixed((np.float32(b[y, x]) * factor - value) * _CB + MIDDLE)
            red[y, x] = _to_fixed((np.float32(r[y, x]) * factor - value) * _CR + MIDDLE)


@njit(cache=True, nogil=True, fastmath=True)
def _chroma_row(plane: F32, y: int, width: int, out: F32) -> None:
    """Row y of a chroma plane at full size; half-size samples are means of 2 x 2, so they lie between px."""
    if plane.shape[1] == width:
        for x in range(width):
            out[x] = plane[y, x]
        return
    here, rows, columns = y // 2, plane.shape[0], plane.shape[1]
    other = max(here - 1, 0) if y % 2 == 0 else min(here + 1, rows - 1)
    three, one = np.float32(0.75), np.float32(0.25)
    for x in range(width):
        near = x // 2
        far = max(near - 1, 0) if x % 2 == 0 else min(near + 1, columns - 1)
        beside = three * plane[here, near] + one * plane[other, near]
        out[x] = three * beside + one * (three * plane[here, far] + one * plane[other, far])


@njit(cache=True, nogil=True, fastmath=True)
def to_rgb(
    luma: F32, blue: F32, red: F32, scale: float, out: NDArray[np.integer], top: int, bottom: int
) -> None:
    """Planes (fixed-point units, chroma of full or half size) into encoded RGB; `scale` = top code / FULL."""
    factor = np.float32(scale)
    largest = np.float32(scale * FULL)
    none, half = np.float32(0.0), np.float32(0.5)
    width = luma.shape[1]
    blues, reds = np.empty(width, np.float32), np.empty(width, np.float32)
    for y in range(top, bottom):
        _chroma_row(blue, y, width, blues)
        _chroma_row(red, y, width, reds)
        for x in range(width):
            value = luma[y, x]
            b = value + (blues[x] - MIDDLE) / _CB
            r = value + (reds[x] - MIDDLE) / _CR
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
def _cubic_run(
    a: Codes, b: Codes, c: Codes, d: Codes, f: np.float32, drift: np.float32, ramp: F32, out: F32
) -> None:
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
def _resample_row(source: Codes, start: float, slope: float, ramp: F32, out: F32) -> None:
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
    a: F32,
    b: F32,
    c: F32,
    d: F32,
    f: np.float32,
    drift: np.float32,
    ramp: F32,
    gain: np.float32,
    offset: np.float32,
    out: U16,
) -> None:
    for k in range(out.shape[0]):
        out[k] = _to_fixed(gain * _cubic(a[k], b[k], c[k], d[k], f + drift * ramp[k]) + offset)


@njit(cache=True, nogil=True)
def _held(row: int, first: int, height: int, held: int) -> int:
    """Place of a source row in the buffer that starts at row `first`; ends repeated."""
    return min(max(min(max(row, 0), height - 1) - first, 0), held - 1)


@njit(cache=True, nogil=True)
def _vertical(
    rows: F32,
    first: int,
    start: float,
    slope: float,
    height: int,
    ramp: F32,
    gain: float,
    offset: float,
    out: U16,
) -> None:
    """out[x] = gain · (column x of `rows`, source rows from `first`, at start + slope·x) + offset."""
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
            np.float32(gain),
            np.float32(offset),
            out[x : x + n],
        )
        x += n


@njit(cache=True, nogil=True)
def warp(source: Codes, inverse: F64, gain: float, offset: float, out: U16, top: int, bottom: int) -> None:
    """Resample a plane by a similarity in two one-dimensional passes; ends are repeated outside.

    inverse: (2, 3) map out px → source px with a small roll; values become gain · value + offset. Each pass
    is exact: Catmull & Smith, "3-D transformations of images in scanline order", SIGGRAPH 1980; Catmull-Rom
    weights.
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
        _vertical(rows, first, a * y + ty, b, height, ramp, gain, offset, out[y])
