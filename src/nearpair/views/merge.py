"""Merging a registered stack into one all-in-focus view, frame by frame, in bounded memory.

Each frame is split into bands of detail (Laplacian pyramid: Burt & Adelson, IEEE Trans. Comm. 31(4), 1983).
The textbook keeps the largest coefficient of each band. Here each coefficient is a mean over the frames,
weighted by the fourth power of its local luma energy, and three things differ from the textbook:

* the energy is pooled over 6 x 6 samples and shared by luma and chroma: no speckle, no false colours;
* a coarser band hears what the finer band decided (its energy is added, twice over): defocus spreads
  strong edges into coarse bands far beyond where they belong, but never into fine ones;
* the coarsest residue follows the same decision instead of being averaged over all frames.

Where frames are equally (un)sharp the mean lowers noise instead of picking its peaks. Sums over frames need
only one accumulator, so memory does not depend on their number. Luma and chroma are kept apart: chroma that
the files hold at half size is merged at half size.

What is known of depth beforehand, from both eyes (`expected`), weighs each frame beside its energy. Where a
frame is far less sharp than others (`worth`) it is not looked at in the two finest bands, which saves most of
the time.
"""

import os
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.bands import Task, Work, at_once, banded, in_bands
from nearpair.pixels.detail import BLOCK_PX
from nearpair.pixels.luma import Pixels, Plane
from nearpair.pixels.memory import Memory
from nearpair.pixels.planes import FULL, MIDDLE, Planes, coarser_size
from nearpair.views import focus_kernels, kernels, plane_kernels
from nearpair.views.focus import FocusTracker
from nearpair.views.masks import EVERYWHERE, LevelMasks, level_masks
from nearpair.views.moving import MOVED_LEVELS, Fixed, Level, Moving
from nearpair.views.worth import Worth

_FROM_FINER = 2.0
_COARSEST_PX = 24
_MOST_LEVELS = 7

# frames of more px than this on their longer side have their focus followed at a quarter of their size
_LARGE_PX = 3600
# energies that a block passes on where it is not looked at, in energies of its finest detail
_BY_LEVEL = (1.0, 3.0)

Expected = NDArray[np.uint8]
# what is expected of the finest band, for each that is expected of the others
_FINEST: Expected = np.rint((np.arange(256) + 0.3 * 255) / 1.3).astype(np.uint8)
_FINEST[0] = 0
_NO_EXPECTED: Expected = np.zeros((0, 0), np.uint8)
_NONE_FIXED: Fixed = np.zeros((0, 0), np.uint16)
_NONE: Plane = np.zeros((0, 0), np.float32)


@dataclass(frozen=True, slots=True)
class View:
    """An all-in-focus picture and which frame each of its pixels is sharpest in."""

    rgb: Pixels
    focus: Plane
    """Fractional frame number (H, W), NaN where unknown."""


def only(rgb: Pixels) -> View:
    """The view of a single frame: the frame."""
    return View(rgb, np.full(rgb.shape[:2], np.nan, np.float32))


def levels_for(size_px: tuple[int, int]) -> int:
    """How many bands: down to about 24 px on the short side, at most seven."""
    levels = 0
    while min(size_px) >> (levels + 1) >= _COARSEST_PX and levels < _MOST_LEVELS:
        levels += 1
    return levels


class _Sums:
    """Running weighted sums of one level, chroma included where the level has it."""

    def __init__(self, size: tuple[int, int], memory: Memory, *, chroma: bool, rest: bool) -> None:
        self.luma: Plane = memory.zeros(size, np.float32)
        self.weight: Plane = memory.zeros(size if rest else coarser_size(size), np.float32)
        self.blue: Plane = memory.zeros(size, np.float32) if chroma else _NONE
        self.red: Plane = memory.zeros(size, np.float32) if chroma else _NONE


class Merger:
    """Takes the frames of one stack in shooting order and gives the view at the end."""

    def __init__(
        self,
        size_px: tuple[int, int],
        *,
        bits: int = 8,
        chroma_halved: bool = False,
        memory: Memory | None = None,
    ) -> None:
        """`size_px` (height, width) of frames and view; `bits` (8 or 16) of the view.

        chroma_halved: the files keep colour at half size (JPEG 4:2:0), so nothing is lost by merging it so.
        memory: used as far as it goes; the view's focus map may lie in it.
        """
        self._size = size_px
        self._dtype: np.dtype[Any] = np.dtype(np.uint8 if bits == 8 else np.uint16)
        self._levels = levels_for(size_px)
        self._halved = chroma_halved and self._levels > 0
        self._pool = ThreadPoolExecutor(os.cpu_count())
        self._in_bands = partial(in_bands, pool=self._pool)
        self._at_once = partial(at_once, pool=self._pool)
        # energies of single samples are needed of the finest level in small frames, and of the coarsest
        self._by_quarters = self._levels > 1 and max(size_px) > _LARGE_PX
        followed = coarser_size(coarser_size(size_px)) if self._by_quarters else coarser_size(size_px)
        self._focus = FocusTracker(followed, 4 if self._by_quarters else 2, self._in_bands)
        memory = Memory() if memory is None else memory
        self._sums = self._empty_sums(memory)
        # buffers are kept from frame to frame, and the view is put where they were: fresh memory costs as
        # much as the work done in it
        self._rgb: Pixels = memory.empty((*size_px, 3), self._dtype)
        memory.add(self._rgb)
        # while a frame is added, the next one is moved
        first = [self._empty_level(level, memory) for level in range(self._levels + 1)]
        self._moved = [first, [self._empty_like(level, memory) for level in first]]
        self._beside = ThreadPoolExecutor(1)
        self._added: Future[None] | None = None
        self._made: dict[str, dict[int, NDArray[Any]]] = {"luma": {}, "blue": {}, "red": {}}

    def _empty_sums(self, memory: Memory) -> list[_Sums]:
        size: tuple[int, int] = self._size
        sums = []
        for level in range(self._levels + 1):
            sums.append(_Sums(size, memory, chroma=self._has_colour(level), rest=level == self._levels))
            size = coarser_size(size)
        return sums

    def _has_colour(self, level: int) -> bool:
        return level > 0 or not self._halved

    def _empty_level(self, level: int, memory: Memory) -> Level:
        """Buffers of one level of a frame that was moved onto the view."""
        size: tuple[int, int] = self._size
        for _ in range(level):
            size = coarser_size(size)
        empty = memory.empty
        luma = empty(size, np.uint16)
        colour = [empty(size if self._has_colour(level) else (0, 0), np.uint16) for _ in range(2)]
        needed = level == self._levels - 1 or (level == 0 and not self._by_quarters)
        energies = empty(coarser_size(size) if needed else (0, 0), np.float32)
        passed = empty(coarser_size(coarser_size(size)) if level < self._levels - 1 else (0, 0), np.float32)
        return Level(luma, colour[0], colour[1], energies, passed)

    def _empty_like(self, level: Level, memory: Memory) -> Level:
        """Buffers of the same level of another frame; energies are those of one frame at a time."""
        planes = [memory.empty(plane.shape, np.uint16) for plane in level.planes]
        return Level(planes[0], planes[1], planes[2], level.energies, level.passed)

    def add(
        self,
        planes: Planes,
        to_reference: Similarity,
        brightness: float = 1.0,
        *,
        worth: Worth | None = None,
        expected: Expected | None = None,
    ) -> None:
        """Add the next frame, divided by its `brightness`; what is not worth looking at is left out.

        expected: how well the frame should fit each place of the view, in 255ths of the best, at any size;
        0 where it cannot be right, as something nearer hides what it has in focus.
        Work on the frame goes on after this returns, but not with its planes; errors come with what follows.
        """
        if planes.are_halved and not self._halved:
            planes = planes.at_full_size()
        if self._levels < MOVED_LEVELS - 1:
            worth = None  # the coarsest residue is needed all over
        masks = (*level_masks(None if worth is None else worth.looked_at), EVERYWHERE)
        moved = self._moved[0]
        self._move(planes, to_reference, brightness, masks, moved)
        self._wait()
        inverse = to_reference.inverse().matrix()
        self._added = self._beside.submit(self._accumulate, moved, inverse, masks, worth, expected)
        self._moved.reverse()

    def _wait(self) -> None:
        """Until the frame before is added."""
        if self._added is not None:
            self._added.result()

    def _move(
        self,
        planes: Planes,
        to_reference: Similarity,
        brightness: float,
        masks: Sequence[LevelMasks],
        moved: Sequence[Level],
    ) -> None:
        """Resample a frame onto the reference frame, in fixed point: its two finest levels and the third.

        Each level of the frame is moved by itself, the finer ones only where they are worked on.
        """
        gain = planes.scale / brightness
        offset = float(MIDDLE) - gain * planes.neutral
        inverse = to_reference.inverse().matrix()
        coarse = [[plane] for plane in planes.coarse] or [[]] * 3
        outs = {name: [getattr(level, name) for level in moved] for name in self._made}
        moving = [Moving(outs["luma"], 0, [planes.luma, *coarse[0]], inverse, gain, 0.0, self._made["luma"])]
        # half-size chroma samples lie between pixels, coarser levels of the pyramid on every second one
        inverse = to_reference.inverse().resampled(0.5).matrix() if self._halved else inverse
        for name, known in (("blue", [planes.blue, *coarse[1]]), ("red", [planes.red, *coarse[2]])):
            moving.append(
                Moving(outs[name], int(self._halved), known, inverse, gain, offset, self._made[name])
            )
        while tasks := [task for plane in moving for task in plane.next_tasks(masks)]:
            self._at_once(tasks)

    def _accumulate(
        self,
        moved: Sequence[Level],
        inverse: NDArray[np.float64],
        masks: Sequence[LevelMasks],
        worth: Worth | None,
        expected: Expected | None,
    ) -> None:
        heard = _NONE
        # what has to be done some time is done beside the large levels
        beside: list[Task] = [partial(_make_coarser, moved, name) for name in ("luma", "blue", "red")]
        for level in range(self._levels):
            here = moved[level]
            fits = _at_size(_for_finest(expected) if level == 0 else expected, coarser_size(here.luma.shape))
            blend = self._blend(moved, level, heard, fits, inverse, masks[min(level, 2)].worked_on)
            if worth is not None and level < 2:
                blend = partial(_filled, here, worth.energy, level, blend)
            self._at_once([*beside, *banded(here.luma.shape[0], blend)])
            followed = here.passed if self._by_quarters else here.energies
            beside = [partial(self._focus.add, followed)] if level == 0 else []
            heard = here.passed if here.passed.size else here.energies
        self._at_once([*beside, partial(self._rest, moved[-1], heard, expected, inverse)])

    def _blend(
        self,
        moved: Sequence[Level],
        level: int,
        heard: Plane,
        expected: Expected,
        inverse: NDArray[np.float64],
        sparse: NDArray[np.bool_],
    ) -> Work:
        """What adds bands of rows of a level to the sums."""
        sums, here, below = self._sums[level], moved[level], moved[level + 1]
        colours: tuple[Fixed, ...] = (_NONE_FIXED,) * 4
        if self._has_colour(level):
            colours = (here.blue, below.blue, here.red, below.red)
        return partial(
            kernels.blend_level,
            here.luma,
            below.luma,
            *colours,
            heard,
            _FROM_FINER,
            expected,
            inverse,
            float(2**level),
            self._size,
            sparse,
            BLOCK_PX >> min(level, 1),
            sums.luma,
            sums.weight,
            sums.blue,
            sums.red,
            here.energies,
            here.passed,
        )

    def _rest(
        self, moved: Level, heard: Plane, expected: Expected | None, inverse: NDArray[np.float64]
    ) -> None:
        """Add the coarsest residue."""
        sums, planes = self._sums[self._levels], moved.planes
        energy = heard if heard.size else np.zeros(planes[0].shape, np.float32)
        if not heard.size:
            self._focus.add(np.zeros(coarser_size(self._size), np.float32))
        cell = float(2**self._levels)
        out = (sums.luma, sums.weight, sums.blue, sums.red)
        fits = _at_size(expected, planes[0].shape)
        kernels.blend_rest(*planes, energy, fits, inverse, cell, self._size, *out)

    def finish(self) -> View:
        """The merged view, in the dtype of the frames."""
        self._wait()
        self._beside.shutdown()
        del self._moved, self._made  # the largest buffers go before the view is put together
        # beside each other, as neither keeps all cores busy; not in the pool, for whose workers both wait
        with ThreadPoolExecutor(1) as beside:
            focused = beside.submit(self._focus.finish_small)
            rgb = self._stored(*self._colours())
            small = focused.result()
        # into the memory of the sums, which nobody needs any longer
        focus, each = self._sums[0].luma, 4 if self._by_quarters else 2
        self._in_bands(self._size[0], partial(focus_kernels.enlarge, small, each, focus))
        self._pool.shutdown()
        return View(rgb, focus)

    def _colours(self) -> tuple[Plane, Plane]:
        """The chroma put together; the luma too, but for its finest level."""
        for level in range(self._levels, -1, -1):
            sums = self._sums[level]
            below = (_NONE, _NONE, _NONE)
            if level < self._levels:
                below = (self._sums[level + 1].luma, self._sums[level + 1].blue, self._sums[level + 1].red)
            for plane, coarse in zip(
                (sums.luma if level else _NONE, sums.blue, sums.red), below, strict=True
            ):
                if plane.size:
                    work = partial(plane_kernels.put_together, plane, sums.weight, coarse)
                    self._in_bands(plane.shape[0], work)
        colour = self._sums[1 if self._halved else 0]
        return colour.blue, colour.red

    def _stored(self, blue: Plane, red: Plane) -> Pixels:
        out = self._rgb
        scale = (255.0 if self._dtype == np.uint8 else 65535.0) / float(FULL)
        finest, coarse = self._sums[0], self._sums[1].luma if self._levels else _NONE
        work = partial(plane_kernels.to_rgb, finest.luma, finest.weight, coarse, blue, red, scale, out)
        self._in_bands(self._size[0], work)
        return out


def _make_coarser(moved: Sequence[Level], name: str) -> None:
    """Make the levels of a plane that are not moved by themselves."""
    for fine, coarse in pairwise(moved[MOVED_LEVELS - 1 :]):
        cv2.pyrDown(getattr(fine, name), dst=getattr(coarse, name))


def _filled(here: Level, energy: Plane, level: int, work: Work, top: int, bottom: int) -> None:
    """Do the work of a band of rows, after giving the energies those of their blocks.

    They stay so where the frame is not looked at.
    """
    for plane, size in ((here.energies, 2), (here.passed, 4)):
        if plane.size:
            per_block = (BLOCK_PX >> level) // size
            rows = (top // size, -(-bottom // size))
            kernels.fill_blocks(energy, per_block, _BY_LEVEL[level], plane, *rows)
    work(top, bottom)


def _for_finest(expected: Expected | None) -> Expected | None:
    """What is expected of the finest band, where no frame that counts is worth less than a quarter.

    Fine detail cannot come from where it does not belong, and what is known of depth is coarser than it.
    """
    if expected is None:
        return None
    return np.asarray(cv2.LUT(expected, _FINEST), np.uint8)


def _at_size(expected: Expected | None, size: tuple[int, ...]) -> Expected:
    """What is expected, for a plane of `size` (h, w); without rows if nothing is."""
    if expected is None or not expected.size:
        return _NO_EXPECTED
    if expected.shape == size[:2]:
        return expected
    how = cv2.INTER_AREA if expected.shape[0] >= size[0] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(expected, (size[1], size[0]), interpolation=how), np.uint8)
