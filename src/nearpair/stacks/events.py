"""What watching a shoot has to say: events while frames arrive, and a verdict for each stack."""

from typing import Literal

import msgspec

FaultKind = Literal["gap", "shaken", "exposure", "starts-late", "ends-early", "too-few"]
Cell = Literal[" ", "-", "#", "@"]
"""A place of the picture: nothing to see, not yet sharp, has been sharp, sharp in the last few frames."""


class Shot(msgspec.Struct, frozen=True):
    """A frame by its number in its stack, from 1, and its file."""

    number: int
    file: str


class FrameSeen(msgspec.Struct, frozen=True, tag_field="event", tag="frame"):
    """A frame was taken into its stack."""

    stack: int
    number: int
    """How many frames the stack has now."""
    expected: int | None
    """How many frames the stack before had."""
    file: str
    sharp_here: float
    """Share of the subject that was in focus in the last four frames."""
    sharp_so_far: float
    """Share of the subject that has been in focus: known a few frames after it was."""
    cells: tuple[str, ...]
    """The picture in few places, row by row from the top: see `Cell`."""


class StackBegun(msgspec.Struct, frozen=True, tag_field="event", tag="stack"):
    """The camera stands at the next station: with this frame another stack begins."""

    stack: int
    file: str
    moved: tuple[float, float] | None
    """How far the picture moved, (x, y), parts of its longer side; None if it shows something else."""


class GapFound(msgspec.Struct, frozen=True, tag_field="event", tag="gap"):
    """Between two frames a slice of the subject is in focus in neither of them."""

    stack: int
    after: Shot
    before: Shot
    width_steps: float


class FrameShaken(msgspec.Struct, frozen=True, tag_field="event", tag="shaken"):
    """A frame is blurred all over, though the frames on both sides of it are not."""

    stack: int
    file: str
    detail_left: float
    """How much of the fine detail is left that the neighbours lead one to expect, along the blur."""
    direction_deg: float | None
    """Along which direction, clockwise from the horizontal, 0 to 180; None: in all directions."""


class FrameRepeated(msgspec.Struct, frozen=True, tag_field="event", tag="repeated"):
    """A frame shows what another shows already: a copy of the file, or the focus did not move."""

    stack: int
    file: str
    of: str
    is_copy: bool


class ExposureChanged(msgspec.Struct, frozen=True, tag_field="event", tag="exposure"):
    """A frame is brighter (positive) or darker than the frames before it, in stops."""

    stack: int
    file: str
    stops: float


class FrameSetAside(msgspec.Struct, frozen=True, tag_field="event", tag="set-aside"):
    """A file that belongs to no stack, or cannot be read, with the reason in plain words."""

    file: str
    reason: str


class FrameRenamed(msgspec.Struct, frozen=True, tag_field="event", tag="renamed"):
    """A frame that was looked at already has another name now."""

    file: str
    was: str


class OrderBroken(msgspec.Struct, frozen=True, tag_field="event", tag="out-of-order"):
    """A frame was shot before others that came earlier: what is told in between may be wrong."""

    file: str


class Fault(msgspec.Struct, frozen=True):
    """Why a stack is not complete: what to shoot again lies between `after` and `before`.

    `after` is None before the first frame, `before` after the last one. `frame` is the one to shoot again
    where a single frame is at fault.
    """

    kind: FaultKind
    after: Shot | None = None
    before: Shot | None = None
    frame: Shot | None = None
    width_steps: float | None = None
    share: float | None = None
    """Share of the measured picture that is not sharp because of it."""


class StackVerdict(msgspec.Struct, frozen=True, tag_field="event", tag="verdict"):
    """A stack is over: complete, or what to shoot again."""

    stack: int
    frames: int
    first: str
    last: str
    complete: bool
    covered: float
    """Of the measured picture, the share that is sharp in some frame."""
    faults: tuple[Fault, ...]
    doubts: tuple[Fault, ...]
    """What may be a fault, but cannot be told for sure in a stack that was driven by hand."""


class StacksCompared(msgspec.Struct, frozen=True, tag_field="event", tag="comparison"):
    """Two stacks side by side: they should have the same number of frames and the same ends."""

    stacks: tuple[int, int]
    frames: tuple[int, int]
    steps_more: float | None
    """How much deeper the second reaches, in steps of the first; None when magnification cannot tell."""
    alike: bool


class WatchEnded(msgspec.Struct, frozen=True, tag_field="event", tag="end"):
    """Watching is over. `complete`: every stack is."""

    frames: int
    stacks: int
    complete: bool


Event = (
    FrameSeen
    | StackBegun
    | GapFound
    | FrameShaken
    | FrameRepeated
    | ExposureChanged
    | FrameSetAside
    | FrameRenamed
    | OrderBroken
    | StackVerdict
    | StacksCompared
    | WatchEnded
)
