"""Comparing the finished pair point by point: what is left of vertical parallax, and what moved."""

import numpy as np
from numpy.typing import NDArray

from nearpair.frames.read import Pixels
from nearpair.pairs.matches import Matches, match
from nearpair.pairs.onrows import WRONG_PX
from nearpair.pixels.luma import Plane, luma, reduced
from nearpair.proof.localshifts import local_shifts
from nearpair.proof.model import Residual
from nearpair.proof.model_capture import LocalShifts
from nearpair.shoot.surveying import match_factor

_FEWEST = 16


def compared(
    left: Pixels, right: Pixels, focus: Plane, crop_px: tuple[int, int, int, int]
) -> tuple[Residual, LocalShifts | None]:
    """Match the mounted pair anew. focus (H, W): the left view's focus map, before it was cropped."""
    size = (left.shape[0], left.shape[1])
    factor = match_factor(size)
    found = match(reduced(luma(left), factor), reduced(luma(right), factor))
    residual = _residual(found, factor)
    if residual.rms is None:
        return residual, None
    points, apart = found.first * factor, (found.second - found.first) * factor
    frame = _at(focus, points + np.array(crop_px[:2]))
    return residual, local_shifts(points, apart[:, 0], apart[:, 1], frame, size, float(factor))


def _residual(found: Matches, factor: int) -> Residual:
    """Vertical parallax left over, px of the full pictures."""
    dy = found.first[:, 1] - found.second[:, 1]
    dy = dy[np.abs(dy - np.median(dy)) < WRONG_PX] * factor if dy.size else dy
    if dy.size < _FEWEST:
        return Residual(rms=None, p95=None)
    return Residual(rms=float(np.sqrt(np.mean(dy**2))), p95=float(np.percentile(np.abs(dy), 95)))


def _at(plane: Plane, points: NDArray[np.float64]) -> NDArray[np.float64]:
    columns, rows = np.rint(points).astype(np.int64).T
    rows, columns = rows.clip(0, plane.shape[0] - 1), columns.clip(0, plane.shape[1] - 1)
    return np.asarray(plane[rows, columns], np.float64)
