"""The focus map of a view: in which (fractional) frame each pixel was sharpest, and what the stack missed."""

from collections import deque
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from nearpair.pixels.bands import InBands, one_band
from nearpair.pixels.luma import Plane
from nearpair.views import focus_kernels as kernels

# A pixel counts as measured when its sharpest frame has this many times the energy of the noise floor
# (the typical least energy over the frames), and this many times its own mean over the frames.
_OVER_FLOOR = 4.0
_OVER_MEAN = 1.5
_WINDOW, _SMALL_WINDOW = 5, 3
# energies of more samples on their longer side than this are followed at half their size
_LARGE = 1800
# A response that rises towards an end of the stack: by this much a frame (ln), and either slowly or steeply,
# in units of 1/σ²; above this many times the noise floor. A peak at the end falls by ½ and then 2 units.
_RISE = 0.03
_SLOW, _STEEP = 0.7, 1.3
_FAINT = 1.5
_TINY = 1e-12

Known = np.ndarray[tuple[int, int], np.dtype[np.bool_]]


def _typical(plane: Plane) -> float:
    """The median of a plane, read from every fourth row and column."""
    return float(np.median(plane[::4, ::4]))


class FocusTracker:
    """Follows the focus response of every pixel, at half size or less, through a stack."""

    def __init__(self, size: tuple[int, int], in_bands: InBands = one_band) -> None:
        """`size` (h, w) of the energies that will be added: half the frames' size, rounded up.

        Large ones are followed at half of that: they are pooled over more than that anyway.
        in_bands: runs work(top, bottom) over bands of rows, on several cores if it likes.
        """
        self._in_bands = in_bands
        self._halved = max(size) > _LARGE
        if self._halved:
            size = (-(-size[0] // 2), -(-size[1] // 2))
        self._best = np.full(size, -1.0, np.float32)
        self._before = np.full(size, -1.0, np.float32)
        self._after = np.full(size, -1.0, np.float32)
        self._total = np.zeros(size, np.float32)
        self._least = np.full(size, np.inf, np.float32)
        self._index = np.zeros(size, np.int16)
        self._early: list[Plane] = []
        self._late: deque[Plane] = deque(maxlen=3)
        self._number = 0

    def add(self, energy: Plane) -> None:
        """Add the next frame's detail energy (h, w)."""
        pooled = self._pooled(energy)
        track = partial(
            kernels.track_peak,
            pooled,
            self._late[-1] if self._late else np.full_like(pooled, -1.0),
            self._number,
            self._best,
            self._index,
            self._before,
            self._after,
            self._total,
            self._least,
        )
        self._in_bands(pooled.shape[0], track)
        if self._number < 3:
            self._early.append(pooled)
        self._late.append(pooled)
        self._number += 1

    def _pooled(self, energy: Plane) -> Plane:
        if not self._halved:
            return np.asarray(cv2.blur(energy, (_WINDOW, _WINDOW)), np.float32)
        size = (self._best.shape[1], self._best.shape[0])
        halved = cv2.resize(energy, size, interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.blur(halved, (_SMALL_WINDOW, _SMALL_WINDOW)), np.float32)

    def finish(self, size_px: tuple[int, int]) -> tuple[Plane, Plane]:
        """(focus map at `size_px` (H, W), NaN where unknown; width of the response, frames, smaller).

        −1, and the number of frames, mean: it would be sharper beyond that end of the stack.
        """
        position = np.empty_like(self._best)
        width = np.empty_like(self._best)
        fill = partial(
            kernels.interpolate_peak, self._best, self._index, self._before, self._after, position, width
        )
        self._in_bands(self._best.shape[0], fill)
        unknown = ~self._measured()
        width[unknown] = np.nan
        before, after = self._find_beyond(width)
        position = np.asarray(cv2.medianBlur(position, 5), np.float32)
        position[unknown] = np.nan
        position[before], position[after] = -1.0, float(self._number)
        each = 4 if self._halved else 2
        focus = np.repeat(np.repeat(position, each, axis=0), each, axis=1)[: size_px[0], : size_px[1]]
        return np.ascontiguousarray(focus), width

    def _find_beyond(self, width: Plane) -> tuple[Known, Known]:
        """Pixels that would be sharper before the first, and after the last frame.

        Their energy still rises towards the end of the stack. A peak just at the end falls off steeply two
        frames inside it, by exp(2/σ²) for a response of width σ; one that lies far beyond falls slowly.
        """
        nowhere = np.zeros(self._best.shape, np.bool_)
        if self._number < 5 or not np.any(np.isfinite(width)):
            return nowhere, nowhere
        fall = 1 / float(np.nanmedian(width)) ** 2
        floor = _typical(self._least)
        late = list(self._late)[::-1]
        first = self._rising(self._early, 0, fall, floor)
        return first, self._rising(late, self._number - 1, fall, floor)

    def _rising(self, inwards: list[Plane], number: int, fall: float, floor: float) -> Known:
        """Where the energies of the end frame and the two inside it say that the peak lies beyond."""
        beyond = np.zeros(self._best.shape, np.bool_)
        here = self._index == number
        energies = [energy[here] for energy in inwards]
        # a frame that does not see the place has no energy there, and says nothing of how the response falls
        seen = (energies[1] > _TINY) & (energies[2] > _TINY) & (energies[0] > _FAINT * floor)
        # noise adds to all alike, and would make a steep fall look slow
        end, beside, inside = (np.maximum(energy - floor, _TINY) for energy in energies)
        outer, inner = np.log(end / beside), np.log(end / inside)
        # far beyond: a slow, steady rise; a little beyond: the outer step alone is steeper than at a peak
        slow = (outer > _RISE) & (inner > outer + _RISE) & (inner < _SLOW * fall)
        beyond[here] = seen & (slow | (outer > _STEEP * fall))
        return beyond

    def _measured(self) -> Known:
        if self._number < 3:
            return np.zeros(self._best.shape, np.bool_)
        floor = _typical(self._least) + 1e-12
        mean = self._total / self._number
        return np.asarray((self._best > _OVER_FLOOR * floor) & (self._best > _OVER_MEAN * mean))


@dataclass(frozen=True, slots=True)
class Gap:
    """A slice of depth that no frame has in focus: after which frame, and how many steps wide."""

    after_frame: int
    width_steps: float
    share: float
    """Share of the measured picture that lies around this gap."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """What the focus responses say about a stack."""

    covered_fraction: float
    """Of the textured picture, the share whose sharpest frame lies inside the stack and not in a gap."""
    gaps: tuple[Gap, ...]
    share_at_first: float
    share_at_last: float
    """Shares of the textured picture that would be sharper beyond the first, and beyond the last frame."""
    response_width: float = 0.0
    """Usual σ of the focus response in frames: how closely the frames lie for the depth of field."""


_GAP_NARROWER = 0.8
_FEWEST_SHARE = 0.003
# Neighbours to compare with, in frames: farther away the response is another one (false alarms on ray-traced
# stacks with frames taken out: 11 of 162 up to 6 frames away, none up to 4, with no fewer gaps found).
_NEAR, _WIDE = 2, 4
# A gap of g steps narrows the median response between its two frames to about g^(−0.42) of that around it:
# measured on ray-traced stacks with frames taken out (g = 2: 0.76, g = 3: 0.62).
_WIDTH_POWER = 1 / 0.42


def coverage(focus: Plane, response_width: Plane, frames: int) -> Coverage:
    """Find missing slices: where frames lie twice as far apart, responses look half as wide (in frames).

    focus (H, W), response_width (h, w) at a half or a quarter of the size, as `FocusTracker` gives them.
    """
    step = -(-focus.shape[0] // response_width.shape[0])
    small = focus[::step, ::step][: response_width.shape[0], : response_width.shape[1]]
    known = np.isfinite(small)
    total = int(known.sum())
    if total == 0 or frames < 3:
        return Coverage(0.0, (), 0.0, 0.0)
    position = small[known]
    gaps = _gaps(position, response_width[known], frames, total)
    first = float(np.mean(position < 0))
    last = float(np.mean(position > frames - 1))
    missing = first + last + sum(g.share for g in gaps)
    usual = response_width[np.isfinite(response_width)]
    width = float(np.median(usual)) if usual.size else 0.0
    return Coverage(max(0.0, 1.0 - missing), gaps, first, last, width)


def _gaps(position: Plane, width: Plane, frames: int, total: int) -> tuple[Gap, ...]:
    usable = np.isfinite(width)
    around, share = np.full(frames - 1, np.nan), np.zeros(frames - 1)
    for k in range(frames - 1):
        here = usable & (position > k - 0.5) & (position < k + 1.5)
        share[k] = float(here.sum()) / total
        if share[k] >= _FEWEST_SHARE:
            around[k] = np.median(width[here])
    found = []
    for k in np.flatnonzero(np.isfinite(around)).tolist():
        # compared with its own surroundings: the response also changes with the kind of texture
        lower, upper = around[max(0, k - _WIDE) : max(0, k - _NEAR + 1)], around[k + _NEAR : k + _WIDE + 1]
        near = np.concatenate([lower, upper])
        near = near[np.isfinite(near)]
        if len(near) >= 2 and around[k] < _GAP_NARROWER * np.median(near):
            steps = float(np.median(near) / around[k]) ** _WIDTH_POWER
            found.append(Gap(k, steps, float(share[k])))
    return _strongest_of_neighbours(found)


def _strongest_of_neighbours(gaps: list[Gap]) -> tuple[Gap, ...]:
    kept: list[Gap] = []
    for gap in gaps:
        if kept and gap.after_frame - kept[-1].after_frame <= _NEAR:
            if gap.width_steps > kept[-1].width_steps:
                kept[-1] = gap
        else:
            kept.append(gap)
    return tuple(kept)
