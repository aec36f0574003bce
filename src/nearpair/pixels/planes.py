"""Frames as luma and chroma planes, as merging wants them; colour that files hold at half size stays so.

Luma and chroma differences are those of JPEG (JFIF: Rec. ITU-R BT.601 weights, full range).
"""

from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from nearpair.pixels.bands import InBands, one_band
from nearpair.pixels.luma import P, Pixels, reduced
from nearpair.pixels.memory import fresh

Codes = NDArray[np.uint8] | NDArray[np.uint16]

FULL = np.float32(32640.0)
"""Fixed-point value of 1.0 (255 · 128): 8-bit frames with seven bits to spare, 16-bit ones to three codes."""
MIDDLE = np.float32(32768.0)
"""Fixed-point value of a neutral chroma: room on both sides for frames made up to twice as bright."""
R, G, B = np.float32(0.299), np.float32(0.587), np.float32(0.114)
CB, CR = np.float32(0.5 / (1.0 - 0.114)), np.float32(0.5 / (1.0 - 0.299))
"""How many times B − luma and R − luma the chroma differences are."""

_NEUTRAL_CODE = 128.0
# sums of as many codes fit into 16 bits
_MOST_FACTOR = 257
# the weights in 15 bits, of the sum 1
_R15, _G15, _B15 = 9798, 19235, 3735


@dataclass(frozen=True, slots=True, eq=False)
class Planes:
    """A frame's luma (H, W) and its blue and red chroma, (H, W) or (⌈H/2⌉, ⌈W/2⌉), all of one dtype.

    uint8: the codes of JPEG files; uint16: fixed point (FULL, MIDDLE). Half-size chroma samples are means of
    2 x 2 pixels.
    """

    luma: Codes
    blue: Codes
    red: Codes
    coarse: tuple[Codes, ...] = ()
    """The next coarser levels of the three, see `coarser`, if they were made."""

    @property
    def scale(self) -> float:
        """Fixed-point units of one unit of the planes."""
        return 128.0 if self.luma.dtype == np.uint8 else 1.0

    @property
    def neutral(self) -> float:
        """The planes' value of a neutral chroma."""
        return _NEUTRAL_CODE if self.luma.dtype == np.uint8 else float(MIDDLE)

    @property
    def white(self) -> float:
        """The luma's value of white."""
        return float(FULL) / self.scale

    @property
    def are_halved(self) -> bool:
        """Whether the chroma is kept at half size."""
        return self.blue.shape != self.luma.shape

    def at_full_size(self) -> "Planes":
        """The same with chroma at full size."""
        if not self.are_halved:
            return self
        height, width = self.luma.shape
        odd = (2 * self.blue.shape[1], 2 * self.blue.shape[0])
        blue, red = (
            cv2.resize(plane, odd, interpolation=cv2.INTER_LINEAR)[:height, :width]
            for plane in (self.blue, self.red)
        )
        grown: list[Any] = [np.ascontiguousarray(plane) for plane in (blue, red)]
        return Planes(self.luma, grown[0], grown[1])


def coarser(plane: P, out: P | None = None) -> P:
    """The next coarser level of a plane, (⌈H/2⌉, ⌈W/2⌉), filtered with 1 4 6 4 1 (Burt & Adelson 1983)."""
    coarse: Any = cv2.pyrDown(plane, dst=out)
    return coarse  # type: ignore[no-any-return]


def coarser_size(size_px: tuple[int, ...]) -> tuple[int, int]:
    """Size (h, w) of the next coarser level of a plane of `size_px` (H, W)."""
    return -(-size_px[0] // 2), -(-size_px[1] // 2)


def halved_sizes(size_px: tuple[int, int]) -> list[tuple[int, int]]:
    """Sizes of what `halved_planes` makes of a frame: luma, blue, red, and their next coarser levels."""
    half = coarser_size(size_px)
    quarter = coarser_size(half)
    return [size_px, half, half, half, quarter, quarter]


def halved_planes(rgb: NDArray[np.uint8], kept: list[Any] | None = None) -> Planes:
    """Luma codes of an (H, W, 3) RGB frame, the chroma codes of its 2 x 2 means, and their coarser levels.

    kept: buffers of an earlier call (at first, an empty list), whose planes are overwritten.
    """
    buffers: list[Any] = [] if kept is None else kept
    if not buffers or buffers[0].shape != rgb.shape[:2]:
        buffers[:] = [np.empty(size, np.uint8) for size in halved_sizes((rgb.shape[0], rgb.shape[1]))]
    _to_halved_planes(rgb, *buffers[:3])
    for plane, coarse in zip(buffers[:3], buffers[3:], strict=True):
        coarser(plane, coarse)
    luma, blue, red, *coarse = buffers
    return Planes(luma, blue, red, tuple(coarse))


@njit(cache=True, nogil=True)
def _to_halved_planes(
    rgb: NDArray[np.uint8], luma: NDArray[np.uint8], blue: NDArray[np.uint8], red: NDArray[np.uint8]
) -> None:
    """Fill the planes in one pass over the frame; an odd last row or column counts twice."""
    height, width = luma.shape
    even = width + width % 2
    r, g, b = (np.empty(even, np.uint16), np.empty(even, np.uint16), np.empty(even, np.uint16))
    for y in range(0, height, 2):
        for line in range(y, min(y + 2, height)):
            row, into = rgb[line].reshape(-1), luma[line]
            for x in range(width):
                into[x] = (_R15 * row[3 * x] + _G15 * row[3 * x + 1] + _B15 * row[3 * x + 2] + 16384) >> 15
        upper, lower = rgb[y].reshape(-1), rgb[min(y + 1, height - 1)].reshape(-1)
        for x in range(width):
            r[x] = np.uint16(upper[3 * x]) + np.uint16(lower[3 * x])
            g[x] = np.uint16(upper[3 * x + 1]) + np.uint16(lower[3 * x + 1])
            b[x] = np.uint16(upper[3 * x + 2]) + np.uint16(lower[3 * x + 2])
        r[even - 1], g[even - 1], b[even - 1] = r[width - 1], g[width - 1], b[width - 1]
        _chroma_codes(r, g, b, blue[y // 2], red[y // 2])


@njit(cache=True, nogil=True)
def _chroma_codes(
    r: NDArray[np.uint16],
    g: NDArray[np.uint16],
    b: NDArray[np.uint16],
    blue: NDArray[np.uint8],
    red: NDArray[np.uint8],
) -> None:
    """Chroma of pairs of columns of sums over two rows."""
    to_blue, to_red = np.float32(CB / 4.0), np.float32(CR / 4.0)
    middle = np.float32(_NEUTRAL_CODE + 0.5)
    for k in range(blue.shape[0]):
        reds = np.float32(r[2 * k] + r[2 * k + 1])
        greens = np.float32(g[2 * k] + g[2 * k + 1])
        blues = np.float32(b[2 * k] + b[2 * k + 1])
        value = R * reds + G * greens + B * blues
        blue[k] = np.uint8(min((blues - value) * to_blue + middle, np.float32(255.0)))
        red[k] = np.uint8(min((reds - value) * to_red + middle, np.float32(255.0)))


def full_planes(rgb: Pixels, in_bands: InBands = one_band, kept: list[Any] | None = None) -> Planes:
    """Planes of an (H, W, 3) RGB frame of 8 or 16 bits in fixed point, chroma at full size.

    kept: as for `halved_planes`.
    """
    buffers: list[Any] = [] if kept is None else kept
    height, width = rgb.shape[:2]
    if not buffers or buffers[0].shape != (height, width):
        buffers[:] = [fresh(2 * height * width).view(np.uint16).reshape(height, width) for _ in range(3)]
    luma, blue, red = buffers
    gain = float(FULL) / (255.0 if rgb.dtype == np.uint8 else 65535.0)
    in_bands(rgb.shape[0], partial(_to_fixed_planes, rgb, gain, luma, blue, red))
    return Planes(luma, blue, red)


def small_luma(planes: Planes, factor: int) -> NDArray[np.uint8]:
    """The luma codes averaged over factor x factor pixels, (H // factor, W // factor)."""
    if planes.luma.dtype == np.uint8 and factor <= _MOST_FACTOR:
        out = np.empty((planes.luma.shape[0] // factor, planes.luma.shape[1] // factor), np.uint8)
        _block_means(planes.luma, factor, out)
        return out
    small: Any = reduced(planes.luma, factor)
    return np.array(np.rint(small * np.float32(planes.scale / 128.0)), dtype=np.uint8, order="C")


@njit(cache=True, nogil=True)
def _block_means(luma: NDArray[np.uint8], factor: int, out: NDArray[np.uint8]) -> None:
    """Means over factor x factor codes, rounded half up."""
    width, count = out.shape[1] * factor, factor * factor
    sums = np.empty(width, np.uint16)
    for y in range(out.shape[0]):
        sums[:] = 0
        for j in range(factor):
            row = luma[y * factor + j]
            for x in range(width):
                sums[x] += row[x]
        for x in range(out.shape[1]):
            total = 0
            for k in range(factor):
                total += sums[x * factor + k]
            out[y, x] = (2 * total + count) // (2 * count)


@njit(cache=True, nogil=True)
def to_fixed(value: np.float32) -> np.uint16:
    """Round to a fixed-point value."""
    return np.uint16(min(max(value + np.float32(0.5), np.float32(0.0)), np.float32(65535.0)))


@njit(cache=True, nogil=True)
def _to_fixed_planes(
    rgb: Pixels,
    gain: float,
    luma: NDArray[np.uint16],
    blue: NDArray[np.uint16],
    red: NDArray[np.uint16],
    top: int,
    bottom: int,
) -> None:
    factor = np.float32(gain)
    for y in range(top, bottom):
        for x in range(luma.shape[1]):
            r, g, b = np.float32(rgb[y, x, 0]), np.float32(rgb[y, x, 1]), np.float32(rgb[y, x, 2])
            value = factor * (R * r + G * g + B * b)
            luma[y, x] = to_fixed(value)
            blue[y, x] = to_fixed((b * factor - value) * CB + MIDDLE)
            red[y, x] = to_fixed((r * factor - value) * CR + MIDDLE)
