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
from nearpair.pixels.luma import Pixels, reduced

Codes = NDArray[np.uint8] | NDArray[np.uint16]

FULL = np.float32(32640.0)
"""Fixed-point value of 1.0 (255 · 128): 8-bit frames with seven bits to spare, 16-bit ones to three codes."""
MIDDLE = np.float32(32768.0)
"""Fixed-point value of a neutral chroma: room on both sides for frames made up to twice as bright."""
R, G, B = np.float32(0.299), np.float32(0.587), np.float32(0.114)
CB, CR = np.float32(0.5 / (1.0 - 0.114)), np.float32(0.5 / (1.0 - 0.299))
"""How many times B − luma and R − luma the chroma differences are."""

_NEUTRAL_CODE = 128.0


@dataclass(frozen=True, slots=True, eq=False)
class Planes:
    """A frame's luma (H, W) and its blue and red chroma, (H, W) or (⌈H/2⌉, ⌈W/2⌉), all of one dtype.

    uint8: the codes of JPEG files; uint16: fixed point (FULL, MIDDLE). Half-size chroma samples are means of
    2 x 2 pixels.
    """

    luma: Codes
    blue: Codes
    red: Codes

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
        return Planes(self.luma, *grown)


def halved_planes(rgb: NDArray[np.uint8], kept: list[Any] | None = None) -> Planes:
    """Luma codes of an (H, W, 3) RGB frame and the chroma codes of its 2 x 2 means (OpenCV's BT.601).

    kept: buffers of an earlier call (at first, an empty list), whose planes are overwritten.
    """
    buffers: list[Any] = [] if kept is None else kept
    if not buffers:
        buffers += [None] * 4
    odd = (rgb.shape[0] % 2, rgb.shape[1] % 2)
    even: Any = cv2.copyMakeBorder(rgb, 0, odd[0], 0, odd[1], cv2.BORDER_REPLICATE) if any(odd) else rgb
    size = (even.shape[1] // 2, even.shape[0] // 2)
    buffers[0] = cv2.resize(even, size, dst=buffers[0], interpolation=cv2.INTER_AREA)
    buffers[1] = cv2.cvtColor(buffers[0], cv2.COLOR_RGB2YCrCb, dst=buffers[1])
    buffers[2] = cv2.split(buffers[1], buffers[2])
    buffers[3] = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY, dst=buffers[3])
    _, red, blue = buffers[2]
    return Planes(buffers[3], blue, red)


def full_planes(rgb: Pixels, in_bands: InBands = one_band) -> Planes:
    """Planes of an (H, W, 3) RGB frame of 8 or 16 bits in fixed point, chroma at full size."""
    luma, blue, red = (np.empty(rgb.shape[:2], np.uint16) for _ in range(3))
    gain = float(FULL) / (255.0 if rgb.dtype == np.uint8 else 65535.0)
    in_bands(rgb.shape[0], partial(_to_fixed_planes, rgb, gain, luma, blue, red))
    return Planes(luma, blue, red)


def small_luma(planes: Planes, factor: int) -> NDArray[np.uint8]:
    """The luma codes averaged over factor x factor pixels, (H // factor, W // factor)."""
    small: Any = reduced(planes.luma, factor)  # type: ignore[arg-type]
    if small.dtype == np.uint16:
        small = np.rint(small / np.float32(128.0))
    return np.array(small, dtype=np.uint8, order="C")  # never the planes themselves


@njit(cache=True, nogil=True, fastmath=True)
def to_fixed(value: np.float32) -> np.uint16:
    """Round to a fixed-point value."""
    return np.uint16(min(max(value + np.float32(0.5), np.float32(0.0)), np.float32(65535.0)))


@njit(cache=True, nogil=True, fastmath=True)
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
