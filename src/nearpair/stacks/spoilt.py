"""Frames of a finished stack that add nothing or harm: shaken, or shot again without moving the focus.

Like `watched`, but over frames that are all there, as the survey meets them.
"""

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Plane
from nearpair.stacks.shaking import moved, shake, texture_of

_CELLS_ACROSS = 100
_HELD = 2
# Neighbouring frames of a stack differ by so much of what is usual in it; a frame that was shot twice differs
# by its noise alone. Ray-traced stacks: steps at least 0.55, repeated frames with other noise 0.1 to 0.25.
_REPEATED = 0.2
_FEWEST_STEPS = 4


@dataclass(frozen=True, slots=True)
class Spoilt:
    """A frame at fault. `kind`: "shaken" or "repeated" (the same as the frame before it).

    detail_left: share of the expected detail energy; direction_deg: of the blur, clockwise from the
    horizontal, None without one. Both only of shaken frames.
    """

    frame: int
    kind: str
    detail_left: float | None = None
    direction_deg: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """What is compared of a frame: its texture by cells, and itself, small and without its finest noise."""

    texture: Plane
    small: Plane


def looked(detail: Plane, brightness: float, half: Plane) -> Looked:
    """Prepare a small luma: its `finest_detail` (h, w), its mean, and half its size in linear light."""
    cells = texture_of(detail, brightness, _cell_px(detail.shape))
    return Looked(cells, np.asarray(cv2.GaussianBlur(half, (0, 0), 1.0), np.float32))


def _cell_px(size: tuple[int, ...]) -> int:
    return max(4, max(size) // _CELLS_ACROSS)


class SpoiltFrames:
    """Follows a stack frame by frame."""

    def __init__(self, size: tuple[int, int]) -> None:
        """`size` (h, w) of the small pictures."""
        self._cell_px = _cell_px(size)
        self._good: Plane | None = None
        self._held: deque[tuple[int, Plane]] = deque()
        self._last: Plane | None = None
        self._changes: list[tuple[int, float]] = []
        self._shaken: list[Spoilt] = []

    def add(self, number: int, frame: Looked, to_first: Similarity) -> None:
        """Take the next registered frame, with its number and its place on the first one."""
        if self._last is not None:
            apart = cv2.absdiff(frame.small, self._last)
            self._changes.append((number, float(np.mean(apart, dtype=np.float64))))
        self._last = frame.small
        seen = moved(frame.texture, to_first, self._cell_px)
        for held in list(self._held):
            found = shake(self._good, held[1], seen) if self._good is not None else None
            if found:
                self._shaken.append(Spoilt(held[0], "shaken", found.detail_left, found.direction_deg))
                self._held.remove(held)
        self._held.append((number, seen))
        if self._good is None or len(self._held) > _HELD:
            self._good = self._held.popleft()[1]

    def finish(self) -> tuple[Spoilt, ...]:
        """All frames at fault, in their order."""
        repeated: list[Spoilt] = []
        if len(self._changes) >= _FEWEST_STEPS:
            usual = float(np.median([change for _, change in self._changes]))
            repeated = [Spoilt(n, "repeated") for n, change in self._changes if change < _REPEATED * usual]
        return tuple(sorted([*self._shaken, *repeated], key=lambda fault: fault.frame))
