"""Real pairs with measured disparity, from other people: one form for all."""

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

REAL = Path(__file__).parents[1] / "data" / "real"


@dataclass(frozen=True)
class MeasuredPair:
    """Rectified pictures (H, W, 3) uint8 with x_left − x_right (px), filled where nobody could measure it."""

    name: str
    left: np.ndarray
    right: np.ndarray
    disparity_left_px: np.ndarray
    disparity_right_px: np.ndarray
    known_left: np.ndarray

    def mirrored(self):
        """The scene in a mirror: what the left eye saw is what the right one sees now."""

        def flip(array):
            return np.ascontiguousarray(array[:, ::-1])

        return replace(
            self,
            name=f"{self.name}-mirrored",
            left=flip(self.right),
            right=flip(self.left),
            disparity_left_px=flip(self.disparity_right_px),
            disparity_right_px=flip(self.disparity_left_px),
            known_left=flip(self.disparity_right_px > 0),
        )


def read(path):
    """Pixels of a picture file."""
    with Image.open(path) as picture:
        return np.asarray(picture)


def fill(disparity_px, known):
    """Give unknown pixels the farther of their two neighbours in the row (what is hidden is behind)."""
    columns = np.arange(known.shape[1])
    before = np.maximum.accumulate(np.where(known, columns, -1), axis=1)
    after = np.minimum.accumulate(np.where(known, columns, known.shape[1])[:, ::-1], axis=1)[:, ::-1]
    padded = np.pad(np.where(known, disparity_px, np.inf), ((0, 0), (1, 1)), constant_values=np.inf)
    rows = np.arange(known.shape[0])[:, None]
    filled = np.minimum(padded[rows, before + 1], padded[rows, after + 1])
    # rows without any measurement, and lone wrong pixels
    filled[~np.isfinite(filled)] = np.min(disparity_px[known])
    return cv2.medianBlur(filled.astype(np.float32), 3)


def seen_from_right(disparity_left_px):
    """Disparity of the right eye: every pixel moved by its own, the nearest wins, what is left is filled.

    A pixel lands on both its neighbours, so that a surface that the right eye sees wider has no cracks.
    """
    height, width = disparity_left_px.shape
    rows, columns = np.mgrid[0:height, 0:width]
    seen = np.full((height, width), -np.inf, dtype=np.float32)
    for landing in (np.floor, np.ceil):
        target = landing(columns - disparity_left_px).astype(int)
        inside = (target >= 0) & (target < width)
        np.maximum.at(seen, (rows[inside], target[inside]), disparity_left_px[inside])
    return fill(seen, np.isfinite(seen))


@cache
def cones():
    """Cones, 450 x 375; tests/data/real/cones/SOURCE.txt."""
    folder = REAL / "cones"
    left, right = (
        read(folder / f"disparity_{eye}_quarters.png") / np.float32(4) for eye in ("left", "right")
    )
    pictures = read(folder / "left.png"), read(folder / "right.png")
    return MeasuredPair("cones", *pictures, fill(left, left > 0), fill(right, right > 0), left > 0)


@cache
def aloe():
    """Aloe, 641 x 555; tests/data/real/aloe/SOURCE.txt."""
    folder = REAL / "aloe"
    halves = read(folder / "disparity_left_halves.png") / np.float32(2)
    filled = fill(halves, halves > 0)
    pictures = read(folder / "left.jpg"), read(folder / "right.jpg")
    return MeasuredPair("aloe", *pictures, filled, seen_from_right(filled), halves > 0)


@cache
def motorcycle():
    """Motorcycle, 741 x 500, from scikit-image (BSD-3-Clause).

    D. Scharstein et al., High-resolution stereo datasets with subpixel-accurate ground truth, GCPR 2014.
    """
    from skimage.data import stereo_motorcycle

    left, right, disparity_px = stereo_motorcycle()
    # unknown is infinite there, though the documentation says NaN; nothing real is below one pixel
    known = np.isfinite(disparity_px) & (disparity_px > 1)
    filled = fill(np.where(known, disparity_px, 0).astype(np.float32), known)
    return MeasuredPair("motorcycle", left, right, filled, seen_from_right(filled), known)
