"""Does a stack's change of size depend on depth? It does on a rail, it does not with a focus ring.

On a rail the camera moves by δ a frame. Seen k frames apart, things whose plane of focus is frame m change
size by δ·k/u·(1 − (m − mid)·δ/u): a slope against m of κ²·k with κ = δ/u, always of one sign. With the ring
the entrance pupil stays and the slope is 0. Small tiles of two keyframes are compared after taking out their
common similarity; what is left is fitted by a radial shift proportional to the tile's focus index.

Defocus and uneven tiles bias the slope of real stacks by some 1e-5 per frame (measured on ray-traced ring
and rail stacks and on a real ring stack), so weak slopes decide nothing; `log_odds_rail` says how much.
"""

import math
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Plane, band

_TILE_PX = 32
_APART = 6
_BIAS_PER_FRAME = 1.0e-5
_FEWEST_TILES = 12
_MOST_PAIRS = 6
# a tile must lie at one depth, have texture in both directions, and have moved little
_ALIKE, _TEXTURE, _FARTHEST_PX = 0.7, 3e-3, 3.0


@dataclass(frozen=True, slots=True)
class Dilation:
    """Measured slope of size change against focus index (per frame), and what a rail would give."""

    slope: float
    sigma: float
    slope_if_rail: float
    tiles: int

    @property
    def log_odds_rail(self) -> float:
        """Natural log odds rail : ring, from normal errors, capped at ±6."""
        gain = self.slope**2 - (self.slope - self.slope_if_rail) ** 2
        return float(np.clip(gain / (2 * self.sigma**2), -6.0, 6.0))


def dilation(
    keyframes: Sequence[tuple[int, Plane]],
    to_first: Sequence[Similarity],
    index: Plane,
    index_reduction: int,
) -> Dilation | None:
    """Compare keyframes (number, half-size luma); `to_first` maps small px of frame i to frame 0.

    index: sharpest frame per block of `index_reduction` small px. None when the stack is too short or flat.
    """
    if len(keyframes) < 5:
        return None
    apart = max(2, min(_APART, len(keyframes) // 3))
    pairs = list(zip(keyframes, keyframes[apart:], strict=False))
    compare = partial(_compared, to_first, index, index_reduction)
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        found = [each for each in pool.map(compare, pairs[:: -(-len(pairs) // _MOST_PAIRS)]) if each]
    if not found:
        return None
    slopes, sigmas, tiles, gaps = zip(*found, strict=True)
    weights = [1 / (sigma**2 + 1e-12) for sigma in sigmas]
    gap = float(np.mean(gaps))
    per_frame = math.log(to_first[-1].scale) / max(1, len(to_first) - 1)
    slope = float(np.average(slopes, weights=weights))
    spread = float(np.std(slopes)) / math.sqrt(len(slopes))
    sigma = math.hypot(spread, _BIAS_PER_FRAME * gap)
    return Dilation(slope, sigma, per_frame * per_frame * gap, sum(tiles))


def _compared(
    to_first: Sequence[Similarity],
    index: Plane,
    index_reduction: int,
    pair: tuple[tuple[int, Plane], tuple[int, Plane]],
) -> tuple[float, float, int, int] | None:
    """Slope, its standard error, tiles and frames between of two keyframes; None with too few tiles."""
    (i, first), (j, second) = pair
    between = to_first[j].then(to_first[i].inverse()).resampled(0.5)
    there = _index_at(index, to_first[i], index_reduction, first.shape)
    found = _tile_shifts(_softened(first), _softened(second), between, there)
    if found.shape[0] < _FEWEST_TILES:
        return None
    slope, sigma = _radial_slope(found, (i + j) / 2)
    return slope, sigma, found.shape[0], j - i


def _softened(plane: Plane) -> Plane:
    """A band coarse enough to survive the defocus between keyframes."""
    return np.asarray(cv2.GaussianBlur(band(plane, 0.5, 3.0), (0, 0), 1.5), np.float32)


def _index_at(index: Plane, to_first: Similarity, reduction: int, shape: tuple[int, ...]) -> Plane:
    """The focus index as seen by a frame, at the half size of the keyframes; −99 outside."""
    there = to_first.resampled(1 / reduction).matrix()
    seen = cv2.warpAffine(
        index,
        there,
        index.shape[::-1],
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=-99,
    )
    return np.asarray(cv2.resize(seen, (shape[1], shape[0]), interpolation=cv2.INTER_NEAREST))


def _tile_shifts(first: Plane, second: Plane, between: Similarity, index: Plane) -> NDArray[np.float64]:
    """Rows (focus index, x, y from the centre, shift x, shift y) of the tiles that can be compared.

    The shift v of a tile is the least-squares one of warped(x) = first(x + v) (Lucas & Kanade 1981).
    """
    height, width = first.shape
    warped = np.asarray(
        cv2.warpAffine(second, between.matrix(), (width, height), flags=cv2.INTER_CUBIC), np.float32
    )
    inside = cv2.warpAffine(np.ones_like(second), between.matrix(), (width, height)) > 0.999
    inside = cv2.erode(inside.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    mean = (first + warped) / 2
    tiles = _in_tiles(index)
    middle = np.median(tiles, axis=1)
    same = np.abs(tiles - middle[:, None]) <= 1.5
    weight = same & _in_tiles(inside)
    gx, gy = (_in_tiles(np.asarray(cv2.Scharr(mean, cv2.CV_32F, *axis) / 32)) for axis in ((1, 0), (0, 1)))
    change = _in_tiles(warped - first)
    xx, xy, yy, xt, yt = (
        np.sum(weight * a * b, axis=1, dtype=np.float64)
        for a, b in ((gx, gx), (gx, gy), (gy, gy), (gx, change), (gy, change))
    )
    weaker = (xx + yy) / 2 - np.hypot((xx - yy) / 2, xy)
    determinant = np.maximum(xx * yy - xy * xy, 1e-12)
    shift = np.stack([yy * xt - xy * yt, xx * yt - xy * xt], axis=1) / determinant[:, None]
    good = (middle >= 0) & (same.mean(axis=1) >= _ALIKE) & (weaker >= _TEXTURE)
    good &= np.max(np.abs(shift), axis=1) < _FARTHEST_PX
    return np.asarray(np.column_stack([middle, _tile_centres(height, width), shift])[good], np.float64)


def _in_tiles(plane: NDArray[Any]) -> NDArray[Any]:
    """Whole tiles of a picture, one a row."""
    rows, columns = plane.shape[0] // _TILE_PX, plane.shape[1] // _TILE_PX
    whole = plane[: rows * _TILE_PX, : columns * _TILE_PX]
    return whole.reshape(rows, _TILE_PX, columns, _TILE_PX).transpose(0, 2, 1, 3).reshape(rows * columns, -1)


def _tile_centres(height: int, width: int) -> NDArray[np.float64]:
    """(x, y) of the tiles' centres from the picture's centre, in the order of `_in_tiles`."""
    rows, columns = height // _TILE_PX, width // _TILE_PX
    y, x = np.divmod(np.arange(rows * columns), columns)
    return np.stack([(x + 0.5) * _TILE_PX - width / 2, (y + 0.5) * _TILE_PX - height / 2], axis=1)


def _radial_slope(tiles: NDArray[np.float64], middle: float) -> tuple[float, float]:
    """Slope and standard error of v = t + A·x + slope·(index − middle)·x, robustly."""
    n = len(tiles)
    depth, x, y = tiles[:, 0] - middle, tiles[:, 1], tiles[:, 2]
    design = np.zeros((2 * n, 5))
    design[:n, 0], design[n:, 1] = 1, 1
    design[:n, 2], design[n:, 2] = x, y
    design[:n, 3], design[n:, 3] = -y, x
    design[:n, 4], design[n:, 4] = depth * x, depth * y
    target = np.concatenate([tiles[:, 3], tiles[:, 4]])
    weight, spread = np.ones(2 * n), 1.0
    solution = np.zeros(5)
    for _ in range(8):
        root = np.sqrt(weight)
        solution = np.linalg.lstsq(design * root[:, None], target * root, rcond=None)[0]
        residual = target - design @ solution
        spread = 1.4826 * float(np.median(np.abs(residual))) + 1e-6
        u = residual / (4.685 * spread)
        weight = np.where(np.abs(u) < 1, (1 - u * u) ** 2, 0)
    covariance = np.linalg.pinv((design * weight[:, None]).T @ design) * spread**2
    return float(solution[4]), float(math.sqrt(max(covariance[4, 4], 0.0)))
