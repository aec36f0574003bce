"""Merging a registered stack into one all-in-focus view, frame by frame, in bounded memory.

Each frame is split into bands of detail (Laplacian pyramid: Burt & Adelson, IEEE Trans. Comm. 31(4), 1983).
The textbook keeps the largest coefficient of each band. Here each coefficient is a mean over the frames,
weighted by the fourth power of its local luma energy, and three things differ from the textbook:

* the energy is pooled over 5 x 5 samples and shared by the three colours: no speckle, no false colours;
* a coarser band hears what the finer band decided (its energy is added, twice over): defocus spreads
  strong edges into coarse bands far beyond where they belong, but never into fine ones;
* the coarsest residue follows the same decision instead of being averaged over all frames.

Where frames are equally (un)sharp the mean lowers noise instead of picking its peaks. Sums over frames need
only one accumulator, so memory does not depend on their number.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Pixels, Plane
from nearpair.views.focus import FocusTracker
from nearpair.views.kernels import blend, luma_energy

_WINDOW = 5
_FROM_FINER = 2.0
_COARSEST_PX = 24
_MOST_LEVELS = 7
_ROWS_PER_BAND = 256


@dataclass(frozen=True, slots=True)
class View:
    """An all-in-focus picture and which frame each of its pixels is sharpest in."""

    rgb: Pixels
    focus: Plane
    """Fractional frame number (H, W), NaN where unknown."""
    response_width: Plane
    """σ of the focus response in frames (h, w) at half size, NaN where unknown."""


def in_bands(rows: int, work: Callable[[int, int], None]) -> None:
    """Run `work(top, bottom)` over bands of rows on all cores; bands do not depend on the number of cores."""
    tops = range(0, rows, _ROWS_PER_BAND)
    if len(tops) == 1:
        work(0, rows)
        return
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for done in [pool.submit(work, top, min(rows, top + _ROWS_PER_BAND)) for top in tops]:
            done.result()


def levels_for(size_px: tuple[int, int]) -> int:
    """How many bands: down to about 24 px on the short side, at most seven."""
    levels = 0
    while min(size_px) >> (levels + 1) >= _COARSEST_PX and levels < _MOST_LEVELS:
        levels += 1
    return levels


class Merger:
    """Takes the frames of one stack in shooting order and gives the view at the end."""

    def __init__(self, size_px: tuple[int, int], count: int) -> None:
        """`size_px` (height, width) of frames and view; `count` frames will be added."""
        self._size = size_px
        self._count = count
        self._levels = levels_for(size_px)
        self._totals: list[Plane] = []
        self._weights: list[Plane] = []
        self._focus = FocusTracker(size_px)
        self._only: Pixels | None = None
        self._dtype: np.dtype[Any] = np.dtype(np.uint8)
        self._added = 0

    def add(self, rgb: Pixels, to_reference: Similarity, brightness: float = 1.0) -> None:
        """Add the next frame, (H, W, 3) uint8 or uint16, divided by its `brightness`."""
        self._dtype = rgb.dtype
        if self._count == 1:
            self._only = rgb.copy()
        warped = _warped(rgb, to_reference, brightness)
        self._accumulate(warped, to_reference.inverse().matrix())
        self._added += 1

    def _accumulate(self, picture: Plane, inverse: NDArray[np.float64]) -> None:
        carried: Plane | None = None
        for level in range(self._levels + 1):
            band, smaller = _split(picture) if level < self._levels else (picture, picture)
            energy = carried if level == self._levels and carried is not None else _energy(band, carried)
            if level == 0:
                self._focus.add(energy)
            self._blend(level, band, energy, inverse)
            carried = np.asarray(cv2.pyrDown(energy), np.float32) if level < self._levels else energy
            picture = smaller

    def _blend(self, level: int, band: Plane, energy: Plane, inverse: NDArray[np.float64]) -> None:
        if len(self._totals) == level:
            self._totals.append(np.zeros_like(band))
            self._weights.append(np.zeros(band.shape[:2], np.float32))
        add = partial(
            blend,
            band,
            energy,
            inverse,
            float(2**level),
            self._size,
            self._totals[level],
            self._weights[level],
        )
        in_bands(band.shape[0], add)

    def finish(self) -> View:
        """The merged view, in the dtype of the frames."""
        focus, width = self._focus.finish()
        if self._only is not None:
            return View(self._only, focus, width)
        return View(_stored(self._collapsed(), self._dtype), focus, width)

    def _collapsed(self) -> Plane:
        """The weighted means of all bands, put together again from the coarsest up."""
        if not self._totals:
            message = "no frame was added"
            raise ValueError(message)
        for total, weight in zip(self._totals, self._weights, strict=True):
            np.divide(total, weight[..., None], out=total)
        picture = self._totals[-1]
        for total in reversed(self._totals[:-1]):
            cv2.add(total, cv2.pyrUp(picture, dstsize=total.shape[1::-1]), dst=total)
            picture = total
        return picture


def _warped(rgb: Pixels, to_reference: Similarity, brightness: float) -> Plane:
    """The frame in the reference's coordinates, float32 in [0, 1]."""
    height, width = rgb.shape[:2]
    full = 255.0 if rgb.dtype == np.uint8 else 65535.0
    moved: Any = rgb
    if to_reference != Similarity():
        moved = cv2.warpAffine(
            rgb,
            to_reference.matrix(),
            (width, height),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REFLECT_101,
        )
    scaled: Plane = np.multiply(moved, np.float32(1.0 / (full * brightness)), dtype=np.float32)
    return scaled


def _split(picture: Plane) -> tuple[Plane, Plane]:
    """One level of the pyramid: (detail, picture of half the size)."""
    smaller = np.asarray(cv2.pyrDown(picture), np.float32)
    detail = cv2.subtract(picture, cv2.pyrUp(smaller, dstsize=picture.shape[1::-1]))
    return np.asarray(detail, np.float32), smaller


def _energy(band: Plane, finer: Plane | None) -> Plane:
    raw = np.empty(band.shape[:2], np.float32)
    in_bands(band.shape[0], partial(luma_energy, band, raw))
    pooled = np.asarray(cv2.blur(raw, (_WINDOW, _WINDOW)), np.float32)
    return pooled if finer is None else pooled + np.float32(_FROM_FINER) * finer


def _stored(picture: Plane, dtype: np.dtype[Any]) -> Pixels:
    full = 255.0 if dtype == np.uint8 else 65535.0
    np.multiply(picture, full, out=picture)
    np.rint(picture, out=picture)
    np.clip(picture, 0, full, out=picture)
    stored: Pixels = picture.astype(dtype)
    return stored
