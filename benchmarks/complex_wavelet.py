"""Merging a focus stack by complex wavelets, plainly written: the reference the product is compared with.

B. Forster, D. Van De Ville, J. Berent, D. Sage and M. Unser, "Complex wavelets for extended depth-of-field: a
new method for the fusion of multichannel microscopy images", Microscopy Research and Technique 65, 2004,
33-42. The steps are written down from memory of that paper, not from its text: separable decimated transform
with a complex filter, per coefficient the frame with the largest modulus, two consistency checks
(sub-bands, then a 3 x 3 window), colours taken from the frame whose grey is nearest to the merged grey.

Left to us, because the paper's choice is not remembered: as many scales as `textbook.pyramid_merge` has, the
coarsest low-passed rest averaged over the frames (as there), borders mirrored, a majority being at least
five of nine.

The filter is the symmetric complex Daubechies filter of length 6 (W. Lawton, "Applications of complex valued
wavelet transforms to subband decomposition", IEEE Trans. Signal Processing 41(12), 1993; J.-M. Lina and M.
Mayrand, "Complex Daubechies wavelets", Appl. Comput. Harmon. Anal. 2, 1995; both from memory), with three
zeros at -1, like the real filter of that length; its coefficients are computed in `daubechies_symmetric_6`.
"""

from collections.abc import Sequence
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.textbook import Floats, Picture, luma

Waves = NDArray[np.complex64]
Choice = NDArray[np.uint8]

_SMALLEST_SIDE_PX = 16
_MAJORITY = 5


def daubechies_symmetric_6() -> NDArray[np.complex128]:
    """Return the six coefficients, in closed form √2/64 · (-3 - j√15, 5 - j√15, 30 + 2j√15, mirrored).

    They follow from the half-band polynomial 1 + 3y + 6y² (I. Daubechies, Comm. Pure Appl. Math. 41, 1988):
    a filter is symmetric if the zeros it keeps lie in pairs (z, 1/z), which one complex root y gives.
    """
    root = np.sqrt(15)
    half = np.array([-3 - 1j * root, 5 - 1j * root, 30 + 2j * root]) * np.sqrt(2) / 64
    return np.concatenate([half, half[::-1]])


_LOW = daubechies_symmetric_6()
# g[k] = (-1)^k conj(h[5 - k]), the other half of an orthonormal basis: antisymmetric, as h is symmetric
_HIGH = (-1) ** np.arange(6) * _LOW[::-1].conj()


class Scale(NamedTuple):
    """The three complex sub-bands of one scale, each half as high and wide as what they were made of."""

    across: Waves
    down: Waves
    both: Waves


def split(rows: NDArray[np.complex64] | Floats) -> tuple[Waves, Waves]:
    """Return low and high band along the first axis (even length, at least 4), borders mirrored."""
    half = rows.shape[0] // 2
    padded = np.concatenate([rows[1::-1], rows, rows[:-3:-1]])
    tap = [padded[k : k + 2 * half : 2] for k in range(6)]
    low = sum(np.complex64(_LOW[k].conj()) * (tap[k] + tap[5 - k]) for k in range(3))
    high = sum(np.complex64(_HIGH[k].conj()) * (tap[k] - tap[5 - k]) for k in range(3))
    return np.asarray(low), np.asarray(high)


def join(low: Waves, high: Waves) -> Waves:
    """Undo `split`."""
    bands = [
        (_LOW, np.concatenate([low[:1], low, low[-1:]])),
        # the antisymmetric filter's band goes on with the sign turned behind the mirror
        (_HIGH, np.concatenate([-high[:1], high, -high[-1:]])),
    ]
    count = low.shape[0]
    joined = np.zeros((2 * count, *low.shape[1:]), dtype=np.complex64)
    # sample 2n + parity of the output meets taps parity, parity + 2, parity + 4 at n + 1, n, n - 1
    for parity in (0, 1):
        for back, tap in enumerate(range(parity, 6, 2)):
            for taps, band in bands:
                joined[parity::2] += np.complex64(taps[tap]) * band[2 - back : 2 - back + count]
    return joined


def _turned(plane: Waves) -> Waves:
    return np.ascontiguousarray(plane.T)


def transform(plane: Floats, scales: int) -> tuple[list[Scale], Waves]:
    """Return the sub-bands from fine to coarse and the low-passed rest; sides are multiples of 2^scales."""
    found: list[Scale] = []
    rest: NDArray[np.complex64] | Floats = plane
    for _ in range(scales):
        low, high = split(rest)
        (kept, across), (down, both) = split(_turned(low)), split(_turned(high))
        found.append(Scale(_turned(across), _turned(down), _turned(both)))
        rest = _turned(kept)
    return found, rest.astype(np.complex64)


def inverse(scales: Sequence[Scale], rest: Waves) -> Waves:
    """Undo `transform`; the result is complex, with no imaginary part unless coefficients were exchanged."""
    for scale in reversed(scales):
        low = _turned(join(_turned(rest), _turned(scale.across)))
        high = _turned(join(_turned(scale.down), _turned(scale.both)))
        rest = join(low, high)
    return rest


def agree_across_bands(chosen: Sequence[Choice]) -> list[Choice]:
    """Where two of the three sub-bands choose the same frame, let the third choose it as well."""
    first, second, third = chosen
    common = np.where(second == third, second, first)
    agreed = (first == second) | (second == third) | (first == third)
    # if second and third differ but first agrees with either, first is the common one
    return [np.where(agreed, common, band).astype(np.uint8) for band in chosen]


def agree_in_window(chosen: Choice, frames: int) -> Choice:
    """Let every coefficient follow the frame that at least five of the nine around it chose."""
    result = chosen.copy()
    for number in range(frames):
        here = (chosen == number).astype(np.uint8)
        votes = cv2.boxFilter(here, -1, (3, 3), normalize=False, borderType=cv2.BORDER_REFLECT_101)
        result[np.asarray(votes) >= _MAJORITY] = number
    return result


def choose(planes: Sequence[Floats], scales: int) -> list[list[Choice]]:
    """Return for each scale and sub-band which frame has the coefficient of the largest modulus, checked."""
    strongest: list[list[Floats]] = []
    chosen: list[list[Choice]] = []
    for number, plane in enumerate(planes):
        moduli = [[np.abs(band) for band in scale] for scale in transform(plane, scales)[0]]
        if not strongest:
            strongest = moduli
            chosen = [[np.zeros(band.shape, dtype=np.uint8) for band in scale] for scale in moduli]
            continue
        for scale, here in enumerate(moduli):
            for band, modulus in enumerate(here):
                wins = modulus > strongest[scale][band]
                chosen[scale][band][wins] = number
                np.maximum(strongest[scale][band], modulus, out=strongest[scale][band])
    return [[agree_in_window(band, len(planes)) for band in agree_across_bands(scale)] for scale in chosen]


def merged_luma(planes: Sequence[Floats], scales: int) -> Floats:
    """Merge luma planes whose sides are multiples of 2^scales; transforms each twice to keep none of them."""
    chosen = choose(planes, scales)
    bands = [[np.zeros(band.shape, dtype=np.complex64) for band in scale] for scale in chosen]
    rests: list[Waves] = []
    for number, plane in enumerate(planes):
        found, rest = transform(plane, scales)
        rests = [rests[0] + rest] if rests else [rest]
        for scale, here in enumerate(found):
            for band, coefficients in enumerate(here):
                wins = chosen[scale][band] == number
                bands[scale][band][wins] = coefficients[wins]
    merged = inverse([Scale(*scale) for scale in bands], rests[0] / np.float32(len(planes)))
    return np.asarray(merged.real, dtype=np.float32)


def coloured(frames: Sequence[Picture], wanted: Floats) -> Picture:
    """Take every pixel from the frame whose luma there is nearest to the wanted one."""
    merged = frames[0].copy()
    nearest = np.abs(luma(frames[0].astype(np.float32)) - wanted)
    for frame in frames[1:]:
        distance = np.abs(luma(frame.astype(np.float32)) - wanted)
        wins = distance < nearest
        merged[wins], nearest[wins] = frame[wins], distance[wins]
    return merged


def wavelet_merge(frames: Sequence[Picture]) -> Picture:
    """Merge at most 256 registered frames, (H, W, 3) RGB uint8."""
    height, width = frames[0].shape[:2]
    scales = max(1, int(np.log2(min(height, width) / _SMALLEST_SIDE_PX)))
    block = 2**scales
    margin = ((0, -height % block), (0, -width % block))
    planes = [np.pad(luma(frame.astype(np.float32)), margin, mode="symmetric") for frame in frames]
    return coloured(frames, merged_luma(planes, scales)[:height, :width])
