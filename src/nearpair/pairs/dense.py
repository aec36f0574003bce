"""Disparity of every pixel: matched by structure, colour and focus, then told by what is alike around.

Semi-global matching alone leaves holes, and makes near things wider by half of what it compares. So its jumps
in depth are drawn anew: near a jump, and where matching failed, the median disparity around counts, each
pixel weighted by how alike its colour is (weighted median filter: Ma et al., ICCV 2013, from memory). The
rim of what seems near, where background is easily taken for it, has little say in that.

Where the views have focus maps, these guide twice (`focal`): in the costs, where focus is trusted, and in the
votes, where it tells how near a place can be at most. The limits of that trust are shares of the depth that
the stack spans. Where focus says far of many places that are surely near, the views show what lies behind
things through them, and focus has no say in the votes.
"""

from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.pairs import dense_kernels as kernels
from nearpair.pairs.disparity import (
    MOST_DISPARITIES,
    SMALLEST_SIDE_PX,
    Known,
    aggregated,
    doubled,
    matched,
    refined,
    signature,
    textured,
)
from nearpair.pairs.focal import Guide, silent
from nearpair.pixels.bands import in_bands
from nearpair.pixels.luma import Pixels, Plane, luma, reduced

Colours = NDArray[np.uint8]

_SMALL, _LARGE = 14, 80
_JUMP_PX, _HIDDEN_PX = 2.0, 1.5
# How far votes are heard, how far from a jump they are asked for, and how wide its rim is: shares of the
# longer side, as larger pictures of the same things have wider veils and finer detail.
_REACH, _LEAST_REACH_PX, _STEPS = 0.016, 6, 6
_AROUND, _RIM = 0.0067, 0.002
# Places that nothing is known of vote too, a little, for the farther of their neighbours: else the near side
# of a wide hidden strip would fill it.
_RIM_WEIGHT, _GAP_WEIGHT, _ALIKE = 0.2, 0.3, 20.0
# Of what has a confidence of 0.3 to 0.5, two thirds are right on scenes and measured pairs. A place
# without texture is told what lies around it where more than so much around it is known: inside things.
_LEAST_CONFIDENCE, _SURROUNDED = 0.3, 0.6
# Shares of the depth of a stack: what costs all that focus can cost, and what focus may be off. Of sure
# places beside jumps, focus says of 1.5 % that they are farther in two ray-traced scenes, rightly in a
# fourth; of 5.7 % in a third scene whose views show ground through thin things, wrongly in 97 of 100.
_ALL_FOCUS, _LEEWAY = 0.12, 0.1
_SURE_MARGIN, _MOST_CONTRADICTED = 0.1, 0.03
_NOTHING = np.float32(1e6)


@dataclass(frozen=True, slots=True)
class Dense:
    """x_first − x_second in px of the first view, (h, w) each."""

    filled_px: Plane
    """Known everywhere: where only one eye sees, what is alike around."""
    occluded: Known
    """Where the second view shows something nearer instead, or ends."""
    confidence: Plane
    """0..1: the share of what is alike around that has this disparity; 0 far from any texture."""
    agreed: Known
    """Where matching says the same from both sides."""

    @property
    def px(self) -> Plane:
        """What is known with some confidence, and not seen by one eye alone; NaN elsewhere.

        At the rim of what is hidden, matching from both sides is believed.
        """
        sure = (self.confidence >= _LEAST_CONFIDENCE) & (self.agreed | ~self.occluded)
        return np.where(sure, self.filled_px, np.float32(np.nan))


def dense(first: Pixels, second: Pixels, lowest: int, highest: int, expected: Guide | None = None) -> Dense:
    """Match two pictures (h, w, 3) whose rows agree, for disparities lowest..highest (px, inclusive).

    expected: disparity that focus leads to expect (`focal`); None without focus maps.
    Memory and depth of a wide range: as `disparity.match_rows`.
    """
    size = (first.shape[0], first.shape[1])
    if expected is None:
        expected = silent(size)
    if highest - lowest < MOST_DISPARITIES or min(size) < 2 * SMALLEST_SIDE_PX:
        return _dense(first, second, lowest, highest, expected)
    halves = [reduced(picture, 2) for picture in (first, second)]
    rows, columns = halves[0].shape[:2]
    told = expected.halved((rows, columns))
    half = dense(halves[0], halves[1], lowest // 2, -(-highest // 2), told)
    occluded, confidence, agreed = (
        doubled(part, size) for part in (half.occluded, half.confidence, half.agreed)
    )
    return Dense(2 * doubled(half.filled_px, size), occluded, confidence, agreed)


def _dense(first: Pixels, second: Pixels, lowest: int, highest: int, expected: Guide) -> Dense:
    lumas = luma(first), luma(second)
    signatures = tuple(signature(plane) for plane in lumas)
    colours = _alike_in_brightness(first, second, (lowest + highest) // 2)
    cost = np.empty((*lumas[0].shape, highest - lowest + 1), np.uint8)
    told, per_px = (expected.first, expected.second), kernels.MOST_FOCUS / (_ALL_FOCUS * expected.deep_px)
    in_bands(len(cost), partial(kernels.coloured_costs, signatures, colours, told, per_px, lowest, cost))
    sums = aggregated(cost, lumas[0], _SMALL, _LARGE)
    del cost
    found = matched(sums, lowest)
    del sums
    seen = textured(signatures[0])
    known = np.where(found.same & seen, found.px, np.float32(np.nan))
    nearest = _at_most(expected, known, found.margin)
    px, confidence = _told_by_colour(colours[0], known, nearest, (lowest, highest))
    occluded = np.empty(px.shape, np.bool_)
    in_bands(len(px), partial(kernels.hidden, px, _HIDDEN_PX, occluded))
    fine = refined(lumas[0], lumas[1], np.where(occluded, np.float32(np.nan), px))
    confidence[~seen & ~_surrounded(known)] = 0
    return Dense(np.where(np.isfinite(fine), fine, px), occluded, confidence, found.same)


def _alike_in_brightness(first: Pixels, second: Pixels, shift_px: int) -> tuple[Colours, Colours]:
    """Both pictures in 8 bits, the second with the mean and contrast of the first, channel by channel."""
    one, two = (np.asarray(p, np.float32) / (1 if p.dtype == np.uint8 else 257) for p in (first, second))
    width, right, left = one.shape[1], max(0, shift_px), max(0, -shift_px)
    shared = one[:, right : width - left], two[:, left : width - right]
    if shared[0].size == 0:
        return _eight_bit(one), _eight_bit(two)
    gain = (shared[0].std(axis=(0, 1)) + 1) / (shared[1].std(axis=(0, 1)) + 1)
    even = (two - shared[1].mean(axis=(0, 1))) * gain + shared[0].mean(axis=(0, 1))
    return _eight_bit(one), _eight_bit(even)


def _eight_bit(picture: NDArray[np.floating[Any]]) -> Colours:
    return np.asarray(np.clip(np.rint(picture), 0, 255), np.uint8)


def _at_most(expected: Guide, known: Plane, margin: Plane) -> Plane:
    """Disparity (h, w) that focus allows each place at most; NaN everywhere if sure places contradict it."""
    nearest = expected.everywhere + np.float32(_LEEWAY * expected.deep_px)
    longer = max(known.shape)
    beside = _near_jump(known, max(3, round(_AROUND * longer))) & ~_rim(known) & np.isfinite(nearest)
    sure = beside & (margin > _SURE_MARGIN)
    if not sure.any() or np.mean(known[sure] > nearest[sure]) > _MOST_CONTRADICTED:
        return np.full_like(known, np.nan)
    return nearest


def _rim(known: Plane) -> Known:
    """What is nearer than something close by; also all that is unknown."""
    reach_px = max(1, round(_RIM * max(known.shape)))
    return ~np.asarray(known - _lowest(known, reach_px) <= _JUMP_PX)


def _surrounded(known: Plane) -> Known:
    """Where most of what votes are heard from is known."""
    reach = _reach_px(known)
    share = cv2.blur(np.isfinite(known).astype(np.float32), (2 * reach + 1,) * 2)
    return np.asarray(share > _SURROUNDED)


def _reach_px(plane: Plane) -> int:
    longer = int(max(plane.shape))
    return max(_LEAST_REACH_PX, round(_REACH * longer))


def _told_by_colour(
    colours: Colours, known: Plane, nearest: Plane, bounds: tuple[int, int]
) -> tuple[Plane, Plane]:
    """Disparity near jumps and where it is unknown (NaN), by votes; and how many of the votes agree."""
    reach = _reach_px(known)
    there = np.isfinite(known)
    weight = np.where(there, np.float32(1), np.float32(_GAP_WEIGHT))
    weight[there & _rim(known)] = _RIM_WEIGHT
    by_colour = np.exp(-np.arange(766) / _ALIKE).astype(np.float32)
    by_distance = np.exp(-np.arange(reach + 1) / reach).astype(np.float32)
    asked = ~there | _near_jump(known, max(3, round(_AROUND * max(known.shape))))
    out, support = np.empty_like(known), np.empty_like(known)
    step = max(1, round(reach / _STEPS))
    heard = (colours, _beside(known, bounds[0]), weight, asked, bounds, step, by_colour, by_distance, nearest)
    in_bands(len(known), partial(kernels.vote, *heard, there, out, support))
    return out, support


def _near_jump(disparity: Plane, reach_px: int) -> Known:
    """Where known disparity jumps from one pixel to the next or next but one, and around that."""
    nearest, farthest = -_lowest(-disparity, 1), _lowest(disparity, 1)
    jump = (nearest - farthest > _JUMP_PX) & (farthest < _NOTHING / 2)
    window = np.ones((2 * reach_px + 1,) * 2, np.uint8)
    return np.asarray(cv2.dilate(jump.astype(np.uint8), window) > 0)


def _lowest(plane: Plane, reach_px: int) -> Plane:
    """Least known value within a square around each pixel, very large where there is none."""
    window = np.ones((2 * reach_px + 1,) * 2, np.uint8)
    return np.asarray(cv2.erode(np.where(np.isnan(plane), _NOTHING, plane), window))


def _beside(disparity: Plane, lowest_px: int) -> Plane:
    """Give what is unknown the farther of its two neighbours in the row: what one eye misses lies behind."""
    known, width = np.isfinite(disparity), disparity.shape[1]
    columns = np.arange(width)
    before = np.maximum.accumulate(np.where(known, columns, -1), axis=1)
    after = np.minimum.accumulate(np.where(known, columns, width)[:, ::-1], axis=1)[:, ::-1]
    held = np.pad(np.where(known, disparity, np.inf), ((0, 0), (1, 1)), constant_values=np.inf)
    rows = np.arange(len(disparity))[:, None]
    filled = np.minimum(held[rows, before + 1], held[rows, after + 1])
    least = np.min(disparity[known]) if known.any() else lowest_px
    return np.where(np.isfinite(filled), filled, least).astype(np.float32)
