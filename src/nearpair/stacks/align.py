"""Registering one frame on another: a similarity, sub-pixel, insensitive to focus and brightness.

A frame and its neighbour in a stack show the same things with other blur. Band-passed pictures are
compared at points spread over the whole field (the strongest structure of every small cell), coarse to
fine; see `kernels` for the model and its sources.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Plane, band, reduced
from nearpair.pixels.memory import Memory
from nearpair.stacks.kernels import described, gauss_newton, strongest

_CELL_PX = 16
_POINTS_PER_CELL = 6
CELL_PX = 48
"""Side of the cells in which defocus is free, and of which `Evidence` tells."""
_BORDER_PX = 3
_ITERATIONS = 25
_SMALLEST_SIDE_PX = 60
_LEVELS = 5
# Correlation after registration, measured at a quarter of the size: neighbours in a stack reach 0.97 and
# more, frames eight steps apart 0.9, unrelated pictures up to 0.25, and repeating or smooth things in a
# wrong place up to 0.88 (ray-traced and real stacks; photographs of different things).
_SURE = 0.9
_RELATED = 0.4
_LEAST_OVERLAP = 0.1


def _to_spline(reach: int) -> NDArray[np.float32]:
    """Filter from samples to cubic B-spline coefficients, cut off at `reach` px.

    Unser, Aldroubi & Eden, "B-spline signal processing", IEEE Trans. Signal Processing 41(2), 1993. A spline
    because simpler bicubics are too flat at the pixels: movements much below a pixel then come out up to 8 %
    too large, in every step alike.
    """
    pole = math.sqrt(3) - 2
    taps = np.power(pole, np.abs(np.arange(-reach, reach + 1)))
    return np.asarray(taps / taps.sum(), np.float32)


_TO_SPLINE = _to_spline(7)


@dataclass(frozen=True, slots=True)
class Structure:
    """A band-passed picture at one scale, and the points at which others are compared with it."""

    band: Plane
    spline: Plane
    """Coefficients of the cubic B-spline through `band`."""
    points: NDArray[np.int32]
    values: NDArray[np.float64]
    gradients: NDArray[np.float64]
    laplacian: NDArray[np.float64]
    cell_starts: NDArray[np.int32]


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What each of C cells of the fixed picture says of (scale·radius, roll·radius, shift x, shift y), px."""

    centres_px: NDArray[np.float32]
    """(C, 2)"""
    information: NDArray[np.float32]
    """Inverse of the covariance, (C, 4, 4); that of all cells is the sum."""
    score: NDArray[np.float32]
    """Information times the change that the cell asks for, (C, 4); the sum is about 0."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """How one frame lies on another; `related` is False when no registration was found."""

    transform: Similarity
    related: bool
    correlation: float
    sigma_px: tuple[float, float, float, float]
    """Standard errors of (scale·radius, roll·radius, shift x, shift y), px; inf when not related."""
    evidence: Evidence | None = field(default=None, compare=False, repr=False)


def _structure(plane: Plane, fine_px: float, coarse_px: float, memory: Memory, spare: Memory) -> Structure:
    size = plane.shape
    gx, gy = spare.empty(size, np.float32), spare.empty(size, np.float32)
    bands = band(plane, fine_px, coarse_px, memory.empty(size, np.float32), gx)
    cv2.Scharr(bands, cv2.CV_32F, 1, 0, dst=gx)
    cv2.Scharr(bands, cv2.CV_32F, 0, 1, dst=gy)
    cv2.multiply(gx, gx, dst=gx)
    cv2.multiply(gy, gy, dst=gy)
    points, starts = strongest(
        np.asarray(cv2.add(gx, gy, dst=gx)), _CELL_PX, _POINTS_PER_CELL, _BORDER_PX, CELL_PX // _CELL_PX
    )
    values, gradients, laplacian = described(bands, points)
    return Structure(
        bands,
        np.asarray(
            cv2.sepFilter2D(bands, cv2.CV_32F, _TO_SPLINE, _TO_SPLINE, dst=memory.empty(size, np.float32))
        ),
        points,
        values,
        gradients,
        laplacian,
        np.append(starts, np.int32(len(points))),
    )


def structures(
    plane: Plane, memory: Memory | None = None, spare: Memory | None = None
) -> tuple[Structure, ...]:
    """Band-passed pictures of an (H, W) luma, finest first, each half the size of the one before.

    memory, spare: used as far as they go, for the result and to work in.
    """
    memory, spare = memory or Memory(), spare or Memory()
    levels = [_structure(plane, 1.0, 3.0, memory, spare)]
    for k in range(1, _LEVELS):
        if min(plane.shape) >> k < _SMALLEST_SIDE_PX:
            break
        levels.append(_structure(reduced(plane, 2**k), 1.0, 4.0, memory, spare))
    return tuple(levels)


def _correlation(fixed: Structure, moving: Structure, transform: Similarity) -> float:
    """Normalised correlation of two band-passed pictures under `transform` (fixed px → moving px).

    0 where they overlap too little to tell.
    """
    height, width = fixed.band.shape
    matrix, flags = transform.matrix(), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    warped = cv2.warpAffine(moving.band, matrix, (width, height), flags=flags)
    inside = cv2.warpAffine(np.ones_like(moving.band), matrix, (width, height), flags=flags) > 0.99
    if inside.mean() < _LEAST_OVERLAP:
        return 0.0
    a, b = fixed.band[inside], warped[inside]
    norm = float(np.sqrt(np.sum(a * a) * np.sum(b * b)))
    return float(np.sum(a * b)) / norm if norm > 0 else 0.0


def _coarse_shift(fixed: Structure, moving: Structure) -> Similarity:
    """First guess for a knocked frame: phase correlation (Kuglin & Hines 1975) of the coarse bands."""
    window = cv2.createHanningWindow(fixed.band.shape[::-1], cv2.CV_32F)
    # copies: phaseCorrelate multiplies the window into its arguments when their size needs no padding
    (dx, dy), _ = cv2.phaseCorrelate(fixed.band.copy(), moving.band.copy(), window)
    return Similarity(shift_x_px=dx, shift_y_px=dy)


def _refine(
    fixed: Sequence[Structure], moving: Sequence[Structure], start: Similarity
) -> tuple[Similarity, Evidence | None]:
    """Coarse to fine from `start`; the transform and what the cells say of it at the finest level."""
    transform, evidence = start, None
    for k in range(len(fixed) - 1, -1, -1):
        level = transform.resampled(1 / 2**k)
        params = np.array([level.a, level.b, level.shift_x_px, level.shift_y_px])
        height, width = fixed[k].band.shape
        centre = np.array([(width - 1) / 2, (height - 1) / 2])
        information, score = gauss_newton(
            moving[k].spline,
            fixed[k].points,
            fixed[k].values,
            fixed[k].gradients,
            fixed[k].laplacian,
            fixed[k].cell_starts,
            params,
            centre,
            float(max(centre)),
            _ITERATIONS,
        )
        if np.any(information) and 0.5 < math.hypot(params[0], params[1]) < 2:
            transform = Similarity(*(float(p) for p in params)).resampled(2**k)
            if k == 0:
                evidence = Evidence(_cell_centres(fixed[0]), _single(information), _single(score))
        elif k == 0:
            return start, None
    return transform, evidence


def _single(values: NDArray[np.float64]) -> NDArray[np.float32]:
    return values.astype(np.float32)


def _cell_centres(structure: Structure) -> NDArray[np.float32]:
    """The middle of each cell that has points, (C, 2) px."""
    cells = structure.points[structure.cell_starts[:-1]] // CELL_PX
    return np.asarray(cells * CELL_PX + (CELL_PX - 1) / 2, np.float32)


def align(
    fixed: Sequence[Structure], moving: Sequence[Structure], start: Similarity | None = None
) -> Alignment:
    """The similarity from fixed px to moving px, for two pictures of the same size.

    Tries `start` (identity by default), then a coarse shift from phase correlation unless that was sure.
    """
    best = Alignment(start or Similarity(), False, 0.0, (math.inf,) * 4)
    if not len(fixed[0].points):
        return best
    check = min(2, len(fixed) - 1)
    for guess in (start or Similarity(), None):
        first = guess or _coarse_shift(fixed[-1], moving[-1]).resampled(2 ** (len(fixed) - 1))
        transform, evidence = _refine(fixed, moving, first)
        correlation = _correlation(fixed[check], moving[check], transform.resampled(1 / 2**check))
        if correlation > best.correlation:
            best = _judged(transform, evidence, correlation)
        if best.correlation >= _SURE:
            break
    return best


def _judged(transform: Similarity, evidence: Evidence | None, correlation: float) -> Alignment:
    if correlation < _RELATED or evidence is None:
        return Alignment(transform, False, correlation, (math.inf,) * 4)
    return Alignment(transform, True, correlation, weighed(evidence).sigma_px, evidence)


@dataclass(frozen=True, slots=True)
class Weighed:
    """The change that the cells together ask for, (4,) px, and its standard errors."""

    change_px: NDArray[np.float64]
    sigma_px: tuple[float, float, float, float]


def weighed(evidence: Evidence, weights: NDArray[np.float64] | None = None) -> Weighed:
    """Put together what the cells say, each with a weight, (C,); all alike when None.

    To the formal standard errors comes how much the cells differ (the "sandwich": White, Econometrica 48(4),
    1980), because what is wrong in a cell (occlusion, reflections, depth) is wrong for all of its points.
    """
    weight = np.ones(len(evidence.score)) if weights is None else weights
    cells = evidence.information * weight[:, None, None]
    score = evidence.score * weight[:, None]
    total = cells.sum(axis=0)
    inverse = np.linalg.inv(total + 1e-9 * np.trace(total) * np.eye(4))
    change = inverse @ score.sum(axis=0)
    left = score - cells @ change
    sigma = np.sqrt(np.diag(inverse @ (left.T @ left) @ inverse + inverse))
    return Weighed(change, tuple(float(s) for s in sigma))  # type: ignore[arg-type]
