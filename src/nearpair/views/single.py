"""What depth of field cost a plain photograph: the share of its structure that is not sharp."""

import cv2
import numpy as np

from nearpair.pixels.luma import Plane, band

_BLOCK_PX = 16
_TEXTURE = 2.0e-5
# Energy of the finest band over that of the next coarser one. A step edge gives 0.25 when sharp to the pixel
# and 0.06 behind a Gaussian blur of σ = 2 px (computed with the bands below).
_SHARP_RATIO = 0.06


def unsharp_fraction(luma: Plane) -> float | None:
    """Share of the textured blocks of an (H, W) luma that are blurred by more than about two px.

    None when the picture has no texture to tell by.
    """
    fine, coarse = band(luma, 0.7, 2.0), band(luma, 2.0, 6.0)
    size = (max(1, luma.shape[1] // _BLOCK_PX), max(1, luma.shape[0] // _BLOCK_PX))
    fine_energy = cv2.resize(fine * fine, size, interpolation=cv2.INTER_AREA)
    coarse_energy = cv2.resize(coarse * coarse, size, interpolation=cv2.INTER_AREA)
    textured = coarse_energy > _TEXTURE
    if textured.mean() < 0.01:
        return None
    # over 3 x 3 blocks: the coarse band of a sharp edge reaches into blocks where its fine band does not
    ratio = cv2.blur(fine_energy, (3, 3))[textured] / cv2.blur(coarse_energy, (3, 3))[textured]
    return float(np.mean(ratio < _SHARP_RATIO))
