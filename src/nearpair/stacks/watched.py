"""One stack while it is being shot: frames in, events out, a verdict at the end.

Each frame is registered on the one before it, as in `survey`. What is kept are the last few frames as small
pictures and running sums, and a few numbers for each frame. How focus responses are followed and judged is
handed in (`Follow`), for that belongs to views.
"""

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Plane, reduced
from nearpair.pixels.sharpness import detail_energy
from nearpair.stacks.align import Alignment, Structure, align, structures
from nearpair.stacks.events import (
    Event,
    ExposureChanged,
    Fault,
    FaultKind,
    FrameRepeated,
    FrameSeen,
    FrameSetAside,
    FrameShaken,
    GapFound,
    Shot,
    StackVerdict,
)
from nearpair.stacks.exposure import Exposure
from nearpair.stacks.gaps import SeenGap, Slice, missing_slices
from nearpair.stacks.registration import Step, drive_of, smoothed, step_from, wide_steps
from nearpair.stacks.shaking import Shake, energy, moved, shake, texture
from nearpair.stacks.survey import in_linear_light
from nearpair.stacks.sweep import Sweep, coarse_energy

_CELLS_ACROSS = 100
_HELD = 2
# A wide step is told when so many steps after it bear out how wide steps are here.
_BORNE_OUT = 2
_FEWEST = 5
# A gap of the focus responses needs a step so much wider than those around it, or, when the stack was driven
# by hand, than this part of all its steps.
_WIDER, _WIDE_BY_HAND = 1.3, 0.75
# An end is at fault when more of the picture than this would be sharper beyond it. Complete ray-traced stacks
# have at most 0.8 %, 2.5 % when small and of wide steps; three frames short where the subject is: 3 to 25 %.
_END_SHARE = 0.03
# Frames matter where this much of the picture is sharpest.
_SUBJECT_THERE = 0.01
_SPOILT_STOPS = 1.0
# The focus did not move when magnification changes by less than this part of what it usually does.
_REPEATED = 0.2
# ln of magnification a frame: below, its change says nothing about depth
_TELLING = 5e-4
_AT_HOME = Alignment(Similarity(), True, 1.0, (0.0, 0.0, 0.0, 0.0))
_UNLIKE = "It cannot be laid on the frame before it: a test shot, or the subject or the camera was knocked."


class Coverage(Protocol):
    """What the focus responses say about a stack."""

    @property
    def covered_fraction(self) -> float:
        """Share of the measured picture that is sharp in some frame."""

    @property
    def gaps(self) -> Sequence[SeenGap]:
        """Where responses do not overlap."""

    @property
    def share_at_first(self) -> float:
        """Share that would be sharper before the first frame."""

    @property
    def share_at_last(self) -> float:
        """Share that would be sharper after the last frame."""


class Response(Protocol):
    """Follows the focus response of every pixel, at half size, through a stack."""

    def add(self, energy: Plane) -> None:
        """Add the next frame's detail energy (h, w)."""

    def finish(self, size_px: tuple[int, int]) -> tuple[Plane, Coverage]:
        """(focus map at `size_px`, what it says about the stack), as far as the stack goes."""


Follow = Callable[[tuple[int, int]], Response]
"""How to follow focus responses, given the half size."""


@dataclass(slots=True)
class _Frame:
    """What is remembered of a frame."""

    file: str
    place: Similarity
    """This frame px → first frame px."""
    sigma_px: tuple[float, float, float, float]
    shake: Shake | None = None
    stops: float = 0.0


@dataclass(frozen=True, slots=True)
class _Held:
    """A frame whose neighbours are still to come, in the first frame's coordinates."""

    number: int
    texture: Plane
    energy: Plane


class WatchedStack:
    """The frames of one station, one by one in shooting order."""

    def __init__(self, number: int, follow: Follow, size: tuple[int, int], expected: int | None) -> None:
        """`size` (h, w) of the small pictures; `expected` frames if a stack before tells how many."""
        self.number = number
        self.frames: list[_Frame] = []
        self.size = size
        self._expected = expected
        self._cell_px = max(4, max(size) // _CELLS_ACROSS)
        self._response = follow((size[0] // 2, size[1] // 2))
        self._sweep = Sweep((size[0] // self._cell_px, size[1] // self._cell_px), self._cell_px)
        self._exposure = Exposure()
        self._last: tuple[Structure, ...] = ()
        self._good: Plane | None = None
        self._held: deque[_Held] = deque()
        self._changes: deque[float] = deque(maxlen=9)
        self._told: set[int] = set()

    def see(self, file: str, plane: Plane) -> list[Event]:
        """Take the next frame: a small luma (h, w), float32 in [0, 1]."""
        linear = in_linear_light(plane)
        current = structures(linear)
        found = align(current, self._last) if self._last else _AT_HOME
        if not found.related:
            return [FrameSetAside(file, _UNLIKE)]
        if self._is_repeated(found):
            return [FrameRepeated(self.number, file, self.frames[-1].file, is_copy=False)]
        place = found.transform.then(self.frames[-1].place) if self.frames else Similarity()
        self.frames.append(_Frame(file, place, found.sigma_px))
        self._last = current
        seen = moved(texture(plane, self._cell_px), place, self._cell_px)
        swept = self._sweep.add(energy(seen), coarse_energy(plane, self._cell_px), place)
        shares = (swept.here, swept.so_far, swept.cells)
        events: list[Event] = [FrameSeen(self.number, len(self.frames), self._expected, file, *shares)]
        events += self._exposed(file, float(linear.mean()))
        events += self._shaken(seen)
        self._hold(seen, plane, place)
        return events + self._gaps()

    def _is_repeated(self, found: Alignment) -> bool:
        """Whether the focus did not move: magnification stays, where it usually changes."""
        change = abs(math.log(found.transform.scale))
        usual = float(np.median(self._changes)) if len(self._changes) > 2 else 0.0
        if usual > _TELLING and change < _REPEATED * usual:
            return True
        if self.frames:
            self._changes.append(change)
        return False

    def _exposed(self, file: str, brightness: float) -> list[Event]:
        stops, is_news = self._exposure.add(brightness)
        self.frames[-1].stops = stops
        return [ExposureChanged(self.number, file, stops)] if is_news else []

    def _shaken(self, seen: Plane) -> list[Event]:
        """Judge the frames that are held, now that there is a frame after them."""
        events: list[Event] = []
        for held in list(self._held):
            found = shake(self._good, held.texture, seen) if self._good is not None else None
            if found:
                frame = self.frames[held.number]
                frame.shake = found
                self._held.remove(held)
                events.append(FrameShaken(self.number, frame.file, found.detail_left, found.direction_deg))
        return events

    def _hold(self, seen: Plane, plane: Plane, place: Similarity) -> None:
        half = reduced(detail_energy(plane), 2)
        matrix = place.resampled(0.5).matrix()
        half = np.asarray(cv2.warpAffine(half, matrix, half.shape[::-1], flags=cv2.INTER_LINEAR), np.float32)
        self._held.append(_Held(len(self.frames) - 1, seen, half))
        if self._good is None or len(self._held) > _HELD:
            self._settle()

    def _settle(self) -> None:
        """Take the oldest of the frames that are held as a good one."""
        held = self._held.popleft()
        self._good = held.texture
        self._response.add(held.energy)

    def _used(self) -> list[int]:
        """Numbers of the frames that are not shaken."""
        return [number for number, frame in enumerate(self.frames) if frame.shake is None]

    def _steps(self, used: list[int]) -> tuple[Step, ...]:
        """Steps between neighbouring good frames."""
        steps = []
        for i, k in pairwise(used):
            between = self.frames[k].place.then(self.frames[i].place.inverse())
            sigma = np.linalg.norm([self.frames[n].sigma_px for n in range(i + 1, k + 1)], axis=0)
            measured = Alignment(between, True, 1.0, tuple(sigma.tolist()))
            steps.append(step_from(measured, self.size))
        return smoothed(steps)

    def _gaps(self) -> list[Event]:
        """Tell of steps that are too wide, once the frames after them bear it out."""
        used = self._used()
        events: list[Event] = []
        for k, times in wide_steps(self._steps(used)):
            i, j = used[k], used[k + 1]
            known = k in self._told or j - i > 1
            if known or k > len(used) - 2 - _BORNE_OUT or self._sweep.share_at([i, j]) < _SUBJECT_THERE:
                continue
            self._told.add(k)
            events.append(GapFound(self.number, self._shot(i), self._shot(j), times))
        return events

    def verdict(self) -> StackVerdict:
        """Judge the stack as it is. No frame can be added afterwards."""
        while self._held:
            self._settle()
        used = self._used()
        half = (self.size[0] // 2, self.size[1] // 2)
        focus, found = self._response.finish((2 * half[0], 2 * half[1]))
        steps = self._steps(used)
        share = _share_per_frame(focus, len(used))
        faults, doubts = self._end_faults(found, used), []
        if drive_of(steps).is_even is False:
            faults, doubts = [], faults
        faults += self._frame_faults(used, share)
        slices = missing_slices(_borne_out(found.gaps, steps), wide_steps(steps), share)
        faults += [fault for s in slices if (fault := self._gap_fault(s, used)) is not None]
        if len(used) < _FEWEST or not np.isfinite(focus).any():
            faults, doubts = [Fault("too-few")], []
        ends = (self.frames[0].file, self.frames[-1].file)
        is_complete, covered = not faults, found.covered_fraction
        told = (*ends, is_complete, covered, tuple(faults), tuple(doubts))
        return StackVerdict(self.number, len(self.frames), *told)

    def _end_faults(self, found: Coverage, used: list[int]) -> list[Fault]:
        faults = []
        if found.share_at_first > _END_SHARE:
            faults.append(Fault("starts-late", before=self._shot(used[0]), share=found.share_at_first))
        if found.share_at_last > _END_SHARE:
            faults.append(Fault("ends-early", after=self._shot(used[-1]), share=found.share_at_last))
        return faults

    def _frame_faults(self, used: list[int], share: NDArray[np.float64]) -> list[Fault]:
        """Frames to shoot again: shaken or spoilt by their exposure, where part of the subject is sharp."""
        faults = []
        for number, frame in enumerate(self.frames):
            spoilt = abs(frame.stops) > _SPOILT_STOPS
            if frame.shake is None and not spoilt:
                continue
            around = [k for k, other in enumerate(used) if abs(other - number) <= 1]
            there = float(share[around].sum())
            if there >= _SUBJECT_THERE:
                kind: FaultKind = "shaken" if frame.shake else "exposure"
                after = self._shot(number - 1) if number else None
                before = self._shot(number + 1) if number + 1 < len(self.frames) else None
                faults.append(Fault(kind, after, before, self._shot(number), share=there / 2))
        return faults

    def _shot(self, number: int) -> Shot:
        return Shot(number + 1, self.frames[number].file)

    def _gap_fault(self, found: Slice, used: list[int]) -> Fault | None:
        """A missing slice, unless a shaken frame that is named anyway lies in it or beside it."""
        i, j = used[found.after_frame], used[found.after_frame + 1]
        if any(frame.shake for frame in self.frames[max(0, i - 1) : j + 2]):
            return None
        steps, share = found.width_steps, found.share
        return Fault("gap", self._shot(i), self._shot(j), width_steps=steps, share=share)

    def depth(self) -> float | None:
        """Change of magnification along the stack, ln; None when it is too small to tell."""
        steps = self._steps(self._used())
        total = abs(sum(step.ln_scale for step in steps))
        return total if total > _TELLING * max(1, len(steps)) else None


def _borne_out(gaps: Sequence[SeenGap], steps: Sequence[Step]) -> list[SeenGap]:
    """Gaps of the focus responses that the drive does not contradict.

    In an evenly driven stack the step has to be wider than those beside it, in one driven by hand wide among
    all of its steps. Where magnification does not tell, responses alone count, but not between the two
    frames at an end: there they are compared with one side only.
    """
    drive = drive_of(steps)
    if drive.is_even is None:
        return [gap for gap in gaps if 0 < gap.after_frame < len(steps) - 1]
    sizes = np.abs([step.ln_scale for step in steps])
    widths = np.array(drive.ratios) if drive.is_even else sizes / np.quantile(sizes, _WIDE_BY_HAND)
    return [gap for gap in gaps if widths[max(0, gap.after_frame - 1) : gap.after_frame + 2].max() > _WIDER]


def _share_per_frame(focus: Plane, frames: int) -> NDArray[np.float64]:
    """Share of the measured picture that is sharpest in each frame, (frames,)."""
    known = focus[np.isfinite(focus)]
    nearest = np.clip(np.rint(known), 0, max(0, frames - 1)).astype(np.int64)
    counted = np.bincount(nearest, minlength=frames).astype(np.float64)
    return np.asarray(counted / max(1, known.size))
