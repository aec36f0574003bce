"""An area of one view, found again in the other: by the parallax of the pair, and by focus.

What a person marks in one view is to be treated alike in the other, or depth there would be broken. The two
views show the same thing x_first − x_second = disparity apart, once they lie on common rows. What was
measured there may be wrong, as it was measured on views that are wrong just there. But whoever asks for a
frame says where the thing is: in the plane of focus of that frame, whose disparity the rest of the picture
tells. So measured disparity counts where it lies near that plane, and the plane itself elsewhere.

What stands nearer to the eyes covers what lies behind it, seen from the other station: such parts of an area
are half-hidden, and are not carried.
"""

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.distortion import Distortion
from nearpair.geometry.projective import Projective
from nearpair.geometry.strokes import Box, Stroke, box_around, places_in
from nearpair.pixels.luma import Plane

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Of a frame's plane of focus: what is sharp within so many frames of it counts as being in it, and at least
# within so many px of the map; things are covered by what is nearer than they by more than that.
_FRAMES, _LEAST_LEEWAY_PX = 3.0, 1.0
_FEWEST, _HALF_FRAME = 30, 0.5
# A frame's median that lies off the course of the others, by more than so many times what is usual among
# them, is wrong; the least that counts as usual, px of the map and frames. Our own, on ray-traced scenes.
_NEAR_PX, _NEAR_FRAMES, _KEPT = 0.35, 0.5, 3.0
_TO_DEVIATION, _CUT, _ROUNDS = 1.4826, 4.685, 20  # Tukey's biweight, from memory
_AT_END, _BEYOND = 6, 12
_MARGIN_PX = 4
_WIDEST = 1.5  # how much larger than on the map things may be on a view, whatever the lens


@dataclass(frozen=True, slots=True, eq=False)
class Lie:
    """How two views (height, width) of one subject lie to each other.

    places: from px of each view to common rows, in px of the full views; disparity: of the first view as it
    lies, reduced by `factor`, in px of the map, NaN where unknown. bent: what the lens did to both views
    before they were laid so, if anything. top: rows of the map that are left out above.
    """

    size_px: tuple[int, int]
    places: tuple[Projective, Projective]
    disparity: Plane
    factor: int
    bent: Distortion | None = None
    top: int = 0

    @property
    def _corner(self) -> F64:
        """From the map's first px to its corner, as px count from their centres."""
        return np.array([0.5, self.top + 0.5])

    def to_view(self, map_px: F64, eye: int) -> F64:
        """From places (..., 2) of the map, as they lie, to px of a view."""
        full = (map_px + self._corner) * self.factor - 0.5
        straight = self.places[eye].inverse().apply(full)
        return straight if self.bent is None else self.bent.bent(straight, self.size_px)

    def to_map(self, view_px: F64, eye: int) -> F64:
        """From px (..., 2) of a view to the map, as they lie."""
        straight = view_px if self.bent is None else self.bent.straight(view_px, self.size_px)
        return (self.places[eye].apply(straight) + 0.5) / self.factor - self._corner

    def both(self) -> tuple[F64, F64, F64]:
        """Places (N, 2) that both views show, px of the first and of the second; disparity (N,), map px."""
        rows, columns = np.nonzero(np.isfinite(self.disparity))
        at = np.column_stack([columns, rows]).astype(np.float64)
        d = self.disparity[rows, columns].astype(np.float64)
        there = at - np.column_stack([d, np.zeros_like(d)])
        return self.to_view(at, 0), self.to_view(there, 1), d


@dataclass(frozen=True, slots=True)
class Planes:
    """The planes of focus of one stack, as knots, frames rising.

    disparity_px: of what is sharp in each frame, map px; other: the (fractional) frame of the other stack
    that is focused on the same plane.
    """

    frames: tuple[float, ...]
    disparity_px: tuple[float, ...]
    other: tuple[float, ...]

    def disparity_at(self, frame: float) -> float:
        """Disparity of what is sharp in a frame."""
        return float(np.interp(frame, self.frames, self.disparity_px))

    def other_at(self, frame: float) -> float:
        """Frame of the other stack that is focused on the same plane; beyond the knots, as many frames on."""
        within = min(max(frame, self.frames[0]), self.frames[-1])
        one_way = 1.0 if self.other[-1] >= self.other[0] else -1.0
        return float(np.interp(within, self.frames, self.other)) + one_way * (frame - within)

    def leeway_px(self, frame: float) -> float:
        """How far (map px) from its plane things may lie that count as being in it."""
        ends = self.disparity_at(frame - _FRAMES), self.disparity_at(frame + _FRAMES)
        return max(_LEAST_LEEWAY_PX, abs(ends[1] - ends[0]) / 2)


def planes_of(own: F64, other: F64, disparity_px: F64) -> Planes | None:
    """Planes of focus from places that both views show: focus in each and disparity (N,), NaN where unknown.

    The median of each frame's places, where these agree and the other frames bear them out. Near the ends of
    a stack few places are sharp, and many of them are wrong: there, and beyond, the course of the others goes
    on. None if they tell of fewer than two frames.
    """
    known = np.isfinite(own) & np.isfinite(other) & np.isfinite(disparity_px)
    own, other, disparity_px = own[known], other[known], disparity_px[known]
    frames, told = [], []
    for frame in np.unique(np.rint(own)).tolist():
        near = np.abs(own - frame) <= _HALF_FRAME
        if near.sum() >= _FEWEST:
            frames.append(frame)
            told.append([_middle(values[near]) for values in (disparity_px, other)])
    if len(frames) < 2:
        return None
    at, found = np.array(frames), np.array(told)
    planes, others = (
        _borne_out(at, found[:, k, 0], near_px, found[:, k, 1], found[:, k, 2])
        for k, near_px in enumerate((_NEAR_PX, _NEAR_FRAMES))
    )
    ends = frames[0] - _BEYOND, *frames, frames[-1] + _BEYOND
    return Planes(tuple(ends), tuple(planes.tolist()), tuple(others.tolist()))


def _middle(values: F64) -> tuple[float, float, float]:
    """Median, the range of the middle half, and how many there are."""
    low, middle, high = np.percentile(values, [25, 50, 75])
    return float(middle), float(high - low), float(values.size)


def _borne_out(frames: F64, values: F64, near: float, spread: F64, count: F64) -> F64:
    """Values of frames (N,), and at `_BEYOND` frames on either side; those far off the course are replaced.

    The course is a line, found by reweighting (Tukey's biweight); `near`: what counts as on it at least.
    """
    weight = count / (spread**2 + near**2)
    share, scale = np.ones_like(weight), near
    off = np.zeros_like(values)
    for _ in range(_ROUNDS):
        off = values - np.polyval(np.polyfit(frames, values, 1, w=np.sqrt(weight * share)), frames)
        scale = max(near, _TO_DEVIATION * _weighted_median(np.abs(off), weight))
        share = np.maximum((1 - (off / (_CUT * scale)) ** 2).clip(0) ** 2, 1e-9)
    kept = np.abs(off) <= _KEPT * scale
    if kept.sum() < 2:
        kept = np.ones_like(kept)
    at, good, heavy = frames[kept], values[kept], np.sqrt(weight[kept])
    whole = np.concatenate([[frames[0] - _BEYOND], frames, [frames[-1] + _BEYOND]])
    out = np.interp(whole, at, good)
    for end, beyond in ((slice(None, _AT_END), whole < at[0]), (slice(-_AT_END, None), whole > at[-1])):
        slope = np.polyfit(at[end], good[end], 1, w=heavy[end])[0]
        from_, value = (at[0], good[0]) if end.start is None else (at[-1], good[-1])
        out[beyond] = value + slope * (whole[beyond] - from_)
    return np.asarray(out, np.float64)


def _weighted_median(values: F64, weight: F64) -> float:
    order = np.argsort(values)
    share = np.cumsum(weight[order]) / weight.sum()
    return float(values[order][np.searchsorted(share, 0.5)])


@dataclass(frozen=True, slots=True, eq=False)
class Carried:
    """An area of one view in the other: in `box`, the place (h, w, 2) of the first that each px shows.

    NaN where it shows none of it, as where something nearer covers it. share: of the area, how much of it the
    other view shows; shift_px: how far it lies from there, to the right, in px of the views (median).
    """

    box: Box
    places_px: NDArray[np.float32]
    share: float
    shift_px: float


def carried(
    stroke: Stroke, eye: int, lie: Lie, plane_px: float | None, leeway_px: float = _LEAST_LEEWAY_PX
) -> Carried | str:
    """Find a stroke on the view of `eye` (0 the first, 1 the second) again in the other one.

    plane_px: disparity (map px) of the plane that it lies in, if that is known, and how far from it things
    may lie. Else the median of what was measured counts. Returns the reason if it cannot be found.
    """
    lie = _rows_around(stroke, eye, lie)
    own = lie.disparity if eye == 0 else seen_by_second(lie.disparity)
    inside, wide = _on_map(stroke, eye, lie)
    if plane_px is None:
        known = own[inside & np.isfinite(own)]
        if not known.size:
            return "no depth is known there"
        plane_px = float(np.median(known))
    # measured where that is near the plane, else the plane; outside the area as it was measured
    own_plane = np.where(np.abs(own - np.float32(plane_px)) <= leeway_px, own, np.float32(plane_px))
    way = -1 if eye == 0 else 1
    nearest = _splatted(np.where(inside, np.float32(np.nan), own), way)
    share = _shown(np.where(inside, own_plane, np.float32(np.nan)), nearest, leeway_px, way)
    if not share:
        return "it is hidden there by what stands nearer, or lies outside the picture"
    moved = _splatted(np.where(wide, own_plane, np.float32(np.nan)), way)
    covered = nearest > moved + np.float32(leeway_px)
    laid = _closed(np.where(covered, np.float32(np.nan), moved), covered)
    return _at_full_size(laid, eye, lie, share, _shift(stroke, eye, lie, float(np.median(own_plane[inside]))))


def _rows_around(stroke: Stroke, eye: int, lie: Lie) -> Lie:
    """The same with only those rows of the map that a stroke can matter for: things move along rows."""
    room = stroke.radius_px / lie.factor + _MARGIN_PX
    rows = lie.to_map(np.array(stroke.points_px, np.float64).reshape(-1, 2), eye)[:, 1]
    reach = _WIDEST * room + _MARGIN_PX
    first = min(max(int(rows.min() - reach), 0), lie.disparity.shape[0] - 1)
    after = max(int(rows.max() + reach) + 2, first + 1)
    return replace(lie, disparity=lie.disparity[first:after], top=lie.top + first)


def _on_map(stroke: Stroke, eye: int, lie: Lie) -> tuple[Mask, Mask]:
    """What of the map is inside a stroke, and the same with some margin."""
    height, width = lie.disparity.shape
    places = lie.to_view(places_in((0, 0, width, height)).astype(np.float64), eye)
    distance = stroke.distance_px(places.astype(np.float32))
    reach = max(stroke.radius_px, 0.75 * lie.factor)  # a dab smaller than a px of the map is one px of it
    return distance <= reach, distance <= stroke.radius_px + _MARGIN_PX * lie.factor


def _shown(area: Plane, nearest: Plane, leeway_px: float, way: int) -> float:
    """Share of the places of an area (its disparity, NaN elsewhere) that the other view shows."""
    rows, columns = np.nonzero(np.isfinite(area))
    values = area[rows, columns]
    at = np.rint(columns + way * values.astype(np.float64)).astype(np.int64)
    good = (at >= 0) & (at < area.shape[1])
    over = nearest[rows[good], at[good]]
    good[good] = ~(over > values[good] + np.float32(leeway_px))
    return float(np.mean(good)) if good.size else 0.0


def _splatted(disparity: Plane, way: int) -> Plane:
    """Disparity (h, w) where the other view shows it: the nearest counts; NaN where nothing comes to lie."""
    rows, columns = np.nonzero(np.isfinite(disparity))
    values = disparity[rows, columns]
    out = np.full(disparity.shape, -np.inf, np.float32)
    at = columns + way * values.astype(np.float64)
    # on both sides of where it falls, so that what is stretched has no cracks
    for place in (np.floor(at), np.ceil(at)):
        there = place.astype(np.int64)
        good = (there >= 0) & (there < disparity.shape[1])
        np.maximum.at(out, (rows[good], there[good]), values[good])
    return np.where(np.isfinite(out), out, np.float32(np.nan))


def seen_by_second(disparity: Plane) -> Plane:
    """Disparity (h, w) of the second view as it lies, from that of the first; NaN where it alone sees."""
    return _closed(_splatted(disparity, -1), np.zeros(disparity.shape, np.bool_))


def _closed(laid: Plane, covered: Mask) -> Plane:
    """The same with single missing px told by their neighbours, unless something covers them."""
    known = np.isfinite(laid)
    weight: Any = cv2.blur(known.astype(np.float32), (3, 3))
    total: Any = cv2.blur(np.where(known, laid, np.float32(0)), (3, 3))
    fill = ~known & ~covered & (weight > 0.4)
    return np.where(fill, total / np.maximum(weight, np.float32(1e-6)), laid)


def _at_full_size(laid: Plane, eye: int, lie: Lie, share: float, shift_px: float) -> Carried | str:
    """Turn the map of the other view into places of the first, px by px of the full view."""
    rows, columns = np.nonzero(np.isfinite(laid))
    at = np.column_stack([columns, rows]).astype(np.float64)
    box = box_around(lie.to_view(at, 1 - eye), lie.size_px, lie.factor)
    if box is None:
        return "it lies outside the picture there"
    on_map = lie.to_map(places_in(box).astype(np.float64), 1 - eye)
    columns_at, rows_at = (np.ascontiguousarray(on_map[..., k], np.float32) for k in (0, 1))
    known = np.isfinite(laid)
    how: dict[str, Any] = {"interpolation": cv2.INTER_LINEAR, "borderMode": cv2.BORDER_CONSTANT}
    weight: Any = cv2.remap(known.astype(np.float32), columns_at, rows_at, **how)
    total: Any = cv2.remap(np.where(known, laid, np.float32(0)), columns_at, rows_at, **how)
    d = np.where(weight >= 0.5, total / np.maximum(weight, np.float32(1e-6)), np.nan).astype(np.float64)
    sign = 1.0 if eye == 0 else -1.0
    there = np.dstack([on_map[..., 0] + sign * d, on_map[..., 1]])
    return Carried(box, lie.to_view(there, eye).astype(np.float32), share, shift_px)


def _shift(stroke: Stroke, eye: int, lie: Lie, disparity_px: float) -> float:
    """How far to the right of its place in its own view the area lies in the other one, px of the views."""
    here = np.array(stroke.points_px, np.float64).mean(axis=0)[None]
    there = lie.to_map(here, eye) - np.array([[disparity_px if eye == 0 else -disparity_px, 0.0]])
    return float(lie.to_view(there, 1 - eye)[0, 0] - here[0, 0])
