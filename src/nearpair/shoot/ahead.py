"""Reading ahead: the next frames are decoded while the present one is worked on; at most a few are held."""

from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Lock
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from nearpair.frames.developed import DevelopedFrames
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.read import read_small

T = TypeVar("T")
S = TypeVar("S")

_AHEAD = 2
_KEPT_BYTES = 128 << 20


def read_ahead(items: Iterable[S], read: Callable[[S], T]) -> Iterator[T]:
    """Yield read(item) in order, up to two items ahead of the consumer."""
    with ThreadPoolExecutor(_AHEAD) as pool:
        waiting: deque[Future[T]] = deque()
        try:
            for item in items:
                waiting.append(pool.submit(read, item))
                if len(waiting) > _AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


class SmallFrames:
    """Small lumas of frames, the latest ones kept, so that sorting and surveying decode a small card once.

    Several threads may read at once. Raw frames come from `developed` where it is given.
    """

    def __init__(self, developed: DevelopedFrames | None = None) -> None:
        self._developed = developed
        self._lock = Lock()
        self._kept: OrderedDict[str, NDArray[np.uint8]] = OrderedDict()
        self._bytes = 0

    def read(self, frame: FrameInfo, factor: int) -> NDArray[np.uint8]:
        """Return the luma of `frame` reduced by `factor`, (H // factor, W // factor)."""
        key = f"{factor} {frame.orientation} {frame.path}"
        with self._lock:
            found = self._kept.get(key)
        if found is None:
            found = read_small(frame, factor, self._developed)
            with self._lock:
                self._keep(key, found)
        return found

    def forget(self) -> None:
        """Keep none of them any longer."""
        with self._lock:
            self._kept.clear()
            self._bytes = 0

    def _keep(self, key: str, plane: NDArray[np.uint8]) -> None:
        if plane.nbytes > _KEPT_BYTES or key in self._kept:
            return
        self._kept[key] = plane
        self._bytes += plane.nbytes
        while self._bytes > _KEPT_BYTES:
            _, oldest = self._kept.popitem(last=False)
            self._bytes -= oldest.nbytes
