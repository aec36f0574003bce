"""Watching a shoot: frames in as they arrive, events out, a verdict for each stack.

A state machine without files or clock. It knows which station the camera stands at (see `jumps` and `runs`),
and hands each frame to the stack of that station (`watched`). At most two stacks are held: the one before is
judged as soon as it is clear that the camera did not come back to it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray

from nearpair.stacks.events import (
    Event,
    FrameRepeated,
    FrameSetAside,
    StackBegun,
    StacksCompared,
    StackVerdict,
    WatchEnded,
)
from nearpair.stacks.jumps import Look, look_at, shift_between
from nearpair.stacks.runs import STRAY_FRAMES, Cut, Link
from nearpair.stacks.watched import Follow, WatchedStack

# Stacks are alike when they differ by no more frames, or steps of depth, than this.
_ALIKE_FRAMES, _ALIKE_STEPS = 1, 1.5
_TEST_SHOT = "It shows another framing than the stack: it looks like a test shot."
_ANOTHER_PICTURE = "It shows something else than the frames before it: it looks like a test shot."
_OTHER_SIZE = (
    "It is {1} x {0} px (reduced) where the stack has {3} x {2} px: frames of one stack share their size."
)


@dataclass(slots=True)
class _Place:
    """A stack, and what its last frame looked like."""

    stack: WatchedStack
    look: Look
    is_told: bool


@dataclass(frozen=True, slots=True)
class _Judged:
    verdict: StackVerdict
    depth: float | None


class Watcher:
    """Takes the frames of a shoot in shooting order."""

    def __init__(self, follow: Follow) -> None:
        self._follow = follow
        self._now: _Place | None = None
        self._before: _Place | None = None
        self._judged: list[_Judged] = []
        self._files: dict[bytes, str] = {}

    def copy_of(self, luma: NDArray[np.uint8]) -> str | None:
        """Name the frame that was seen already with exactly this picture."""
        return self._files.get(_digest(luma))

    def rename(self, luma: NDArray[np.uint8], file: str) -> None:
        """Know the frame with this picture by another name from now on."""
        was = self._files[_digest(luma)]
        self._files[_digest(luma)] = file
        for place in (self._before, self._now):
            for frame in place.stack.frames if place else ():
                frame.file = file if frame.file == was else frame.file

    def see(self, file: str, luma: NDArray[np.uint8]) -> list[Event]:
        """Take the next frame: its small luma as encoded, (h, w) uint8."""
        copied = self.copy_of(luma)
        if copied is not None:
            return [FrameRepeated(self._now.stack.number if self._now else 1, file, copied, is_copy=True)]
        self._files[_digest(luma)] = file
        if self._now is not None and luma.shape != self._now.stack.size:
            sizes = (*luma.shape, *self._now.stack.size)
            return [FrameSetAside(file, _OTHER_SIZE.format(*sizes))]
        look = look_at(luma)
        events = self._placed(file, look, (luma.shape[0], luma.shape[1]))
        return events + self._taken(file, look, luma)

    def _placed(self, file: str, look: Look, size: tuple[int, int]) -> list[Event]:
        """Find the station that the frame belongs to; `self._now` is it afterwards."""
        if self._now is None:
            self._now = _Place(self._stack(1, size), look, is_told=True)
            return [StackBegun(1, file, None)]
        link = _link(self._now.look, look)
        if link.cut is None:
            return []
        left = self._now
        if len(left.stack.frames) > STRAY_FRAMES:
            self._before = left
            return self._begun(file, look, link, self._stack(left.stack.number + 1, size))
        reason = _TEST_SHOT if left.is_told else _ANOTHER_PICTURE
        events: list[Event] = [FrameSetAside(frame.file, reason) for frame in left.stack.frames]
        if self._before is not None and _link(self._before.look, look).cut is None:
            self._now, self._before = self._before, None
            return events
        return events + self._begun(file, look, link, self._stack(left.stack.number, size))

    def _stack(self, number: int, size: tuple[int, int]) -> WatchedStack:
        return WatchedStack(
            number, self._follow, size, len(self._before.stack.frames) if self._before else None
        )

    def _begun(self, file: str, look: Look, link: Link, stack: WatchedStack) -> list[Event]:
        """Begin a stack, tentatively if the picture shows something else."""
        is_told = link.cut is Cut.JUMP
        self._now = _Place(stack, look, is_told)
        return [StackBegun(stack.number, file, (link.shift.x, link.shift.y))] if is_told else []

    def _taken(self, file: str, look: Look, luma: NDArray[np.uint8]) -> list[Event]:
        if self._now is None:
            return []
        events = self._now.stack.see(file, luma.astype(np.float32) / np.float32(255))
        self._now.look = look
        count = len(self._now.stack.frames)
        if not self._now.is_told and count > 1:
            self._now.is_told = True
            events.insert(0, StackBegun(self._now.stack.number, self._now.stack.frames[0].file, None))
        if self._before is not None and count > STRAY_FRAMES:
            events += self._judge(self._before.stack)
            self._before = None
        return events

    def _judge(self, stack: WatchedStack) -> list[Event]:
        verdict = stack.verdict()
        judged = _Judged(verdict, stack.depth())
        events: list[Event] = [verdict]
        if self._judged:
            events.append(_compared(self._judged[0], judged))
        self._judged.append(judged)
        return events

    def finish(self) -> list[Event]:
        """Judge what is there. No frame can be taken afterwards."""
        return list(self._finished())

    def _finished(self) -> Iterator[Event]:
        places = [place for place in (self._before, self._now) if place is not None]
        for place in places:
            few = len(place.stack.frames) <= STRAY_FRAMES
            if few and (self._judged or place is not places[0]):
                yield from (FrameSetAside(frame.file, _TEST_SHOT) for frame in place.stack.frames)
            else:
                yield from self._judge(place.stack)
        self._now = self._before = None
        verdicts = [judged.verdict for judged in self._judged]
        frames = sum(verdict.frames for verdict in verdicts)
        yield WatchEnded(frames, len(verdicts), bool(verdicts) and all(v.complete for v in verdicts))


def _link(first: Look, second: Look) -> Link:
    """How the picture moved, judged without a pause."""
    return Link(shift_between(first, second), float("nan"))


def _digest(luma: NDArray[np.uint8]) -> bytes:
    return blake2b(luma.tobytes(), digest_size=16).digest() + repr(luma.shape).encode()


def _compared(first: _Judged, second: _Judged) -> StacksCompared:
    """Hold a stack against the first one."""
    counts = (first.verdict.frames, second.verdict.frames)
    more = None
    if first.depth is not None and second.depth is not None:
        more = (second.depth / first.depth - 1) * max(1, counts[0] - 1)
    alike = abs(counts[1] - counts[0]) <= _ALIKE_FRAMES and (more is None or abs(more) <= _ALIKE_STEPS)
    stacks = (first.verdict.stack, second.verdict.stack)
    return StacksCompared(stacks, counts, more, alike)
