"""How the disparity of a pair follows the focus of its stack: what ties px to mm.

The plane that a frame has in focus lies at a distance Z from the reference camera and so has one disparity

    d = d₀ + D·u/Z

with u the distance of the reference frame's own plane of focus, D the disparity there if it counts from
infinity, and d₀ what convergence of the cameras or shifts of their frames add. Source: similar triangles, see
`optics.base.base_over_distance`. The frame in which a pixel is sharpest is the less certain of the two, so
u/Z is fitted to d, not the reverse: else D would come out too small.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
Plane = NDArray[np.float32]

_FEWEST, _SAMPLES = 2000, 60_000
_LEAST_RANGE_PX, _LEAST_FRAMES = 2.0, 2.0
# Standard errors of what disparity and focus may be off between near and far all over the picture, which no
# comparison of its parts shows. Ray-traced stacks: less at 1500 px, 0.2 px at 300 px.
_OFF_PX, _OFF_FRAMES = 0.1, 0.1
_TILES = 4
_KEEP, _ROUNDS = 3.0, 12
_FITS = 0.5


# Recorded distances tell a step if so many frames, and this share of all, have them, in as many different
# values, and if no more than this share of their range is off an even course.
_FEWEST_RECORDED, _RECORDED_SHARE, _UNEVEN = 5, 0.6, 0.1


@dataclass(frozen=True, slots=True)
class Course:
    """d = offset_px + focus_px·closeness; sigma is the relative standard error of focus_px.

    closeness: u/Z of a plane; 1 for the reference frame's own plane of focus, larger for nearer ones.
    """

    offset_px: float
    focus_px: float
    sigma: float
    per_frame: float
    """How much closeness grows from frame to frame; above 0. Of a rail stack the mean."""


def course_on_rail(disparity: Plane, frame: Plane, closeness: F64) -> Course | None:
    """Fit the course of a rail stack, whose registration tells how far away each frame's plane is.

    disparity (h, w) in px of the full view and frame (h, w), both NaN where unknown; closeness (n,) by frame
    number. None if focus and disparity do not tell one course.
    """
    numbers = np.arange(len(closeness), dtype=np.float64)
    at = np.interp(frame, numbers, closeness, left=np.nan, right=np.nan)
    grows = float(np.abs(np.diff(closeness)).mean()) if len(closeness) > 1 else 0.0
    return _course(disparity, np.asarray(at, np.float32), grows)


def course_by_ring(disparity: Plane, frame: Plane, reference: int, steps_away: float | None) -> Course | None:
    """Fit the course of a stack whose camera stood still and whose focus moved in even steps.

    steps_away: distance of the reference frame's plane of focus in steps; None takes it for very far away,
    and the course for straight. Which end is near is taken from the disparity.
    """
    away = 1e6 if steps_away is None else steps_away
    for nearer in (1.0, -1.0):
        left = away - nearer * (frame - np.float32(reference))
        closeness = np.where(left > 0, away / np.maximum(left, 1e-6), np.nan)
        if found := _course(disparity, np.asarray(closeness, np.float64), 1 / away):
            return found
    return None


def recorded_step(distances_mm: Sequence[float | None]) -> tuple[float, float] | None:
    """The step (mm) of a stack by the distances its camera recorded, and the relative standard error of it.

    The error is that of the fit and of rounding; not what such distances are off as a whole. None where too
    few frames tell, or where they tell no even course.
    """
    known = [(k, one) for k, one in enumerate(distances_mm) if one is not None]
    different = {one for _, one in known}
    if min(len(known), len(different)) < max(_FEWEST_RECORDED, _RECORDED_SHARE * len(distances_mm)):
        return None
    at, distance = np.array(known, np.float64).T
    terms = np.polynomial.polynomial.polyfit(at, distance, 1)
    off = distance - np.polynomial.polynomial.polyval(at, terms)
    step, spread = abs(float(terms[1])), float(np.sqrt(np.mean(off**2)))
    if spread > _UNEVEN * float(np.ptp(distance)):
        return None
    return step, spread / (step * float(at.std()) * math.sqrt(len(at)))


def _course(disparity: Plane, closeness: NDArray[np.floating], per_frame: float) -> Course | None:
    known = np.isfinite(disparity) & np.isfinite(closeness)
    rows, columns = np.nonzero(known)
    if len(rows) < _FEWEST or per_frame <= 0:
        return None
    every = slice(None, None, max(1, len(rows) // _SAMPLES))
    rows, columns = rows[every], columns[every]
    d, c = disparity[rows, columns].astype(np.float64), closeness[rows, columns].astype(np.float64)
    deep_px = float(np.ptp(np.percentile(d, (1, 99))))
    if deep_px < _LEAST_RANGE_PX:
        return None
    middle = (float(d.mean()), float(c.mean()))
    d, c = d - middle[0], (c - middle[1]) / per_frame
    keep = _kept(d, c)
    _, slope = _line(d[keep], c[keep])
    is_one = abs(float(np.corrcoef(d[keep], c[keep])[0, 1])) > _FITS
    deep_frames = float(np.ptp(np.percentile(c[keep], (1, 99))))
    if slope <= 0 or not is_one or deep_frames < _LEAST_FRAMES:
        return None
    there = float(c[keep].mean()) - slope * float(d[keep].mean())
    focus_px = 1 / (slope * per_frame)
    offset_px = middle[0] - focus_px * (middle[1] + there * per_frame)
    tile = _tiles(rows, columns, disparity.shape)
    parts = _spread(d[keep], c[keep], tile[keep]) / slope
    sigma = math.hypot(parts, _OFF_PX / deep_px, _OFF_FRAMES / deep_frames)
    return Course(offset_px, focus_px, sigma, per_frame)


def _line(d: F64, c: F64) -> tuple[float, float]:
    """The straight line c = at_zero + slope·d of least squares.

    From sums, which is exact enough of values that lie about 0, and far quicker than a general solver.
    """
    middle_d, middle_c = float(d.mean()), float(c.mean())
    off = d - middle_d
    # summed, not as products of vectors: those add up in another order on another number of threads
    slope = float((off * c).sum()) / max(float((off * off).sum()), 1e-300)
    return middle_c - slope * middle_d, slope


def _kept(d: F64, c: F64) -> NDArray[np.bool_]:
    """Leave out what does not lie on the course: wrong matches, wrong focus."""
    keep = np.ones(len(d), np.bool_)
    for _ in range(_ROUNDS):
        at_zero, slope = _line(d[keep], c[keep])
        off = np.abs(c - at_zero - slope * d)
        now = off <= _KEEP * 1.4826 * float(np.median(off[keep])) + 1e-9
        if np.array_equal(now, keep):
            break
        keep = now
    return keep


def _tiles(rows: NDArray[np.intp], columns: NDArray[np.intp], shape: tuple[int, ...]) -> NDArray[np.intp]:
    return (rows * _TILES // shape[0]) * _TILES + columns * _TILES // shape[1]


def _spread(d: F64, c: F64, tile: NDArray[np.intp]) -> float:
    """Standard error of the slope: the jackknife over parts of the picture, whose errors belong together.

    Source: B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans (1982), from memory.
    """
    parts = [np.bincount(tile, of) for of in (np.ones_like(d), d, c, d * d, d * c)]
    taken = parts[0] > 0
    if np.count_nonzero(taken) < 2:
        return float("inf")
    n, sum_d, sum_c, sum_dd, sum_dc = (part.sum() - part[taken] for part in parts)
    without = (n * sum_dc - sum_d * sum_c) / (n * sum_dd - sum_d**2)
    return float(np.sqrt((len(without) - 1) * np.mean((without - without.mean()) ** 2)))
