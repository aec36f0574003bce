"""Pictures moved by a plane transform."""

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]


def moved(picture: NDArray[Any], matrix: F64, size_px: tuple[int, int], flags: int, border: int) -> Any:
    """A picture laid where `matrix` (3, 3) sends it, (H, W, ...) with size_px = (height, width).

    matrix: px of the picture → px of the result; flags and border are OpenCV's. A transform without
    keystone takes the affine path, which is faster and the same.
    """
    out = (size_px[1], size_px[0])
    if matrix[2, 0] == 0.0 and matrix[2, 1] == 0.0:
        return cv2.warpAffine(picture, matrix[:2] / matrix[2, 2], out, flags=flags, borderMode=border)
    return cv2.warpPerspective(picture, matrix, out, flags=flags, borderMode=border)
