"""Compiled inner loops: weighted sums of a pyramid's levels back into planes, and planes into pictures.

Planes: see `nearpair.pixels.planes`. Each function works on a band of rows, so that bands can run side by
side.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nearpair.pixels.detail import upsampled_row
from nearpair.pixels.planes import CB, CR, FULL, MIDDLE, B, G, R

F32 = NDArray[np.float32]


@njit(cache=True, nogil=True)
def _chroma_row(plane: F32, y: int, width: int, out: F32, between: F32) -> None:
    """Row y of a chroma plane at full size; half-size samples are means of 2 x 2, so they lie between px.

    out, between: room for two more values than the plane has columns, and as many as the row.
    """
    if plane.shape[1] == width:
        for x in range(width):
            out[x] = plane[y, x]
        return
    here, rows, columns = y // 2, plane.shape[0], plane.shape[1]
    other = max(here - 1, 0) if y % 2 == 0 else min(here + 1, rows - 1)
    three, one = np.float32(0.75), np.float32(0.25)
    for k in range(columns):
        between[k + 1] = three * plane[here, k] + one * plane[other, k]
    between[0], between[columns + 1] = between[1], between[columns]
    left, middle, right = between[:columns], between[1 : columns + 1], between[2 : columns + 2]
    for k in range(width // 2):
        out[2 * k] = three * middle[k] + one * left[k]
        out[2 * k + 1] = three * middle[k] + one * right[k]
    if width % 2 == 1:
        out[width - 1] = three * middle[columns - 1] + one * left[columns - 1]


@njit(cache=True, nogil=True)
def _shares_row(weight: F32, y: int, step: int, out: F32) -> None:
    """One over the weights of row y of a level, whose weights are those of step x step samples."""
    row = weight[y // step]
    if step == 1:
        for x in range(out.shape[0]):
            out[x] = np.float32(1.0) / row[x]
        return
    for k in range(out.shape[0] // 2):
        share = np.float32(1.0) / row[k]
        out[2 * k] = share
        out[2 * k + 1] = share
    if out.shape[0] % 2 == 1:
        out[out.shape[0] - 1] = np.float32(1.0) / row[out.shape[0] // 2]


@njit(cache=True, nogil=True)
def _step(total: F32, weight: F32) -> int:
    """For how many samples across and down each weight is."""
    return 2 if weight.shape[0] < total.shape[0] or weight.shape[1] < total.shape[1] else 1


@njit(cache=True, nogil=True)
def _whole_row(total: F32, coarse: F32, y: int, shares: F32, out: F32, buffer: F32) -> None:
    """Row y of a level put together: the mean of its details, and the expanded next coarser level."""
    if coarse.shape[0] == 0:
        out[:] = np.float32(0.0)
    else:
        upsampled_row(coarse, y, 0, out, buffer)
    row = total[y]
    for x in range(out.shape[0]):
        out[x] += row[x] * shares[x]


@njit(cache=True, nogil=True)
def put_together(total: F32, weight: F32, coarse: F32, top: int, bottom: int) -> None:
    """Turn weighted sums into means and add the expanded next coarser level, if it has rows: in place.

    `weight` has one value for 2 x 2 samples, or one for each.
    """
    width, step = total.shape[1], _step(total, weight)
    shares, row = np.empty(width, np.float32), np.empty(width, np.float32)
    buffer = np.empty(width // 2 + 4, np.float32)
    for y in range(top, bottom):
        if y == top or y % step == 0:
            _shares_row(weight, y, step, shares)
        _whole_row(total, coarse, y, shares, row, buffer)
        total[y] = row


@njit(cache=True, nogil=True)
def to_rgb(
    total: F32,
    weight: F32,
    coarse: F32,
    blue: F32,
    red: F32,
    scale: float,
    out: NDArray[np.integer],
    top: int,
    bottom: int,
) -> None:
    """The finest level into encoded RGB; `scale` = top code / FULL.

    total, weight, coarse: of the luma, as for `put_together`; blue, red: chroma put together, of full or half
    size. All in fixed-point units.
    """
    factor = np.float32(scale)
    largest = np.float32(scale * FULL)
    none, half = np.float32(0.0), np.float32(0.5)
    width, step = total.shape[1], _step(total, weight)
    lumas, shares = np.empty(width, np.float32), np.empty(width, np.float32)
    blues, reds = np.empty(width, np.float32), np.empty(width, np.float32)
    buffer = np.empty(width + 4, np.float32)
    for y in range(top, bottom):
        if y == top or y % step == 0:
            _shares_row(weight, y, step, shares)
        _whole_row(total, coarse, y, shares, lumas, buffer)
        _chroma_row(blue, y, width, blues, buffer)
        _chroma_row(red, y, width, reds, buffer)
        row = out[y].reshape(-1)
        for x in range(width):
            value = lumas[x]
            b = value + (blues[x] - MIDDLE) * (np.float32(1.0) / CB)
            r = value + (reds[x] - MIDDLE) * (np.float32(1.0) / CR)
            g = (value - R * r - B * b) * (np.float32(1.0) / G)
            row[3 * x] = np.int32(min(max(r * factor, none), largest) + half)
            row[3 * x + 1] = np.int32(min(max(g * factor, none), largest) + half)
            row[3 * x + 2] = np.int32(min(max(b * factor, none), largest) + half)
