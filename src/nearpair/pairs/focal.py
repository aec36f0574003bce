"""What focus says about disparity: a second measurement of depth, which a pair of single photographs lacks.

Each view has a map of the (fractional) frame in which every place was sharpest. That frame tells the depth,
and so the disparity, by one course for the whole view that goes one way: nearer in focus is larger in
disparity. How steep it is changes with lens, rail or ring, and from frame to frame where the steps of the
stack are uneven; so it is fitted as a rising (or falling) chain through the frames, not as a formula, to
places whose disparity is known from matched points (isotonic regression; pool adjacent violators: Barlow et
al., Statistical Inference under Order Restrictions, 1972, from memory).

A map of sharpness is smeared where depth jumps, as the blurred rim of a near thing has a sharpness of its
own, and in both eyes alike. So focus is trusted only where it is nearly the same all around. Elsewhere it
says one thing still: a blurred rim makes things seem nearer, never farther, than they are.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.pixels.luma import Plane

F64 = NDArray[np.float64]

_FEWEST_POINTS, _FEWEST_IN_KNOT, _FEWEST_KNOTS = 100, 6, 5
_WIDEST_KNOT = 0.08
# Points count that are off the course by less than these shares of its range, round by round.
_WITHIN = (0.25, 0.18, 0.12, 0.1)
_LEAST_WITHIN_PX, _LEAST_SHARE = 1.0, 0.7
_FITS, _LEAST_FITS_PX, _LEAST_RANGE_PX = 0.06, 0.3, 2.0
# Where focus is trusted, what it tells differs all around, within this share of the longer side, by less than
# this share of its range, and so much at most.
_CALM_REACH, _LEAST_CALM_REACH_PX = 0.0053, 3
_OFF, _MOST_OFF_PX, _FRAMES_OFF = 0.1, 2.0, 0.25
# A matched point contradicts what focus tells if it is off by more than so many times that (in ray-traced
# scenes 1 in 100). Where more than a share of the points around do, focus is silent; counted in cells of a
# share of the longer side, smoothed over so many. Altogether silent if more than _MOST_WRONG of all do.
_MOST_WRONG = 0.15
_CELL, _CELLS_AROUND, _CONTRADICTS, _MOST_CONTRADICTED, _FEW = 0.02, 2.0, 1.5, 0.2, 0.01
_FAR_PX = np.float32(1e6)


@dataclass(frozen=True, slots=True)
class Course:
    """Disparity (px) that goes one way with the frame of sharpest focus, for frames 0 .. count − 1.

    frames, disparity_px: knots of the chain, frames rising.
    """

    frames: tuple[float, ...]
    disparity_px: tuple[float, ...]
    count: int

    def at(self, focus: NDArray[np.floating[Any]]) -> F64:
        """Return the disparity (px) of what is sharp in these fractional frames; NaN stays NaN.

        Beyond the knots it goes on with its mean slope.
        """
        x, y = np.array(self.frames), np.array(self.disparity_px)
        asked = np.asarray(focus, np.float64)
        slope = (y[-1] - y[0]) / (x[-1] - x[0])
        beyond = asked - np.clip(asked, x[0], x[-1])
        return np.asarray(np.interp(asked, x, y) + slope * beyond, np.float64)

    @property
    def deep_px(self) -> float:
        """Range of disparity that the stack spans."""
        ends = self.at(np.array([0.0, self.count - 1.0]))
        return abs(float(ends[1] - ends[0]))


@dataclass(frozen=True, slots=True, eq=False)
class Guide:
    """Disparity (h, w) px that focus leads to expect, NaN where it is silent.

    first, second: of each view, where it is to be trusted; everywhere: of the first view, also beside jumps,
    where it is too near if anything; deep_px: range of disparity of the stack.
    """

    first: Plane
    second: Plane
    everywhere: Plane
    deep_px: float

    def halved(self, size: tuple[int, int]) -> "Guide":
        """The same for pictures of half the size (h, w)."""
        first, second, everywhere = (
            np.asarray(plane[::2, ::2][: size[0], : size[1]] / np.float32(2), np.float32)
            for plane in (self.first, self.second, self.everywhere)
        )
        return Guide(first, second, everywhere, self.deep_px / 2)


def silent(size: tuple[int, int]) -> Guide:
    """Without focus maps, or where they tell nothing."""
    nothing = np.full(size, np.nan, np.float32)
    return Guide(nothing, nothing, nothing, 1.0)


def guide(
    focus: tuple[Plane, Plane],
    counts: tuple[int, int],
    points_px: tuple[F64, F64],
    disparity_px: F64,
) -> Guide | None:
    """What the focus maps (h, w) of two views tell, from matched points (N, 2) and their disparity (N,).

    focus: fractional frame numbers, of `counts` frames in all; NaN where unknown. points_px: in each view.
    None if either map does not follow the disparity: a plain photograph has none, a wrong one does not.
    """
    maps, deep_px = [], []
    for plane, points, count in zip(focus, points_px, counts, strict=True):
        course = course_of(sampled(plane, points), disparity_px, count)
        if course is None:
            return None
        said = told(plane, course)
        wrong = _contradicted(said, points, disparity_px, course.deep_px)
        if np.mean(wrong) > _MOST_WRONG:
            return None
        maps.append(_backed(said, points, wrong))
        deep_px.append(course.deep_px)
    deep = min(deep_px)
    return Guide(calm(maps[0], deep), calm(maps[1], deep), maps[0], deep)


def sampled(focus: Plane, points_px: F64) -> F64:
    """Focus (N,) at points (N, 2), (x, y) px of the map (h, w); NaN outside it."""
    columns, rows = np.rint(points_px).astype(np.int64).T
    inside = (rows >= 0) & (columns >= 0) & (rows < focus.shape[0]) & (columns < focus.shape[1])
    found = np.full(len(points_px), np.nan)
    found[inside] = focus[rows[inside], columns[inside]]
    return found


def course_of(focus: F64, disparity_px: F64, count: int) -> Course | None:
    """Fit the course to points (N,) of known focus and disparity, of which a third may be wrong.

    None where they do not tell one: too few points or frames, no clear fit, or hardly any range.
    """
    usable = (focus >= 0) & (focus <= count - 1) & np.isfinite(disparity_px)
    if usable.sum() < _FEWEST_POINTS:
        return None
    focus, disparity_px = focus[usable], disparity_px[usable]
    course = _chain(focus, disparity_px, count)
    for within in _WITHIN:
        if course is None:
            return None
        limit_px = max(_LEAST_WITHIN_PX, within * course.deep_px)
        near = np.abs(course.at(focus) - disparity_px) < limit_px
        if near.mean() < _LEAST_SHARE:
            return None
        course = _chain(focus[near], disparity_px[near], count)
    if course is None or course.deep_px < _LEAST_RANGE_PX:
        return None
    off = float(np.median(np.abs(course.at(focus) - disparity_px)))
    return course if off < max(_LEAST_FITS_PX, _FITS * course.deep_px) else None


def _chain(focus: F64, disparity_px: F64, count: int) -> Course | None:
    """A chain through the median disparity of each frame (of neighbours together where points are few)."""
    order = np.argsort(np.rint(focus), kind="stable")
    numbers = np.rint(focus[order])
    starts = np.flatnonzero(np.diff(numbers, prepend=-1.0))
    cuts = [0]
    for start in starts[1:]:
        if start - cuts[-1] >= _FEWEST_IN_KNOT:
            cuts.append(int(start))
    if len(cuts) > 1 and len(order) - cuts[-1] < _FEWEST_IN_KNOT:
        cuts.pop()
    # neighbours far apart have no middle that is on the course
    groups = [
        group for group in np.split(order, cuts[1:]) if np.ptp(focus[group]) < max(1.5, _WIDEST_KNOT * count)
    ]
    if len(groups) < _FEWEST_KNOTS:
        return None
    x = np.array([np.mean(focus[group]) for group in groups])
    y = np.array([np.median(disparity_px[group]) for group in groups])
    weights = np.sqrt([float(len(group)) for group in groups])
    one_way = 1.0 if np.cov(x, y, aweights=weights)[0, 1] > 0 else -1.0
    pools = _rising(one_way * y, weights)
    if len(pools) < _FEWEST_KNOTS:
        return None
    # one knot in the middle of each pool: levels become slopes
    frames = [float(np.average(x[pool], weights=weights[pool])) for _, pool in pools]
    return Course(tuple(frames), tuple(one_way * value for value, _ in pools), count)


def _rising(values: F64, weights: F64) -> list[tuple[float, slice]]:
    """The nearest values that never fall, each with those of `values` (N,) that were pooled for it."""
    pools: list[tuple[float, float, slice]] = []
    for at, (value, weight) in enumerate(zip(values.tolist(), weights.tolist(), strict=True)):
        pool = (value, weight, slice(at, at + 1))
        while pools and pools[-1][0] >= pool[0]:
            mean, held, before = pools.pop()
            both = held + pool[1]
            pool = ((mean * held + pool[0] * pool[1]) / both, both, slice(before.start, pool[2].stop))
        pools.append(pool)
    return [(mean, pooled) for mean, _, pooled in pools]


def told(focus: Plane, course: Course) -> Plane:
    """Disparity (h, w) px that belongs to a focus map.

    NaN where that is unknown, beyond the stack, or where the course is so steep that a fourth of a frame,
    which is what a map may be off, is too much.
    """
    inside = (focus >= 0) & (focus <= course.count - 1)
    steep = np.abs(course.at(focus + 0.5) - course.at(focus - 0.5))
    inside &= steep * _FRAMES_OFF < _off_px(course.deep_px)
    return np.where(inside, course.at(focus), np.nan).astype(np.float32)


def _off_px(deep_px: float) -> float:
    """How far focus may be off and still be trusted: by the pair's own depth, whatever its size."""
    return min(_OFF * deep_px, _MOST_OFF_PX)


def _contradicted(disparity: Plane, points_px: F64, disparity_px: F64, deep_px: float) -> NDArray[np.bool_]:
    """Which matched points (N,) are clearly off what focus told (h, w)."""
    off = np.abs(sampled(disparity, points_px) - disparity_px)
    return np.asarray(off > max(_LEAST_WITHIN_PX, _CONTRADICTS * _off_px(deep_px)))


def _backed(disparity: Plane, points_px: F64, wrong: NDArray[np.bool_]) -> Plane:
    """What focus told (h, w), but NaN where many of the matched points around contradict it."""
    cell_px = max(1.0, _CELL * max(disparity.shape))
    shape = tuple(int(side / cell_px) + 1 for side in disparity.shape)
    columns, rows = np.clip(points_px / cell_px, 0, np.array(shape[::-1]) - 1).astype(np.int64).T
    counts = []
    for which in (wrong, np.ones_like(wrong)):
        count = np.zeros(shape, np.float32)
        np.add.at(count, (rows[which], columns[which]), 1)
        counts.append(cv2.GaussianBlur(count, (0, 0), _CELLS_AROUND))
    silent_cells = counts[0] > _MOST_CONTRADICTED * counts[1] + _FEW
    at_rows = np.minimum((np.arange(disparity.shape[0]) / cell_px).astype(np.int64), shape[0] - 1)
    at_columns = np.minimum((np.arange(disparity.shape[1]) / cell_px).astype(np.int64), shape[1] - 1)
    return np.where(silent_cells[at_rows[:, None], at_columns], np.float32(np.nan), disparity)


def calm(disparity: Plane, deep_px: float) -> Plane:
    """What focus told (h, w), where it may be trusted: not beside jumps or gaps; NaN elsewhere."""
    reach_px = max(_LEAST_CALM_REACH_PX, round(_CALM_REACH * max(disparity.shape)))
    window = np.ones((2 * reach_px + 1,) * 2, np.uint8)
    inside = np.isfinite(disparity)
    # large numbers, as differences of infinities would be warned of
    highest = cv2.dilate(np.where(inside, disparity, -_FAR_PX), window)
    lowest = cv2.erode(np.where(inside, disparity, _FAR_PX), window)
    return np.where(inside & (highest - lowest < _off_px(deep_px)), disparity, np.float32(np.nan))
