"""Luma and bands of pictures: what registration, sharpness and matching look at.

Everything here works on encoded (not linear) values: encoded steps are closer to equal visibility and
noise is closer to uniform (Rec. ITU-R BT.601 luma weights, also used by JPEG/JFIF).
"""

from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8] | NDArray[np.uint16]
Plane = NDArray[np.float32]
P = TypeVar("P", bound=NDArray[Any])


def luma(rgb: Pixels) -> Plane:
    """BT.601 luma of an (H, W, 3) RGB picture, float32 in [0, 1], shape (H, W)."""
    full = 255.0 if rgb.dtype == np.uint8 else 65535.0
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    values = grey.astype(np.float32)
    values *= np.float32(1.0 / full)
    return values


def reduced(plane: P, factor: int) -> P:
    """Average factor x factor blocks of an (H, W, ...) array; rows and columns left over are dropped."""
    if factor == 1:
        return plane
    height, width = plane.shape[0] // factor, plane.shape[1] // factor
    whole: Any = plane[: height * factor, : width * factor]
    small: Any = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    return small  # type: ignore[no-any-return]


def band(
    plane: Plane, fine_px: float, coarse_px: float, out: Plane | None = None, spare: Plane | None = None
) -> Plane:
    """Difference of Gaussians (standard deviations in px): detail between two sizes, no brightness.

    out, spare: arrays like `plane`, for the result and to work in.
    """
    fine: Any = cv2.GaussianBlur(plane, (0, 0), fine_px, dst=spare) if fine_px > 0 else plane
    coarse: Any = cv2.GaussianBlur(plane, (0, 0), coarse_px, dst=out)
    return np.asarray(np.subtract(fine, coarse, out=coarse), np.float32)
