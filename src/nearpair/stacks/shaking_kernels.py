"""Compiled inner loop of the looking for shaken frames: the structure tensors of the cells of a picture."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]


@njit(cache=True, nogil=True)
def _add_row(above: F32, here: F32, below: F32, smooth: F32, slope: F32, xx: F32, xy: F32, yy: F32) -> None:
    """Add the products of the gradients of a row to sums of columns; the picture is mirrored outside."""
    width = here.shape[0]
    three, ten, part = np.float32(3.0), np.float32(10.0), np.float32(1.0 / 32.0)
    for x in range(width):
        smooth[x + 1] = part * (three * (above[x] + below[x]) + ten * here[x])
        slope[x + 1] = part * (below[x] - above[x])
    smooth[0], smooth[width + 1] = smooth[2], smooth[width - 1]
    slope[0], slope[width + 1] = slope[2], slope[width - 1]
    for x in range(width):
        gx = smooth[x + 2] - smooth[x]
        gy = three * (slope[x] + slope[x + 2]) + ten * slope[x + 1]
        xx[x] += gx * gx
        xy[x] += gx * gy
        yy[x] += gy * gy


@njit(cache=True, nogil=True)
def structure_tensors(detail: F32, cell: int, scale: float) -> F32:
    """Means of gx², gx·gy and gy² over cells of cell x cell px, times `scale`, (h // cell, w // cell, 3).

    Gradients of a picture (h, w) of at least 2 x 2, with the weights 3 10 3 (Scharr 2000).
    """
    height, width = detail.shape
    rows, columns = height // cell, width // cell
    out = np.empty((rows, columns, 3), np.float32)
    smooth, slope = np.empty(width + 2, np.float32), np.empty(width + 2, np.float32)
    sums = np.empty((3, width), np.float32)
    part = scale / (cell * cell)
    for row in range(rows):
        sums[:] = 0.0
        for y in range(row * cell, (row + 1) * cell):
            above, below = abs(y - 1), height - 1 - abs(height - 2 - y)
            _add_row(detail[above], detail[y], detail[below], smooth, slope, sums[0], sums[1], sums[2])
        for column in range(columns):
            for k in range(3):
                total = 0.0
                for x in range(column * cell, (column + 1) * cell):
                    total += sums[k, x]
                out[row, column, k] = total * part
    return out
