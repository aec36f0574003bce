"""Which blocks of which frame are worth merging: those that another frame shows far more sharply are not.

A frame of a stack is sharp in a tenth of its area. Where its finest detail is far weaker than that of the
sharpest frame it would get next to no weight anyway, and leaving it out saves most of the time. Energies of
all frames have to be known beforehand.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.detail import BLOCK_PX, energy_of
from nearpair.views.kernels import NEVER
from nearpair.views.responses import Responses, ResponseTracker

F32 = NDArray[np.float32]
Mask = NDArray[np.bool_]
Codes = NDArray[np.uint8]

# Of the range between the least and the largest energy in a block, a frame must reach this share to be looked
# at, with its neighbour blocks; single blocks only if they stand out from the noise by this factor, else over
# 3 x 3 blocks, and without neighbours. Measured on three ray-traced scenes: the view is 0.03 dB worse to
# 0.05 dB better, near depth jumps as elsewhere, than with every frame looked at all over.
_SHARE, _OVER_NOISE, _SHARE_AROUND = 0.7, 4.0, 0.7
_AROUND = np.ones((3, 3), np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class Worth:
    """What is to be looked at of one frame, in blocks of 8 x 8 px of the view."""

    looked_at: Mask
    energy: F32
    """Energy of its finest detail, 0 where the frame sees nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Energies of the blocks of the view in one frame, 0 where it sees nothing."""

    as_it_is: F32
    energy: F32
    """As far as the frame fits."""
    around: F32
    """Means of that over 3 x 3 blocks."""


def _around(energy: F32) -> F32:
    """Mean energies over 3 x 3 blocks."""
    return np.asarray(cv2.blur(energy, (3, 3)), np.float32)


@njit(cache=True, nogil=True)
def _take(energy: F32, around: F32, most: F32, most_around: F32, least: F32) -> None:
    """Note the largest and the smallest energies of the blocks that a frame sees."""
    for y in range(energy.shape[0]):
        for x in range(energy.shape[1]):
            if energy[y, x] > 0:
                most[y, x] = max(most[y, x], energy[y, x])
                most_around[y, x] = max(most_around[y, x], around[y, x])
                least[y, x] = min(least[y, x], around[y, x])


@njit(cache=True, nogil=True)
def _judge(
    energy: F32, around: F32, most: F32, most_around: F32, least: F32, own: Codes, enough: Codes
) -> None:
    """Set `own` for blocks that reach their share by themselves, `enough` for those that do over 3 x 3."""
    share, over_noise, share_around = np.float32(_SHARE), np.float32(_OVER_NOISE), np.float32(_SHARE_AROUND)
    for y in range(energy.shape[0]):
        for x in range(energy.shape[1]):
            low, e = least[y, x], energy[y, x]
            stands_out = (e - low >= share * (most[y, x] - low)) & (e >= over_noise * low)
            own[y, x] = stands_out & (e > 0)
            wide = around[y, x] - low >= share_around * (most_around[y, x] - low)
            enough[y, x] = wide & (e > 0)


class Worths:
    """Judges the frames of one stack by their block energies: first `take` them all, then ask for each."""

    def __init__(self, size_px: tuple[int, int], places: Sequence[Similarity], reference: int) -> None:
        """`size_px` (H, W) of frames and view; `places`: each frame's px onto the view's.

        The frame number `reference` lies as the view does, and so sees all of it.
        """
        self._size = (-(-size_px[0] // BLOCK_PX), -(-size_px[1] // BLOCK_PX))
        self._places = places
        self._reference = reference
        self._most = np.zeros(self._size, np.float32)
        self._most_around = np.zeros(self._size, np.float32)
        self._least = np.full(self._size, np.inf, np.float32)
        self._responses = ResponseTracker(self._size)

    def take(self, number: int, codes: Codes, expected: Codes | None = None) -> None:
        """Take in how sharp frame `number` is, see `block_detail`, and how well it should fit."""
        self.note(self.seen(number, codes, expected))

    def seen(self, number: int, codes: Codes, expected: Codes | None = None) -> Seen:
        """What `take` takes in: may be asked for ahead, by several threads at once."""
        as_it_is = self._moved(number, codes)
        energy = self._fitting(as_it_is, expected)
        return Seen(as_it_is, energy, _around(energy))

    def note(self, seen: Seen) -> None:
        """Take in what was `seen` of the next frame."""
        self._responses.add(seen.as_it_is)
        _take(seen.energy, seen.around, self._most, self._most_around, self._least)

    def responses(self) -> Responses:
        """The focus response of every block, of frames that were taken in shooting order."""
        return self._responses.finish()

    def of(self, number: int, codes: Codes, expected: Codes | None = None) -> Worth:
        """What is worth looking at of frame `number`; what it was taken with is given again.

        Several threads may ask at once.
        """
        seen = self.seen(number, codes, expected)
        own, around = np.empty(self._size, np.uint8), np.empty(self._size, np.uint8)
        _judge(seen.energy, seen.around, self._most, self._most_around, self._least, own, around)
        looked_at = np.asarray(cv2.dilate(own, _AROUND), np.uint8) | around
        return Worth(looked_at.astype(np.bool_), seen.as_it_is)

    def _fitting(self, energy: F32, expected: Codes | None) -> F32:
        """Energies that would give the same weights without an expectation: weights are fourth powers."""
        if expected is None:
            return energy
        fit = cv2.resize(expected, self._size[::-1], interpolation=cv2.INTER_LINEAR)
        share = (fit.astype(np.float32) + np.float32(NEVER)) / np.float32(255)
        return np.asarray(energy * np.sqrt(np.sqrt(share)), np.float32)

    def _moved(self, number: int, codes: Codes) -> F32:
        """A frame's energies where they lie in the view; 0 outside the frame."""
        small = self._places[number].resampled(1 / BLOCK_PX).matrix()
        moved = cv2.warpAffine(
            codes, small, self._size[::-1], flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT
        )
        energy = energy_of(np.asarray(moved, np.uint8))
        if number != self._reference:
            # what a frame sees only in part does not count: every place must be seen by one that is looked at
            energy[cv2.erode((energy > 0).astype(np.uint8), _AROUND, borderValue=1) == 0] = 0
        return energy
