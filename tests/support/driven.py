"""Stacks of a tilted plane, from a photograph: known movement from frame to frame, focus that travels.

The plane is nearest at one side, so the band that is sharp walks across the picture. SciPy's splines move the
photograph, by scikit-image's transforms.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from support.textures import SIZE_PX, about_centre, texture

_SIGMAS_PX = (0.0, 0.5, 1.0, 1.6, 2.5, 4.0, 6.0)


@dataclass(frozen=True)
class Drive:
    """How each frame differs from the one before; jitter is new for every frame."""

    ln_scale: float = 0.0
    roll_deg: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)
    jitter_px: float = 0.0
    jitter_deg: float = 0.0


def places(drive, count, rng, size_px=SIZE_PX):
    """Where every frame has moved the picture to (px of the middle frame → px of the frame)."""
    found = []
    for k in range(count):
        away = k - count / 2
        jitter = rng.normal(0, 1, 3) * (drive.jitter_px, drive.jitter_px, drive.jitter_deg)
        found.append(
            about_centre(
                size_px,
                math.exp(drive.ln_scale * away),
                drive.roll_deg * away + jitter[2],
                np.array(drive.shift_px) * away + jitter[:2],
            )
        )
    return found


def moved(name, transforms, size_px=SIZE_PX):
    """The middle of a photograph, moved by each transform, (h, w) float32."""
    plane = texture(name)
    spline = ndimage.spline_filter(plane, 3, mode="mirror")
    corner = np.array([plane.shape[0] - size_px[0], plane.shape[1] - size_px[1]]) / 2
    for transform in transforms:
        back = transform.inverse.params
        yield ndimage.affine_transform(
            spline,
            back[1::-1, 1::-1],
            offset=back[1::-1, 2] + corner,
            output_shape=size_px,
            order=3,
            mode="mirror",
            prefilter=False,
        ).astype(np.float32)


def defocused(picture, sharp_x, px_per_blur):
    """Sharp at column `sharp_x`, elsewhere blurred by a Gaussian of |x - sharp_x| / px_per_blur px."""
    sigma = np.abs(np.arange(picture.shape[1]) - sharp_x) / px_per_blur
    levels = [picture, *(cv2.GaussianBlur(picture, (0, 0), s) for s in _SIGMAS_PX[1:])]
    at = np.interp(sigma, _SIGMAS_PX, np.arange(len(levels)))
    weights = [np.clip(1 - np.abs(at - k), 0, 1) for k in range(len(levels))]
    return sum(w * level for w, level in zip(weights, levels, strict=True)).astype(np.float32)


def stack(name, transforms, rng, noise=0.004, size_px=SIZE_PX):
    """Frames of the tilted plane as 8-bit values in [0, 1]; focus walks from the left edge to the right."""
    count = len(transforms)
    for k, picture in enumerate(moved(name, transforms, size_px)):
        frame = defocused(picture, k * (size_px[1] - 1) / max(1, count - 1), size_px[1] / 8)
        noisy = frame + rng.normal(0, noise, size_px)
        yield (np.clip(np.rint(noisy * 255), 0, 255) / 255).astype(np.float32)
