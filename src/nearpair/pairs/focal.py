"""What focus says about disparity: a second measurement of depth, which a pair of single photographs lacks.

Each view has a map of the (fractional) frame in which every place was sharpest. That frame tells the depth,
and so the disparity, by one smooth course for the whole view: on a rail the inverse of disparity is linear in
the frame number, on a focus ring nearly any course is possible that goes one way. Over the short range of a
stack a parabola follows both; it is fitted to places whose disparity is known from matched points.

A map of sharpness is smeared where depth jumps, as the blurred rim of a near thing has a sharpness of its
own, and in both eyes alike. So focus is heard only where it is nearly the same all around.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray

from nearpair.pixels.luma import Plane

F64 = NDArray[np.float64]
Guide = tuple[Plane, Plane]
"""Disparity (h, w) px that focus leads to expect in the first and in the second view, NaN where silent."""

_FEWEST_POINTS, _FEWEST_IN_FRAME, _FEWEST_FRAMES = 100, 6, 5
_DEGREE = 2
_WITHIN_PX = (4.0, 3.0, 2.0, 1.5)
_FITS_PX, _LEAST_RANGE_PX = 0.75, 2.0
# Where focus is heard, the disparity it tells differs within so many px by less than this share of its range.
_CALM_REACH_PX, _CALM = 8, 0.1
_FAR_PX = np.float32(1e6)


@dataclass(frozen=True, slots=True)
class Course:
    """Disparity (px) as a parabola of the frame number of sharpest focus, for frames 0 .. count − 1."""

    terms: tuple[float, ...]
    count: int

    def at(self, focus: NDArray[np.floating[Any]]) -> F64:
        """Return the disparity (px) of what is sharp in these fractional frames; NaN stays NaN."""
        return np.asarray(polynomial.polyval(_centred(focus, self.count), self.terms))


def _centred(focus: NDArray[np.floating[Any]], count: int) -> F64:
    middle = (count - 1) / 2
    return (np.asarray(focus, np.float64) - middle) / middle


def sampled(focus: Plane, points_px: F64) -> F64:
    """Focus (N,) at points (N, 2), (x, y) px of the map (h, w); NaN outside it."""
    columns, rows = np.rint(points_px).astype(np.int64).T
    inside = (rows >= 0) & (columns >= 0) & (rows < focus.shape[0]) & (columns < focus.shape[1])
    found = np.full(len(points_px), np.nan)
    found[inside] = focus[rows[inside], columns[inside]]
    return found


def course_of(focus: F64, disparity_px: F64, count: int) -> Course | None:
    """Fit the course to points (N,) of known focus and disparity, of which a third may be wrong.

    None where they do not tell one: too few points or frames, no clear fit, no one way, or hardly any range.
    """
    usable = (focus >= 0) & (focus <= count - 1) & np.isfinite(disparity_px)
    if count < _FEWEST_FRAMES or usable.sum() < _FEWEST_POINTS:
        return None
    focus, disparity_px = focus[usable], disparity_px[usable]
    start = _by_frames(focus, disparity_px, count)
    if start is None:
        return None
    at, terms = _centred(focus, count), start
    for within in _WITHIN_PX:
        near = np.abs(polynomial.polyval(at, terms) - disparity_px) < within
        if near.sum() < _FEWEST_POINTS // 2:
            return None
        terms = np.asarray(polynomial.polyfit(at[near], disparity_px[near], _DEGREE))
    course = Course(tuple(float(t) for t in terms), count)
    return course if _tells(course, focus, disparity_px) else None


def _by_frames(focus: F64, disparity_px: F64, count: int) -> F64 | None:
    """A first parabola through the median disparity of each frame."""
    frames = np.rint(focus).astype(np.int64)
    held = np.bincount(frames, minlength=count)
    numbers = np.flatnonzero(held >= _FEWEST_IN_FRAME)
    if len(numbers) < _FEWEST_FRAMES:
        return None
    medians = [float(np.median(disparity_px[frames == number])) for number in numbers]
    at, weights = _centred(numbers.astype(np.float64), count), np.sqrt(held[numbers])
    return np.asarray(polynomial.polyfit(at, medians, _DEGREE, w=weights))


def _tells(course: Course, focus: F64, disparity_px: F64) -> bool:
    """Whether the course fits most points, goes one way, and has some range."""
    off = np.abs(course.at(focus) - disparity_px)
    steps = np.diff(course.at(np.arange(np.floor(focus.min()), np.ceil(focus.max()) + 1)))
    one_way = bool(np.all(steps > 0) or np.all(steps < 0))
    return one_way and float(np.median(off)) < _FITS_PX and abs(float(steps.sum())) > _LEAST_RANGE_PX


def expected(focus: Plane, course: Course) -> Plane:
    """Disparity (h, w) px that a focus map leads to expect; NaN where it is unknown or not to be trusted."""
    inside = (focus >= 0) & (focus <= course.count - 1)
    disparity = np.where(inside, course.at(focus), np.nan).astype(np.float32)
    ends = course.at(np.array([0.0, course.count - 1.0]))
    calm_px = _CALM * abs(float(ends[1] - ends[0]))
    window = np.ones((2 * _CALM_REACH_PX + 1,) * 2, np.uint8)
    # large numbers, as differences of infinities would be warned of
    highest = cv2.dilate(np.where(inside, disparity, -_FAR_PX), window)
    lowest = cv2.erode(np.where(inside, disparity, _FAR_PX), window)
    return np.where(inside & (highest - lowest < calm_px), disparity, np.float32(np.nan))
