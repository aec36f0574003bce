"""Reading ahead: the next frames are decoded while the present one is worked on; at most a few are held."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

T = TypeVar("T")
S = TypeVar("S")

_READERS = 2
_AHEAD = 3  # one more than readers: who has read need not wait for the consumer


def read_ahead(items: Iterable[S], read: Callable[[S], T]) -> Iterator[T]:
    """Yield read(item) in order, up to three items ahead of the consumer."""
    with ThreadPoolExecutor(_READERS) as pool:
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


@contextmanager
def all_cores_taken() -> Iterator[None]:
    """Within, OpenCV starts no threads of its own: they would only take turns with ours."""
    import cv2

    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)
