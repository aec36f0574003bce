"""One pass over the small pictures of a stack: steps between frames, a first all-in-focus picture, evidence.

Streaming: holds a fixed number of small pictures, however many frames the stack has.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Plane, reduced
from nearpair.pixels.sharpness import detail_energy
from nearpair.progress import Progress, silent
from nearpair.stacks.align import Structure, align, structures
from nearpair.stacks.dilation import Dilation, dilation
from nearpair.stacks.registration import Step, smoothed, step_from

_KEYFRAMES = 20
_INDEX_REDUCTION = 4


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
    """Energy of the sharpest frame over the median of all frames, (h/4, w/4): 1 means nothing gained."""
    sharpness: tuple[float, ...]
    """Share of the picture's detail that each used frame contributes at its best places."""
    dilation: Dilation | None
    """Whether near things change size more than far ones (rail) or alike (ring); None when unknown."""


class _Accumulator:
    """The running all-in-focus picture of a stack in its first frame's coordinates."""

    def __init__(self, size: tuple[int, int], count: int) -> None:
        height, width = size
        self.size = size
        self.best = np.full((height, width), -1, np.float32)
        self.sharp = np.zeros((height, width), np.float32)
        self.index = np.zeros((height, width), np.float32)
        self.mean = np.zeros((height // _INDEX_REDUCTION, width // _INDEX_REDUCTION), np.float32)
        self.count = count

    def add(self, number: int, plane: Plane, energy: Plane, to_first: Similarity) -> None:
        height, width = self.size
        matrix = to_first.matrix()
        picture = cv2.warpAffine(
            plane, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        energy = np.asarray(cv2.warpAffine(energy, matrix, (width, height), flags=cv2.INTER_LINEAR))
        self.mean += reduced(energy, _INDEX_REDUCTION) / self.count
        better = energy > self.best
        self.best[better] = energy[better]
        self.sharp[better] = picture[better]
        self.index[better] = number

    def index_map(self) -> Plane:
        """Sharpest frame of each block: the middle of a median-filtered map."""
        filtered = np.asarray(cv2.medianBlur(self.index, 5), np.float32)
        middle = filtered[
            _INDEX_REDUCTION // 2 :: _INDEX_REDUCTION, _INDEX_REDUCTION // 2 :: _INDEX_REDUCTION
        ]
        return np.ascontiguousarray(middle[: self.mean.shape[0], : self.mean.shape[1]])


def survey(frames: Iterable[Plane], count: int, progress: Progress = silent) -> Survey:
    """Look through `count` small lumas (h, w), float32 in [0, 1], in shooting order."""
    state = _Walk(count)
    for number, plane in enumerate(frames):
        state.visit(number, plane)
        progress("looking through the frames", number + 1, count)
    return state.finish()


class _Walk:
    """The state of one pass."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.used: list[int] = []
        self.lost: list[Lost] = []
        self.steps: list[Step] = []
        self.brightness: list[float] = []
        self.detail: list[float] = []
        self.to_first: list[Similarity] = []
        self.keyframes: list[tuple[int, Plane]] = []
        self.last: tuple[Structure, ...] | None = None
        self.last_move = Similarity()
        self.accumulator: _Accumulator | None = None

    def visit(self, number: int, plane: Plane) -> None:
        current = structures(plane)
        if self.last is None or self.accumulator is None:
            self.accumulator = _Accumulator((plane.shape[0], plane.shape[1]), self.count)
            place = Similarity()
        else:
            found = align(current, self.last)
            if not found.related:
                self.lost.append(Lost(number, found.correlation))
                return
            size = (plane.shape[0], plane.shape[1])
            self.steps.append(step_from(found, size))
            place = found.transform.then(self.to_first[-1])
        self.last = current
        self._take(number, plane, place)

    def _take(self, number: int, plane: Plane, place: Similarity) -> None:
        energy = detail_energy(plane)
        if self.accumulator is not None:
            self.accumulator.add(len(self.used), plane, energy, place)
        self.detail.append(float(np.mean(np.sqrt(energy))))
        self.brightness.append(float(np.mean(plane)))
        if number % max(1, self.count // _KEYFRAMES) == 0:
            self.keyframes.append((len(self.used), reduced(plane, 2)))
        self.used.append(number)
        self.to_first.append(place)

    def finish(self) -> Survey:
        accumulator = self.accumulator
        if accumulator is None:
            message = "the stack has no frames"
            raise ValueError(message)
        index = accumulator.index_map()
        best = reduced(accumulator.best, _INDEX_REDUCTION)
        contrast = best / (accumulator.mean + 1e-9)
        return Survey(
            tuple(self.used),
            tuple(self.lost),
            smoothed(self.steps),
            _flicker(self.brightness),
            accumulator.sharp,
            index,
            np.asarray(contrast, np.float32),
            tuple(self.detail),
            dilation(self.keyframes, self.to_first, index, _INDEX_REDUCTION),
        )


def _flicker(brightness: list[float]) -> tuple[float, ...]:
    """Brightness of each frame against a smooth course along the stack.

    Brightness also changes slowly along a stack (effective aperture, framing): only what jumps about a
    running median of seven frames is flicker.
    """
    values = np.array(brightness)
    if len(values) < 3:
        return tuple(float(v) for v in np.ones_like(values))
    reach = min(3, (len(values) - 1) // 2)
    padded = np.pad(values, reach, mode="reflect")
    course = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1), axis=1)
    return tuple(float(v) for v in values / np.maximum(course, 1e-6))


def median_contrast(survey_: Survey) -> float:
    """The typical gain in detail energy of the sharpest frame over the mean of all."""
    value = float(np.median(survey_.contrast))
    return value if math.isfinite(value) else 1.0
