"""Which frame shows each place best, as both eyes agree: by focus and by the parallax of each plane of focus.

What a frame has in focus lies in a plane, and so has one disparity. Where a frame of one eye is right for a
place, the other eye's frame of the same plane shows the same there, moved by that disparity. Grain of the
ground seen through a blurred near thing does not pass: the blurred thing stands elsewhere in the other eye.
A plane sweep (Collins, CVPR 1996) over frames, each with its own focus. What is thin and near is looked for
beside that (`solid`), for the sweep alone misses it.
"""

from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.projective import Projective
from nearpair.pairs import agreed_kernels as kernels
from nearpair.pairs import solid, solid_kernels
from nearpair.pixels.bands import in_bands
from nearpair.pixels.luma import Plane
from nearpair.pixels.moved import moved

F64 = NDArray[np.float64]
Frames = NDArray[np.uint8]
"""Lumas of the frames of one eye on its reference frame, (n, h, w)."""
Known = NDArray[np.bool_]

_ENERGY_SCALE = 1e4
_ENERGY_WINDOW, _MISMATCH_WINDOW = 5, 3
_HALO = solid.REACH_PX
# Differences of the eyes, in 8-bit units: what one e-fold costs, the most that counts, and what is said where
# the other eye's frame ends.
_TOLERANCE, _MOST_MISMATCH, _NO_MISMATCH = 2.0, 40.0, 12.0
# Costs of a path in units of ln: one frame on; a jump without and with an edge of so many 8-bit units.
_SMALL, _JUMP, _JUMP_AT_EDGE, _EDGE = 0.3, 4.0, 0.3, 8.0
_PATHS = ((0, 1), (0, -1), (1, 0), (-1, 0))  # four more, aslant, change nothing that is measured
_SPREAD_FRAMES, _SPREAD_REACH = 1.5, 6

_CLEAR = 2.0
_FEWEST_PLACES, _FEWEST_FRAMES = 40, 5
_LEAST_RANGE_PX = 2.0
_FITS_PX, _FITS_FRAMES = 1.0, 2.0


@dataclass(frozen=True, slots=True)
class Sharpest:
    """Of one eye: its sharpest luma (h, w) in [0, 1], the frame it is from, and whether that is clear."""

    luma: Plane
    index: NDArray[np.int16]
    clear: Known

    def laid(self, place: Projective) -> "Sharpest":
        """The same, moved to its place on the other eye's rows; nothing is clear beyond its sides."""
        size, matrix = (self.luma.shape[0], self.luma.shape[1]), place.matrix()
        index = moved(self.index, matrix, size, cv2.INTER_NEAREST, cv2.BORDER_CONSTANT)
        clear = moved(self.clear.astype(np.uint8), matrix, size, cv2.INTER_NEAREST, cv2.BORDER_CONSTANT)
        luma = moved(self.luma, matrix, size, cv2.INTER_LINEAR, cv2.BORDER_REPLICATE)
        return Sharpest(
            np.asarray(luma, np.float32), np.asarray(index, np.int16), np.asarray(clear > 0, np.bool_)
        )


@dataclass(frozen=True, slots=True)
class Planes:
    """For each frame of one eye: where the other eye sees its plane of focus, and in which frame."""

    moved_px: F64
    """x here − x there."""
    partner: F64
    near_last: bool
    """Whether later frames of this eye are focused nearer."""

    def reversed(self, count: int) -> "Planes":
        """The same, seen from the second eye, of `count` frames."""
        order = np.argsort(self.partner, kind="stable")
        numbers = np.arange(len(self.partner), dtype=np.float64)
        frames = np.arange(count, dtype=np.float64)
        partner = np.interp(frames, self.partner[order], numbers[order])
        near_last = self.near_last == bool(self.partner[-1] > self.partner[0])
        return Planes(-np.interp(partner, numbers, self.moved_px), partner, near_last)


def detail(plane: Plane) -> Plane:
    """Energy of the finest detail of a luma (h, w) in [0, 1], pooled over 5 x 5, scaled like a merge's."""
    size = (plane.shape[1], plane.shape[0])
    fine = plane - np.asarray(cv2.pyrUp(cv2.pyrDown(plane), dstsize=size), np.float32)
    window = (_ENERGY_WINDOW, _ENERGY_WINDOW)
    return np.asarray(cv2.blur(fine * fine, window) * np.float32(_ENERGY_SCALE), np.float32)


def sharpest(frames: Frames) -> Sharpest:
    """Take every pixel from the frame that is sharpest there."""
    best = np.full(frames.shape[1:], -1.0, np.float32)
    total = np.zeros(frames.shape[1:], np.float32)
    index = np.zeros(frames.shape[1:], np.int16)
    luma = np.zeros(frames.shape[1:], np.float32)
    for number, frame in enumerate(frames):
        plane = frame.astype(np.float32) / np.float32(255)
        energy = detail(plane)
        better = energy > best
        best[better], luma[better], index[better] = energy[better], plane[better], number
        total += energy
    clear = np.asarray(best > _CLEAR * (total / len(frames) + 1e-6))
    return Sharpest(luma, np.asarray(cv2.medianBlur(index, 5), np.int16), clear)


def planes_of(first: Sharpest, second: Sharpest, disparity: Plane, counts: tuple[int, int]) -> Planes | None:
    """Fit the planes to the dense `disparity` (h, w) of two sharpest pictures whose rows agree.

    counts: frames of the first and of the second eye. None where focus and parallax do not tell one course.
    """
    rows, columns = np.nonzero(np.isfinite(disparity) & first.clear)
    moved = np.rint(columns - disparity[rows, columns]).astype(np.int64)
    inside = (moved >= 0) & (moved < disparity.shape[1])
    rows, columns, moved = rows[inside], columns[inside], moved[inside]
    both = second.clear[rows, moved]
    rows, columns, moved = rows[both], columns[both], moved[both]
    numbers, px, partners, weights = [], [], [], []
    frame = first.index[rows, columns]
    for number in range(counts[0]):
        here = frame == number
        if here.sum() >= _FEWEST_PLACES:
            numbers.append(number)
            px.append(float(np.median(disparity[rows, columns][here])))
            partners.append(float(np.median(second.index[rows, moved][here])))
            weights.append(float(np.sqrt(here.sum())))
    if len(numbers) < _FEWEST_FRAMES:
        return None
    given = np.array(numbers, np.float64), np.array(weights)
    course = _course(*given, np.array(px), counts[0], _FITS_PX)
    partner = _course(*given, np.array(partners), counts[0], _FITS_FRAMES)
    if course is None or partner is None or abs(course[-1] - course[0]) < _LEAST_RANGE_PX:
        return None
    return Planes(course, np.clip(partner, 0.0, counts[1] - 1.0), bool(course[-1] > course[0]))


def _course(numbers: F64, weights: F64, values: F64, count: int, fits: float) -> F64 | None:
    """A smooth monotone course through most of the values, at 0 .. count − 1; None if there is none."""
    at, middle = np.arange(count, dtype=np.float64), (count - 1) / 2
    for degree in (2, 1):
        keep = np.ones(len(numbers), np.bool_)
        for _ in range(4):
            terms = np.polynomial.polynomial.polyfit(
                numbers[keep] - middle, values[keep], degree, w=weights[keep]
            )
            off = np.abs(values - np.polynomial.polynomial.polyval(numbers - middle, terms))
            spread = max(3 * float(np.median(off)), fits / 2)
            if (off < spread).sum() <= degree + 1:
                return None
            keep = off < spread
        course = np.asarray(np.polynomial.polynomial.polyval(at - middle, terms), np.float64)
        steps = np.diff(course)
        if (np.all(steps > 0) or np.all(steps < 0)) and float(np.median(off)) < fits:
            return course
    return None


def agreed(frames: Frames, others: Frames, planes: Planes) -> Frames:
    """How well each frame of one eye fits each place, 255 for the best, 0 where it is hidden, (n, h, w).

    others: frames of the other eye (m, h, w), on the same rows; planes: seen from this eye.
    """
    count, height, width = frames.shape
    cost = np.empty((height, width, count), np.uint8)
    hidden, sure = np.empty((height, width), np.int16), np.empty((height, width), np.uint8)
    in_bands(height, partial(_evidence, frames, others, planes, cost, hidden, sure))
    seen = np.ascontiguousarray(frames.transpose(1, 2, 0))
    sums = np.zeros((height, width, count), np.uint16)
    edges = np.arange(256) / _EDGE
    jump = kernels.STEPS * (_JUMP_AT_EDGE + (_JUMP - _JUMP_AT_EDGE) * np.exp(-(edges**2)))
    small, jumps = round(kernels.STEPS * _SMALL), np.rint(jump).astype(np.uint16)
    for down, right in _PATHS:
        kernels.along(cost, seen, down, right, small, jumps, planes.near_last, sums)
    spread = np.exp(-(np.arange(_SPREAD_REACH + 1) ** 2) / (2 * _SPREAD_FRAMES**2)).astype(np.float32)
    out = np.empty(frames.shape, np.uint8)
    behind = solid.of_things(hidden, sure)
    in_bands(height, partial(kernels.shares, sums, len(_PATHS), spread, behind, planes.near_last, out))
    return out


def _evidence(
    frames: Frames,
    others: Frames,
    planes: Planes,
    cost: NDArray[np.uint8],
    hidden: solid.Counts,
    sure: NDArray[np.uint8],
    top: int,
    bottom: int,
) -> None:
    start, end = max(0, top - _HALO), min(frames.shape[1], bottom + _HALO)
    energy, mismatch, alike = (
        np.empty((len(frames), bottom - top, frames.shape[2]), np.float32) for _ in range(3)
    )
    narrow = np.empty(energy.shape, np.uint8)
    inner = slice(top - start, bottom - start)
    for number, frame in enumerate(frames[:, start:end]):
        other = others[round(float(planes.partner[number])), start:end]
        disparity_px = float(planes.moved_px[number])
        here, there = frame.astype(np.float32), _there(other, disparity_px)
        energy[number] = detail(here / np.float32(255))[inner]
        mismatch[number] = _mismatch(here, there, disparity_px)[inner]
        alike[number] = solid.alike(here, there)[inner]
        narrow[number] = solid.narrow(frame)[inner]
    kernels.evidence(energy, mismatch, _TOLERANCE, cost[top:bottom])
    solid_kernels.hidden_frames(
        energy, mismatch, alike, narrow, planes.near_last, hidden[top:bottom], sure[top:bottom]
    )


def _there(other: Frames, disparity_px: float) -> Plane:
    """The other eye's frame, moved to where this eye has the plane of focus."""
    rows, columns = other.shape
    matrix = np.array([[1.0, 0.0, disparity_px], [0.0, 1.0, 0.0]])
    moved = cv2.warpAffine(other.astype(np.float32), matrix, (columns, rows), borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, np.float32)


def _mismatch(frame: Plane, there: Plane, disparity_px: float) -> Plane:
    """How much two frames of one plane differ where it is, 8-bit units."""
    columns = frame.shape[1]
    differ = np.minimum(np.abs(frame - there), np.float32(_MOST_MISMATCH))
    x = np.arange(columns) - disparity_px
    differ[:, (x < 0) | (x > columns - 1)] = _NO_MISMATCH
    return np.asarray(cv2.blur(differ, (_MISMATCH_WINDOW, _MISMATCH_WINDOW)), np.float32)
