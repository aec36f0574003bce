"""The pictures of frames as the stages want them, each frame decoded once as far as that can be."""

from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.frames.metadata import FrameInfo
from nearpair.frames.read import Developed, Pixels, has_halved_chroma, read_pixels, read_small
from nearpair.pixels.detail import block_detail
from nearpair.pixels.memory import Memory, fresh
from nearpair.pixels.planes import Planes, coarser, full_planes, halved_planes, halved_sizes, small_luma
from nearpair.shoot.scratch import Scratch

_KEPT_BYTES = 128 << 20

Bytes = NDArray[np.uint8]


class Reading:
    """Reads frames for sorting, surveying and merging; several threads may read at once.

    With `scratch` a frame is decoded in full when it is first looked at, and what the later stages need is
    laid aside; without, only its luma is decoded. Raw frames come from `developed` where it is given.
    """

    def __init__(self, developed: Developed | None = None, scratch: Scratch | None = None) -> None:
        self._developed = developed
        self._scratch = scratch
        self._lock = Lock()
        self._small: OrderedDict[str, Bytes] = OrderedDict()
        self._bytes = 0
        self._rooms: list[_Room] = []

    def small(self, frame: FrameInfo, factor: int) -> Bytes:
        """The luma of `frame` reduced by `factor`, (H // factor, W // factor), codes."""
        key = f"{factor} {_name(frame)}"
        with self._lock:
            found = self._small.get(key)
        if found is not None:
            return found
        kept = self._scratch.recall(f"small {key}") if self._scratch else None
        if kept:
            return kept[0]
        found = self._reduced(frame, factor)
        # whoever reads the stack again begins with the frame that was held longest: of a long stack memory
        # would have none left, and each frame would be decoded anew
        if not (self._scratch and self._scratch.keep(f"small {key}", [found], always=True)):
            with self._lock:
                self._keep(key, found)
        return found

    def detail(self, frame: FrameInfo) -> Bytes:
        """How sharp each block of the frame is, see `block_detail`."""
        kept = self._scratch.recall(f"detail {_name(frame)}") if self._scratch else None
        if kept:
            return kept[0]
        with self._lent_room(frame) as room:
            return self._decoded(frame, room)[1]

    def planes(self, frame: FrameInfo) -> Planes:
        """The frame's luma and chroma, to be read only. Raises FrameError as `read_pixels` does."""
        kept = self._scratch.recall(f"planes {_name(frame)}") if self._scratch else None
        if kept:
            return _planes(kept)
        with self._lent_room(frame) as room:
            return self._decoded(frame, room, lasting=True)[0]

    def pixels(self, frame: FrameInfo) -> Pixels:
        """The frame as it is stored. Raises FrameError as `read_pixels` does."""
        return read_pixels(frame, self._developed)

    def forget_small(self) -> None:
        """Hold no small lumas any longer."""
        with self._lock:
            self._small.clear()
            self._bytes = 0

    def spare_memory(self) -> Memory:
        """The memory that decoding took, if no frame is decoded just now; the next decoding takes its own."""
        with self._lock:
            rooms, self._rooms = self._rooms, []
        full = (plane.reshape(-1).view(np.uint8) for room in rooms for plane in room.full)
        return Memory([*full, *(room.block for room in rooms)])

    def _reduced(self, frame: FrameInfo, factor: int) -> Bytes:
        if self._scratch is None or min(frame.size_px) < factor:
            return read_small(frame, factor, self._developed)
        kept = self._scratch.recall(f"planes {_name(frame)}")
        if kept:
            return small_luma(_planes(kept), factor)
        with self._lent_room(frame) as room:
            return small_luma(self._decoded(frame, room)[0], factor)

    def _decoded(self, frame: FrameInfo, room: "_Room", *, lasting: bool = False) -> tuple[Planes, Bytes]:
        """The planes of a frame and how sharp it is. The planes lie in the room, unless they are to last."""
        halved = has_halved_chroma(frame)
        into = room.rgb if halved else None
        rgb: Any = read_pixels(frame, self._developed, plain_chroma=halved, into=into)
        if halved:
            planes = halved_planes(rgb, None if lasting else room.planes)
        else:
            planes = full_planes(rgb, kept=None if lasting else room.full)
        coarse = planes.coarse[0] if planes.coarse else coarser(planes.luma)
        detail = block_detail(planes.luma, planes.white, coarse)
        if self._scratch is not None:
            self._scratch.keep(f"detail {_name(frame)}", [detail], always=True)
            if frame.format != "RAW":  # developed frames are kept by themselves
                self._scratch.keep(
                    f"planes {_name(frame)}", [planes.luma, planes.blue, planes.red, *planes.coarse]
                )
        return planes, detail

    @contextmanager
    def _lent_room(self, frame: FrameInfo) -> "Iterator[_Room]":
        """Memory that nobody else works in."""
        with self._lock:
            room = self._rooms.pop() if self._rooms else None
        if room is None or room.size_px != frame.size_px:
            room = _Room(frame.size_px)
        try:
            yield room
        finally:
            with self._lock:
                self._rooms.append(room)

    def _keep(self, key: str, plane: Bytes) -> None:
        if plane.nbytes > _KEPT_BYTES or key in self._small:
            return
        self._small[key] = plane
        self._bytes += plane.nbytes
        while self._bytes > _KEPT_BYTES:
            _, oldest = self._small.popitem(last=False)
            self._bytes -= oldest.nbytes


class _Room:
    """Memory for decoding a frame of 8 bits, used again and again: fresh memory costs as much as the work."""

    def __init__(self, size_px: tuple[int, int]) -> None:
        self.size_px = size_px
        pixels, sizes = 3 * size_px[0] * size_px[1], halved_sizes(size_px)
        room = pixels + sum(size[0] * size[1] for size in sizes) + 64 * (len(sizes) + 1)
        self.block: Bytes = fresh(room)
        memory = Memory([self.block])
        self.rgb: Bytes = memory.empty((pixels,), np.uint8)
        self.planes = [memory.empty(size, np.uint8) for size in sizes]
        """Buffers of `halved_planes`."""
        self.full: list[Any] = []
        """Those of `full_planes`, once there are any."""


def _planes(kept: tuple[NDArray[Any], ...]) -> Planes:
    luma, blue, red, *coarse = kept
    return Planes(luma, blue, red, tuple(coarse))


def _name(frame: FrameInfo) -> str:
    return f"{frame.orientation} {frame.path}"
