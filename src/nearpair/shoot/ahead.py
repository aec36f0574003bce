"""Reading ahead: the next frames are decoded while the present one is worked on; at most a few are held."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
S = TypeVar("S")

_AHEAD = 2


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
