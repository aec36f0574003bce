"""Does a stack's change of size depend on depth? It does on a rail, it does not with a focus ring.

On a rail the camera moves by δ a frame. Seen k frames apart, things whose plane of focus is frame m change
size by δ·k/u·(1 − (m − mid)·δ/u): a slope against m of κ²·k with κ = δ/u, always of one sign. With the ring
the entrance pupil stays and the slope is 0. Small tiles of two keyframes are compared after taking out their
common similarity; what is left is fitted by a radial shift proportional to the tile's focus index.

Defocus and uneven tiles bias the slope of real stacks by some 1e-5 per frame (measured on ray-traced ring
and rail stacks and on a real ring stack), so weak slopes decide nothing; `log_odds_rail` says how much.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Plane, band

_TILE_PX = 32
_APART = 6
_BIAS_PER_FRAME = 1.0e-5
_FEWEST_TILES = 12


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
    pictures = [(number, _softened(p)) for number, p in keyframes]
    slopes, weights, tiles, gaps = [], [], 0, []
    for (i, first), (j, second) in zip(pictures, pictures[apart:], strict=False):
        between = to_first[j].then(to_first[i].inverse()).resampled(0.5)
        found = _tile_shifts(
            first, second, between, _index_at(index, to_first[i], index_reduction, first.shape)
        )
        if found.shape[0] < _FEWEST_TILES:
            continue
        slope, sigma = _radial_slope(found, (i + j) / 2)
        slopes.append(slope)
        weights.append(1 / (sigma**2 + 1e-12))
        tiles += found.shape[0]
        gaps.append(j - i)
    if not slopes:
        return None
    gap = float(np.mean(gaps))
    per_frame = math.log(to_first[-1].scale) / max(1, len(to_first) - 1)
    slope = float(np.average(slopes, weights=weights))
    spread = float(np.std(slopes)) / math.sqrt(len(slopes))
    sigma = math.hypot(spread, _BIAS_PER_FRAME * gap)
    return Dilation(slope, sigma, per_frame * per_frame * gap, tiles)


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
    """Rows (focus index, x, y from the centre, shift x, shift y) of the tiles that can be compared."""
    height, width = first.shape
    flags = cv2.INTER_CUBIC
    warped = np.asarray(cv2.warpAffine(second, between.matrix(), (width, height), flags=flags), np.float32)
    inside = cv2.warpAffine(np.ones_like(second), between.matrix(), (width, height)) > 0.999
    inside = cv2.erode(inside.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    mean = (first + warped) / 2
    gx = np.where(inside, cv2.Scharr(mean, cv2.CV_32F, 1, 0) / 32, 0)
    gy = np.where(inside, cv2.Scharr(mean, cv2.CV_32F, 0, 1) / 32, 0)
    change = np.where(inside, warped - first, 0)
    rows = []
    for y in range(0, height - _TILE_PX + 1, _TILE_PX):
        for x in range(0, width - _TILE_PX + 1, _TILE_PX):
            tile = np.s_[y : y + _TILE_PX, x : x + _TILE_PX]
            middle = float(np.median(index[tile]))
            same = np.abs(index[tile] - middle) <= 1.5
            if middle < 0 or same.mean() < 0.7:
                continue
            shift = _shift(gx[tile] * same, gy[tile] * same, change[tile])
            if shift is not None:
                centre = (x + (_TILE_PX - width) / 2, y + (_TILE_PX - height) / 2)
                rows.append((middle, *centre, *shift))
    return np.array(rows, dtype=np.float64).reshape(-1, 5)


def _shift(gx: Plane, gy: Plane, change: Plane) -> tuple[float, float] | None:
    """Least-squares shift v of warped(x) = first(x + v) on one tile (Lucas & Kanade 1981)."""
    normal = np.array([[np.sum(gx * gx), np.sum(gx * gy)], [0.0, np.sum(gy * gy)]], dtype=np.float64)
    normal[1, 0] = normal[0, 1]
    if np.linalg.eigvalsh(normal)[0] < 3e-3:
        return None
    shift = np.linalg.solve(normal, [np.sum(gx * change), np.sum(gy * change)])
    return (float(shift[0]), float(shift[1])) if np.max(np.abs(shift)) < 3 else None


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
