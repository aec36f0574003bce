"""Textured pictures that scikit-image carries, and frames cut from them as a moved camera would see them.

The truth of every movement is scikit-image's own `SimilarityTransform`, and its `warp` moves the pictures.
"""

from functools import cache

import cv2
import numpy as np
from skimage import data
from skimage.transform import SimilarityTransform, warp

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import luma

NAMES = ("gravel", "brick", "grass", "chelsea", "coffee", "astronaut", "camera", "rocket", "moon")
SIZE_PX = (240, 320)


def photograph(name):
    """An (H, W, 3) RGB uint8 photograph of scikit-image."""
    picture = getattr(data, name)()
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, axis=2)
    return np.ascontiguousarray(picture[..., :3])


@cache
def texture(name):
    """Luma of a photograph, softened as a lens softens: single-pixel detail cannot be moved by a fraction."""
    plane = cv2.GaussianBlur(luma(photograph(name)), (0, 0), 0.8)
    plane.setflags(write=False)
    return plane


def centre_of(size_px):
    """(x, y) of the middle of a picture."""
    return (size_px[1] - 1) / 2, (size_px[0] - 1) / 2


def about_centre(size_px, scale=1.0, roll_deg=0.0, shift_px=(0.0, 0.0)):
    """scikit-image's similarity that scales and rolls about the middle, then shifts."""
    middle = np.array(centre_of(size_px))
    turned = SimilarityTransform(scale=scale, rotation=np.radians(roll_deg))
    there = SimilarityTransform(translation=-middle) + turned
    return there + SimilarityTransform(translation=middle + np.array(shift_px))


def cut(plane, moved=None, size_px=SIZE_PX):
    """The middle of a picture after scikit-image moved its content (`moved`: fixed px → moved px)."""
    corner = [(plane.shape[1] - size_px[1]) / 2, (plane.shape[0] - size_px[0]) / 2]
    back = SimilarityTransform() if moved is None else moved.inverse
    source = back + SimilarityTransform(translation=corner)
    return warp(plane, source, order=5, mode="symmetric", output_shape=size_px).astype(np.float32)


def rms_px(found, expected, size_px=SIZE_PX):
    """Root mean square distance of two maps over a grid that fills the picture.

    found: this project's transform or scikit-image's; expected: scikit-image's.
    """
    height, width = size_px
    across, down = np.meshgrid(np.linspace(0, width - 1, 9), np.linspace(0, height - 1, 9))
    grid = np.stack([across.ravel(), down.ravel()], axis=1)
    there = found.apply(grid) if isinstance(found, Similarity) else found(grid)
    return float(np.sqrt(np.mean(np.sum((there - expected(grid)) ** 2, axis=1))))
