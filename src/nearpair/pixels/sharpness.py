"""How sharp a picture is, place by place: the energy of its finest detail."""

import cv2
import numpy as np

from nearpair.pixels.luma import Plane, band


def finest_detail(plane: Plane, out: Plane | None = None, spare: Plane | None = None) -> Plane:
    """The finest detail of an (H, W) luma that is no single-pixel noise: the band from 0.7 to 2 px.

    out, spare: arrays like `plane`, for the result and to work in.
    """
    return band(plane, 0.7, 2.0, out, spare)


def pooled(detail: Plane, window_px: float = 2.0) -> Plane:
    """The local energy of a detail (H, W), which is overwritten by it."""
    return np.asarray(cv2.GaussianBlur(np.square(detail, out=detail), (0, 0), window_px, dst=detail))


def detail_energy(plane: Plane) -> Plane:
    """Local energy of the finest detail of an (H, W) luma in [0, 1]; shape (H, W).

    A band-pass (Laplacian-like) focus measure: Pertuz, Puig & Garcia, Pattern Recognition 46(5), 2013,
    compare 36 of them.
    """
    return pooled(finest_detail(plane))
