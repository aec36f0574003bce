"""How sharp a picture is, place by place: the energy of its finest detail."""

import cv2
import numpy as np

from nearpair.pixels.luma import Plane, band


def detail_energy(
    plane: Plane,
    fine_px: float = 0.7,
    coarse_px: float = 2.0,
    window_px: float = 2.0,
    out: Plane | None = None,
    spare: Plane | None = None,
) -> Plane:
    """Local energy of the band between two blur sizes, for an (H, W) luma in [0, 1]; shape (H, W).

    A band-pass (Laplacian-like) focus measure: Pertuz, Puig & Garcia, Pattern Recognition 46(5), 2013,
    compare 36 of them; `fine_px` keeps single-pixel noise out.
    out, spare: arrays like `plane`, for the result and to work in.
    """
    detail = band(plane, fine_px, coarse_px, spare, out)
    return np.asarray(cv2.GaussianBlur(np.square(detail, out=detail), (0, 0), window_px, dst=out))
