"""Merging a registered stack into one all-in-focus view, frame by frame, in bounded memory.

Each frame is split into bands of detail (Laplacian pyramid: Burt & Adelson, IEEE Trans. Comm. 31(4), 1983).
The textbook keeps the largest coefficient of each band. Here each coefficient is a mean over the frames,
weighted by the fourth power of its local luma energy, and three things differ from the textbook:

* the energy is pooled over 6 x 6 samples and shared by luma and chroma: no speckle, no false colours;
* a coarser band hears what the finer band decided (its energy is added, twice over): defocus spreads
  strong edges into coarse bands far beyond where they belong, but never into fine ones;
* the coarsest residue follows the same decision instead of being averaged over all frames.

Where frames are equally (un)sharp the mean lowers noise instead of picking its peaks. Sums over frames need
only one accumulator, so memory does not depend on their number. Luma and chroma are kept apart: chroma that
the files hold at half size is merged at half size.

What is known of depth beforehand, from both eyes (`expected`), weighs each frame beside its energy.
"""

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.bands import in_bands
from nearpair.pixels.luma import Pixels, Plane
from nearpair.views import kernels, plane_kernels
from nearpair.views.focus import FocusTracker

_FROM_FINER = 2.0
_COARSEST_PX = 24
_MOST_LEVELS = 7

Fixed = NDArray[np.uint16]
_NONE_FIXED: Fixed = np.zeros((0, 0), np.uint16)
_NONE: Plane = np.zeros((0, 0), np.float32)
Expected = NDArray[np.uint8]
_NO_EXPECTED: Expected = np.zeros((0, 0), np.uint8)


@dataclass(frozen=True, slots=True)
class View:
    """An all-in-focus picture and which frame each of its pixels is sharpest in."""

    rgb: Pixels
    focus: Plane
    """Fractional frame number (H, W), NaN where unknown."""
    response_width: Plane
    """σ of the focus response in frames (h, w) at half size, NaN where unknown."""


def levels_for(size_px: tuple[int, int]) -> int:
    """How many bands: down to about 24 px on the short side, at most seven."""
    levels = 0
    while min(size_px) >> (levels + 1) >= _COARSEST_PX and levels < _MOST_LEVELS:
        levels += 1
    return levels


def halved(size: tuple[int, ...]) -> tuple[int, int]:
    """Size of the next coarser level."""
    return (size[0] + 1) // 2, (size[1] + 1) // 2


class _Sums:
    """Running weighted sums of one level, chroma included where the level has it."""

    def __init__(self, size: tuple[int, int], *, chroma: bool, rest: bool) -> None:
        self.luma = np.zeros(size, np.float32)
        self.weight = np.zeros(size if rest else halved(size), np.float32)
        self.blue = np.zeros(size, np.float32) if chroma else _NONE
        self.red = np.zeros(size, np.float32) if chroma else _NONE


class Merger:
    """Takes the frames of one stack in shooting order and gives the view at the end."""

    def __init__(self, size_px: tuple[int, int], count: int, *, chroma_halved: bool = False) -> None:
        """`size_px` (height, width) of frames and view; `count` frames will be added.

        chroma_halved: the files keep colour at half size (JPEG 4:2:0), so nothing is lost by merging it so.
        """
        self._size = size_px
        self._count = count
        self._levels = levels_for(size_px)
        self._halved = chroma_halved and self._levels > 0
        self._pool = ThreadPoolExecutor(os.cpu_count())
        self._in_bands = partial(in_bands, pool=self._pool)
        self._focus = FocusTracker(halved(size_px), self._in_bands)
        self._only: Pixels | None = None
        self._dtype: np.dtype[Any] = np.dtype(np.uint8)
        self._sums = self._empty_sums()
        colour = halved(size_px) if self._halved else size_px
        self._moved = tuple(np.empty(size, np.uint16) for size in (size_px, colour, colour))
        # buffers are kept from frame to frame: fresh memory costs as much as the work done in it
        self._coarser = [self._empty_level(level) for level in range(1, self._levels + 1)]
        self._codes: list[Any] = [None] * 3

    def _empty_sums(self) -> list[_Sums]:
        size: tuple[int, int] = self._size
        sums = []
        for level in range(self._levels + 1):
            sums.append(_Sums(size, chroma=level > 0 or not self._halved, rest=level == self._levels))
            size = halved(size)
        return sums

    def _empty_level(self, level: int) -> tuple[Fixed, Fixed, Fixed, Plane]:
        """Buffers for luma, chroma and passed-on energy of a coarser level."""
        size: tuple[int, int] = self._size
        for _ in range(level):
            size = halved(size)
        luma, blue, red = (np.empty(size, np.uint16) for _ in range(3))
        return luma, blue, red, np.empty(size, np.float32)

    def add(
        self,
        rgb: Pixels,
        to_reference: Similarity,
        brightness: float = 1.0,
        expected: Expected | None = None,
    ) -> None:
        """Add the next frame, (H, W, 3) uint8 or uint16, divided by its `brightness`.

        expected: how well the frame should fit each place of the view, in 255ths of the best, at any size.
        """
        self._dtype = rgb.dtype
        if self._count == 1:
            self._only = rgb.copy()
        full = 255.0 if rgb.dtype == np.uint8 else 65535.0
        gain = float(plane_kernels.FULL) / (full * brightness)
        if self._halved:
            self._move(_halved_planes(rgb, self._codes), to_reference, gain)
        else:
            self._move_in_full(rgb, to_reference, gain)
        self._accumulate(self._moved, to_reference.inverse().matrix(), expected)

    def _move_in_full(self, rgb: Pixels, to_reference: Similarity, gain: float) -> None:
        """Fill the moved planes from a frame whose chroma is kept at full size."""
        still = to_reference == Similarity()
        planes = self._moved if still else tuple(np.empty(self._size, np.uint16) for _ in range(3))

        def take(top: int, bottom: int) -> None:
            codes = cv2.split(rgb[top:bottom])
            plane_kernels.to_planes(*codes, gain, *(plane[top:bottom] for plane in planes))

        self._in_bands(self._size[0], take)
        if not still:
            self._move(planes, to_reference, 1.0)

    def _move(self, planes: Sequence[NDArray[Any]], to_reference: Similarity, gain: float) -> None:
        """Resample a frame's planes onto the reference frame, in fixed point."""
        inverse = to_reference.inverse()
        for number, (source, out) in enumerate(zip(planes, self._moved, strict=True)):
            matrix = (inverse if source.shape == self._size else inverse.resampled(0.5)).matrix()
            offset = 0.0
            if number > 0 and source.dtype == self._dtype and self._halved:
                offset = float(plane_kernels.MIDDLE) - gain * _neutral(source.dtype)
            self._in_bands(out.shape[0], partial(plane_kernels.warp, source, matrix, gain, offset, out))

    def _accumulate(
        self, planes: tuple[Fixed, ...], inverse: NDArray[np.float64], expected: Expected | None
    ) -> None:
        fine, blue, red = planes
        heard = _NONE
        for level in range(self._levels):
            has_colour = level > 0 or not self._halved
            coarse, next_blue, next_red, passed = self._coarser[level]
            cv2.pyrDown(fine, dst=coarse)
            colours: tuple[Fixed, ...] = (_NONE_FIXED,) * 4
            if has_colour:
                cv2.pyrDown(blue, dst=next_blue)
                cv2.pyrDown(red, dst=next_red)
                colours = (blue, next_blue, red, next_red)
                blue, red = next_blue, next_red
            fits = _at_size(_for_finest(expected) if level == 0 else expected, halved(fine.shape))
            self._blend(level, (fine, coarse, *colours), heard, fits, inverse, passed)
            if level == 0:
                self._focus.add(passed)
            fine, heard = coarse, passed
        self._rest((fine, blue, red), heard, _at_size(expected, fine.shape), inverse)

    def _blend(
        self,
        level: int,
        planes: tuple[Fixed, ...],
        heard: Plane,
        expected: Expected,
        inverse: NDArray[np.float64],
        passed: Plane,
    ) -> None:
        sums = self._sums[level]
        add = partial(
            kernels.blend_level,
            *planes,
            heard,
            _FROM_FINER,
            expected,
            inverse,
            float(2**level),
            self._size,
            sums.luma,
            sums.weight,
            sums.blue,
            sums.red,
            passed,
        )
        self._in_bands(planes[0].shape[0], add)

    def _rest(
        self, planes: tuple[Fixed, ...], heard: Plane, expected: Expected, inverse: NDArray[np.float64]
    ) -> None:
        """Add the coarsest residue."""
        sums = self._sums[self._levels]
        energy = heard if heard.size else np.zeros(planes[0].shape, np.float32)
        if not heard.size:
            self._focus.add(np.zeros(halved(self._size), np.float32))
        cell = float(2**self._levels)
        out = (sums.luma, sums.weight, sums.blue, sums.red)
        kernels.blend_rest(*planes, energy, expected, inverse, cell, self._size, *out)

    def finish(self) -> View:
        """The merged view, in the dtype of the frames."""
        focus, width = self._focus.finish(self._size)
        # the largest buffers go before the view is put together
        del self._focus, self._moved, self._coarser, self._codes
        if self._only is not None:
            rgb: Pixels = self._only
        else:
            rgb = self._stored(*self._collapsed())
        self._pool.shutdown()
        return View(rgb, focus, width)

    def _collapsed(self) -> tuple[Plane, Plane, Plane]:
        """The weighted means of all bands, put together again from the coarsest up."""
        for sums in self._sums:
            for plane in (sums.luma, sums.blue, sums.red):
                if plane.size:
                    self._in_bands(plane.shape[0], partial(kernels.divide, plane, sums.weight))
        for coarse, fine in zip(self._sums[:0:-1], self._sums[-2::-1], strict=True):
            pairs = ((coarse.luma, fine.luma), (coarse.blue, fine.blue), (coarse.red, fine.red))
            for below, above in pairs:
                if above.size:
                    self._in_bands(above.shape[0], partial(kernels.expand_add, below, above))
        colour = self._sums[1 if self._halved else 0]
        return self._sums[0].luma, colour.blue, colour.red

    def _stored(self, luma: Plane, blue: Plane, red: Plane) -> Pixels:
        out = np.empty((*self._size, 3), self._dtype)
        scale = (255.0 if self._dtype == np.uint8 else 65535.0) / float(plane_kernels.FULL)
        self._in_bands(self._size[0], partial(plane_kernels.to_rgb, luma, blue, red, scale, out))
        return out


def _for_finest(expected: Expected | None) -> Expected | None:
    """What is expected of the finest band, where no frame is held to be worth less than a quarter.

    Fine detail cannot come from where it does not belong, and what is known of depth is coarser than it.
    """
    return (
        None
        if expected is None
        else np.asarray(cv2.convertScaleAbs(expected, None, 1 / 1.3, 0.3 * 255 / 1.3))
    )


def _at_size(expected: Expected | None, size: tuple[int, ...]) -> Expected:
    """What is expected, for a plane of `size` (h, w); without rows if nothing is."""
    if expected is None or not expected.size:
        return _NO_EXPECTED
    if expected.shape == size[:2]:
        return expected
    how = cv2.INTER_AREA if expected.shape[0] >= size[0] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(expected, (size[1], size[0]), interpolation=how), np.uint8)


def _neutral(dtype: np.dtype[Any]) -> float:
    """The code of neutral chroma in OpenCV's luma and chroma pictures."""
    return 128.0 if dtype == np.uint8 else 32768.0


def _halved_planes(rgb: Pixels, kept: list[Any]) -> tuple[NDArray[Any], ...]:
    """Luma of a frame, and the chroma of its 2 x 2 means, as codes (Rec. ITU-R BT.601 by OpenCV).

    kept: three buffers from the last call (None at first), replaced by those of this one.
    """
    odd = (rgb.shape[0] % 2, rgb.shape[1] % 2)
    even: Any = cv2.copyMakeBorder(rgb, 0, odd[0], 0, odd[1], cv2.BORDER_REPLICATE) if any(odd) else rgb
    size = (even.shape[1] // 2, even.shape[0] // 2)
    kept[0] = cv2.resize(even, size, dst=kept[0], interpolation=cv2.INTER_AREA)
    kept[1] = cv2.cvtColor(kept[0], cv2.COLOR_RGB2YCrCb, dst=kept[1])
    kept[2] = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY, dst=kept[2])
    _, red, blue = cv2.split(kept[1])
    return kept[2], np.asarray(blue), np.asarray(red)
