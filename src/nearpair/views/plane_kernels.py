"""Compiled inner loops: planes back into pictures.

Planes: see `nearpair.pixels.planes`. Each function works on a band of rows, so that bands can run side by
side.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nearpair.pixels.planes import CB, CR, FULL, MIDDLE, B, G, R

F32 = NDArray[np.float32]


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
            b = value + (blues[x] - MIDDLE) / CB
            r = value + (reds[x] - MIDDLE) / CR
            g = (value - R * r - B * b) / G
            out[y, x, 0] = min(max(r * factor, none), largest) + half
            out[y, x, 1] = min(max(g * factor, none), largest) + half
            out[y, x, 2] = min(max(b * factor, none), largest) + half
