"""Compiled inner loops of merging. Each works on a band of rows, so that bands can run side by side."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
I16 = NDArray[np.int16]

_BORDER_PX = 2.0
# Energies are squares of differences of values in [0, 1]; scaled so that their fourth power stays far from
# the smallest float32.
_ENERGY_SCALE = np.float32(1e4)
_FLOOR = np.float32(1e-2)


@njit(cache=True, nogil=True)
def luma_energy(band: F32, out: F32, top: int, bottom: int) -> None:
    """Square of the BT.601 luma of a band-pass picture (h, w, 3) into out (h, w), rows [top, bottom)."""
    for y in range(top, bottom):
        for x in range(out.shape[1]):
            v = 0.299 * band[y, x, 0] + 0.587 * band[y, x, 1] + 0.114 * band[y, x, 2]
            out[y, x] = v * v * _ENERGY_SCALE


@njit(cache=True, nogil=True)
def blend(
    band: F32,
    energy: F32,
    inverse: NDArray[np.float64],
    cell: float,
    frame_size: tuple[int, int],
    total: F32,
    weight: F32,
    top: int,
    bottom: int,
) -> None:
    """Add one frame's band (h, w, 3) to `total`, weighted by energy⁴; nothing from outside the frame.

    inverse: (2, 3) map reference px → frame px; cell: px of the reference per sample of this level.
    """
    height, width = frame_size
    for y in range(top, bottom):
        ry = (y + 0.5) * cell - 0.5
        for x in range(band.shape[1]):
            rx = (x + 0.5) * cell - 0.5
            fx = inverse[0, 0] * rx + inverse[0, 1] * ry + inverse[0, 2]
            fy = inverse[1, 0] * rx + inverse[1, 1] * ry + inverse[1, 2]
            if (
                fx < _BORDER_PX
                or fy < _BORDER_PX
                or fx > width - 1 - _BORDER_PX
                or fy > height - 1 - _BORDER_PX
            ):
                w = np.float32(1e-12)
            else:
                e = energy[y, x] + _FLOOR
                w = e * e
                w = w * w
            weight[y, x] += w
            total[y, x, 0] += w * band[y, x, 0]
            total[y, x, 1] += w * band[y, x, 1]
            total[y, x, 2] += w * band[y, x, 2]


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
