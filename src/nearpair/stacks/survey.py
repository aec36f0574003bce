"""One pass over the small pictures of a stack: steps between frames, a first all-in-focus picture, evidence.

Streaming: holds a fixed number of small pictures, however many frames the stack has, and of each step what
the cells of the picture said of it (some 30 kB).
"""

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.colour.light import decode_srgb
from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Plane, reduced
from nearpair.pixels.memory import Memory, fresh
from nearpair.pixels.planes import FULL
from nearpair.pixels.sharpness import finest_detail, pooled
from nearpair.pixels.warp import warp
from nearpair.progress import Progress, silent
from nearpair.stacks.align import Alignment, Structure, align, structures
from nearpair.stacks.dilation import Dilation, dilation
from nearpair.stacks.dust import Speck, specks
from nearpair.stacks.hindsight import Focus, Measured, weighed_anew
from nearpair.stacks.kernels import keep_sharper
from nearpair.stacks.registration import Step, of_either_kind, smoothed
from nearpair.stacks.spoilt import Looked, Spoilt, SpoiltFrames, looked

_KEYFRAMES = 20
_INDEX_REDUCTION = 4
_FLICKER_FRAMES = 7
_CODES = np.arange(256, dtype=np.uint8)
_VALUES, _LIGHTS = _CODES / np.float32(255), decode_srgb(_CODES)
# float planes of the small picture's size in a block: luma, energy, and those of its structures
_PLANES = 5
_EVERYWHERE = np.zeros((0, 0), np.bool_)


@dataclass(frozen=True, slots=True)
class Lost:
    """A frame that could not be registered on its neighbours, and how alike they were (−1..1)."""

    frame: int
    correlation: float


@dataclass(frozen=True, slots=True)
class Survey:
    """What one pass over the small pictures says about a stack of `len(used)` registered frames."""

    used: tuple[int, ...]
    """Numbers of the frames that were registered, in shooting order."""
    lost: tuple[Lost, ...]
    steps: tuple[Step, ...]
    """Steps between neighbouring used frames, in px of the small pictures, smoothed."""
    gains: tuple[float, ...]
    """Brightness of each used frame against the smooth course of the stack (flicker)."""
    sharp: Plane
    """A first all-in-focus luma in the coordinates of the first used frame, (h, w)."""
    index: Plane
    """Which used frame was sharpest, (h/4, w/4), in the same coordinates."""
    contrast: Plane
    """Energy of the sharpest frame over the mean of all used frames, (h/4, w/4): 1 means nothing gained."""
    sharpness: tuple[float, ...]
    """Mean amplitude of the finest detail in each used frame (values in [0, 1])."""
    dilation: Dilation | None
    """Whether near things change size more than far ones (rail) or alike (ring); None when unknown."""
    spoilt: tuple[Spoilt, ...] = ()
    """Shaken and repeated frames among the used ones, by their numbers in shooting order."""
    specks: tuple[Speck, ...] = ()
    """What may be dust on the sensor, in px of the small pictures."""


class _Accumulator:
    """The running all-in-focus picture of a stack in its first frame's coordinates."""

    def __init__(self, size: tuple[int, int]) -> None:
        height, width = size
        self.size = size
        self.best = np.full((height, width), -1, np.float32)
        self.sharp = np.zeros((height, width), np.float32)
        self.index = np.zeros((height, width), np.float32)
        self.moved = np.empty((height, width), np.uint16)
        self.energy = np.empty((height, width), np.float32)
        self.total = np.zeros((height // _INDEX_REDUCTION, width // _INDEX_REDUCTION), np.float32)

    def add(self, number: int, plane: Plane, energy: Plane, to_first: Similarity) -> None:
        height, width = self.size
        matrix = to_first.matrix()
        moved = cv2.warpAffine(energy, matrix, (width, height), dst=self.energy, flags=cv2.INTER_LINEAR)
        energy = np.asarray(moved, np.float32)
        self.total += reduced(energy, _INDEX_REDUCTION)
        warp(plane, to_first.inverse().matrix(), float(FULL), 0.0, _EVERYWHERE, self.moved, 0, height)
        keep_sharper(energy, self.moved, float(FULL), number, self.best, self.sharp, self.index)

    def index_map(self) -> Plane:
        """Sharpest frame of each block: the middle of a median-filtered map."""
        filtered = np.asarray(cv2.medianBlur(self.index, 5), np.float32)
        middle = filtered[
            _INDEX_REDUCTION // 2 :: _INDEX_REDUCTION, _INDEX_REDUCTION // 2 :: _INDEX_REDUCTION
        ]
        return np.ascontiguousarray(middle[: self.total.shape[0], : self.total.shape[1]])


class Rooms:
    """Blocks of memory that are used again and again, for any number of threads."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._free: list[NDArray[np.uint8]] = []

    def take(self, size: int) -> NDArray[np.uint8]:
        """A block of at least `size` bytes with anything in it."""
        with self._lock:
            block = self._free.pop() if self._free else None
        return fresh(size) if block is None or block.size < size else block

    def give(self, block: NDArray[np.uint8]) -> None:
        """Give a block back: nobody may use it any longer."""
        with self._lock:
            self._free.append(block)


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A small luma with what the survey looks at; frames can be prepared ahead, side by side."""

    plane: Plane
    structures: tuple[Structure, ...]
    energy: Plane
    half: Plane
    """In linear light, at half the size."""
    looked: Looked
    brightness: float
    block: NDArray[np.uint8]
    """Where the plane, the structures and the energy lie."""


def prepare(plane: Plane | NDArray[np.uint8], rooms: Rooms | None = None) -> Prepared:
    """Do the part of the survey of a luma (h, w), codes or float32 in [0, 1], that needs no other frame."""
    # one large block each for what stays and what goes: many smaller arrays cost the system more time
    rooms = Rooms() if rooms is None else rooms
    block, working = (rooms.take(_PLANES * 4 * plane.size + 64 * _PLANES) for _ in range(2))
    stays, goes = Memory([block]), Memory([working])
    if plane.dtype == np.uint8:
        light: Any = cv2.LUT(plane, _LIGHTS, dst=goes.empty(plane.shape, np.float32))
        luma: Any = cv2.LUT(plane, _VALUES, dst=stays.empty(plane.shape, np.float32))
    else:
        luma = np.asarray(plane, np.float32)
        light = in_linear_light(luma)
    half = reduced(light, 2) if min(plane.shape) > 1 else light.copy()
    found = structures(light, stays, goes)
    energy, spare = stays.empty(plane.shape, np.float32), Memory([working]).empty(plane.shape, np.float32)
    detail, brightness = finest_detail(luma, energy, spare), float(np.mean(luma))
    seen = looked(detail, brightness, half)
    rooms.give(working)
    return Prepared(luma, found, pooled(detail), half, seen, brightness, block)


def survey(
    frames: Iterable[Plane | Prepared], count: int, progress: Progress = silent, rooms: Rooms | None = None
) -> Survey:
    """Look through `count` small lumas (h, w), float32 in [0, 1], in shooting order, prepared or not.

    rooms: get back what frames were prepared in.
    """
    state, rooms = _Walk(count), Rooms() if rooms is None else rooms
    for number, frame in enumerate(frames):
        prepared = frame if isinstance(frame, Prepared) else prepare(frame, rooms)
        held = {*state.held(), prepared}
        state.visit(number, prepared)
        for done in held - {*state.held()}:
            rooms.give(done.block)
        progress("looking through the frames", number + 1, count)
    return state.finish()


def in_linear_light(plane: Plane) -> Plane:
    """An encoded luma in [0, 1], to the nearest of 256 codes, as linear light.

    Defocus mixes light. In encoded values bright things seem to grow when they blur, which reads as a change
    of magnification (measured: 5 % of the breathing of a ray-traced ring stack; 1 % in linear light).
    """
    return decode_srgb(np.asarray(np.clip(plane, 0, 1) * 255 + 0.5, np.uint8))


class _Walk:
    """The state of one pass."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.used: list[int] = []
        self.lost: list[Lost] = []
        self.measured: list[Measured] = []
        self.brightness: list[float] = []
        self.detail: list[float] = []
        self.to_first: list[Similarity] = []
        self.keyframes: list[tuple[int, Plane]] = []
        self.last: Prepared | None = None
        self.spare: tuple[int, Prepared] | None = None
        self.accumulator: _Accumulator | None = None
        self.spoilt: SpoiltFrames | None = None

    def held(self) -> list[Prepared]:
        """The frames that are still needed."""
        return [frame for frame in (self.last, self.spare and self.spare[1]) if frame]

    def visit(self, number: int, frame: Prepared) -> None:
        if self.last is None:
            self._start(number, frame)
            return
        found = self._found(frame, self.last)
        if not found.related:
            self.lost.append(Lost(number, found.correlation))
            if len(self.used) == 1:
                self.spare = (number, frame)
            return
        if found.evidence is not None:
            self.measured.append(Measured(found.transform, found.evidence))
        self.last, self.spare = frame, None
        self._take(number, frame, found.transform.then(self.to_first[-1]))

    def _start(self, number: int, frame: Prepared) -> None:
        self.accumulator = _Accumulator((frame.plane.shape[0], frame.plane.shape[1]))
        self.spoilt = SpoiltFrames((frame.plane.shape[0], frame.plane.shape[1]))
        self.last = frame
        self._take(number, frame, Similarity())

    def _found(self, current: Prepared, last: Prepared) -> Alignment:
        """The frame on the last good one; when only the first was, it may itself be the odd one out."""
        found = align(current.structures, last.structures)
        if found.related or self.spare is None:
            return found
        instead = align(current.structures, self.spare[1].structures)
        if instead.related:
            self._start_over(*self.spare)
            return instead
        return found

    def _start_over(self, number: int, frame: Prepared) -> None:
        """Take frame `number` as the first, and the one that was first as lost."""
        swapped = [
            Lost(self.used[0], lost.correlation) if lost.frame == number else lost for lost in self.lost
        ]
        self.lost = sorted(swapped, key=lambda lost: lost.frame)
        for held in (self.used, self.brightness, self.detail, self.to_first, self.keyframes, self.measured):
            held.clear()
        self._start(number, frame)

    def _take(self, number: int, frame: Prepared, place: Similarity) -> None:
        if self.accumulator is not None:
            self.accumulator.add(len(self.used), frame.plane, frame.energy, place)
        if self.spoilt is not None:
            self.spoilt.add(number, frame.looked, place)
        self.detail.append(float(np.mean(np.sqrt(frame.energy))))
        self.brightness.append(frame.brightness)
        if number % max(1, self.count // _KEYFRAMES) == 0:
            self.keyframes.append((len(self.used), frame.half))
        self.used.append(number)
        self.to_first.append(place)

    def _steps(self, index: Plane, size: tuple[int, int]) -> tuple[Step, ...]:
        focus = Focus(index, _INDEX_REDUCTION, self.to_first)
        lens, camera = weighed_anew(self.measured, focus, size)
        return of_either_kind(smoothed(lens), smoothed(camera))

    def finish(self) -> Survey:
        accumulator = self.accumulator
        if accumulator is None:
            message = "the stack has no frames"
            raise ValueError(message)
        index = accumulator.index_map()
        best = reduced(accumulator.best, _INDEX_REDUCTION)
        contrast = best / (accumulator.total / len(self.used) + 1e-9)
        with ThreadPoolExecutor(2) as beside:
            dust = beside.submit(specks, self.keyframes, self.to_first)
            grown = beside.submit(dilation, self.keyframes, self.to_first, index, _INDEX_REDUCTION)
            steps = self._steps(index, accumulator.size)
        return Survey(
            tuple(self.used),
            tuple(self.lost),
            steps,
            _flicker(self.brightness),
            accumulator.sharp,
            index,
            np.asarray(contrast, np.float32),
            tuple(self.detail),
            grown.result(),
            self.spoilt.finish() if self.spoilt is not None else (),
            dust.result(),
        )


def _flicker(brightness: list[float]) -> tuple[float, ...]:
    """Brightness of each frame against a smooth course along the stack.

    Brightness also changes slowly along a stack (effective aperture, framing): only what leaves the robust
    line through the nearest seven frames (Theil 1950, Sen 1968) is flicker.
    """
    values = np.array(brightness)
    if len(values) < 3:
        return (1.0,) * len(values)
    window = min(_FLICKER_FRAMES, len(values))
    starts = np.clip(np.arange(len(values)) - window // 2, 0, len(values) - window)
    course = [_on_line(values[a : a + window], k - a) for k, a in enumerate(starts.tolist())]
    return tuple(float(v) for v in values / np.maximum(course, 1e-6))


def _on_line(values: NDArray[np.float64], at: int) -> float:
    """The value at place `at` of the line through most of the values at 0, 1, 2, ..."""
    places = np.arange(len(values))
    i, j = np.triu_indices(len(values), 1)
    slope = np.median((values[j] - values[i]) / (j - i))
    return float(np.median(values - slope * (places - at)))
