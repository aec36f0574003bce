"""How like a merged view is to what it should show: PSNR and SSIM in parts of it, and Q_AB/F without a truth.

* SSIM: Z. Wang, A. C. Bovik, H. R. Sheikh and E. P. Simoncelli, IEEE Trans. Image Processing 13(4), 2004,
  600-612: 11 x 11 Gaussian window of sigma 1.5, K1 = .01, K2 = .03, on luma in 0 to 255.
* Q_AB/F: C. S. Xydeas and V. Petrovic, "Objective image fusion performance measure", Electronics Letters
  36(4), 2000, 308-309. Of the two sets of constants in use, the first: gamma .9994, kappa -15, sigma .5 for
  edge strength; .9879, -22, .8 for orientation; weights are the edge strength itself (L = 1).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.metrics import structural_similarity

from benchmarks.judge import Mask, Plane, inner, matched
from benchmarks.textbook import luma

Picture = NDArray[np.uint8]

JUMP_STEPS = 2.0
NEAR_PX = 12.0
_STRENGTH = (0.9994, -15.0, 0.5)
_ORIENTATION = (0.9879, -22.0, 0.8)


@dataclass(frozen=True)
class Likeness:
    """PSNR (dB) and mean SSIM of a view: all of it, near depth jumps, elsewhere (NaN where there is none)."""

    psnr_db: tuple[float, float, float]
    ssim: tuple[float, float, float]


def near_jumps(depth_mm: Plane, step_mm: float, size: tuple[int, int]) -> Mask:
    """Return the pixels of a picture of `size` (height, width) within 12 px of a depth jump.

    `depth_mm`: in half resolution, (row j, column i) at (2i + 0.5, 2j + 0.5) px. A jump is where the depth
    differs by more than two focus steps from that of any of the eight neighbours, 2 px away (or 2.8).
    """
    lowest: Any = cv2.erode(depth_mm, np.ones((3, 3), dtype=np.uint8))
    highest: Any = cv2.dilate(depth_mm, np.ones((3, 3), dtype=np.uint8))
    jump = np.maximum(highest - depth_mm, depth_mm - lowest) > JUMP_STEPS * step_mm
    full = np.repeat(np.repeat(jump, 2, axis=0), 2, axis=1)[: size[0], : size[1]]
    if not full.any():
        return np.zeros(size, dtype=np.bool_)
    distance_px = cv2.distanceTransform((~full).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.asarray(distance_px) <= NEAR_PX


def likeness(picture: Picture, truth: Picture, near: Mask) -> Likeness:
    """Compare a view with the sharp picture, near depth jumps and elsewhere; the border is left out."""
    seen, sharp, close = inner(picture), inner(truth), inner(near)
    fitted = matched(seen, sharp)
    error = ((fitted - sharp) ** 2).mean(axis=2)
    similar = ssim_map(_grey(fitted), _grey(sharp))
    parts = np.ones_like(close), close, ~close
    psnr = tuple(_db(error[part]) for part in parts)
    ssim = tuple(float(similar[part].mean()) if part.any() else float("nan") for part in parts)
    return Likeness((psnr[0], psnr[1], psnr[2]), (ssim[0], ssim[1], ssim[2]))


def ssim_map(first: Plane, second: Plane) -> Plane:
    """Return the SSIM at every pixel of two planes in 0 to 255."""
    _, similar = structural_similarity(
        first,
        second,
        data_range=255,
        gaussian_weights=True,
        sigma=1.5,
        use_sample_covariance=False,
        full=True,
    )
    return np.asarray(similar, dtype=np.float64)


def edges_kept(source: Plane, merged: Plane) -> tuple[Plane, Plane]:
    """Return at every pixel how well an edge of `source` is kept in `merged` (Q_AF), and its weight (g_A)."""
    strength, angle = _edges(source)
    kept_strength, kept_angle = _edges(merged)
    larger = np.maximum(strength, kept_strength)
    ratio = np.divide(np.minimum(strength, kept_strength), larger, out=np.ones_like(larger), where=larger > 0)
    # as printed: angles of opposite direction are the same edge
    along = np.abs(np.abs(angle - kept_angle) - np.pi / 2) / (np.pi / 2)
    return _sigmoid(ratio, *_STRENGTH) * _sigmoid(along, *_ORIENTATION), strength


def edges_kept_of_all(sources: Iterable[Picture], merged: Picture) -> float:
    """Return Q_AB/F for any number of inputs: mean of Q over pixels and inputs, weighted by edge strength."""
    view = _grey(inner(merged))
    sums = np.zeros(2)
    for source in sources:
        kept, weight = edges_kept(_grey(inner(source)), view)
        sums += (kept * weight).sum(), weight.sum()
    return float(sums[0] / sums[1])


def _edges(plane: Plane) -> tuple[Plane, Plane]:
    across, down = (np.asarray(cv2.Sobel(plane, cv2.CV_64F, *order, ksize=3)) for order in ((1, 0), (0, 1)))
    with np.errstate(divide="ignore", invalid="ignore"):
        angle = np.where(across == 0, np.pi / 2 * (down != 0), np.arctan(down / across))
    return np.hypot(across, down), angle


def _sigmoid(value: Plane, gamma: float, kappa: float, sigma: float) -> Plane:
    return np.asarray(gamma / (1 + np.exp(kappa * (value - sigma))))


def _grey(picture: NDArray[Any]) -> Plane:
    return luma(picture.astype(np.float32)).astype(np.float64)


def _db(square_error: Plane) -> float:
    """Return the PSNR of squared errors in 8-bit units (20 log10(255) - 10 log10(mean))."""
    if square_error.size == 0:
        return float("nan")
    return float(20 * np.log10(255) - 10 * np.log10(max(float(square_error.mean()), 1e-12)))
