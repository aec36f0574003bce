"""Work on bands of rows, on all cores: the same bands, so the same result, however many cores there are."""

import os
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, ThreadPoolExecutor, wait
from functools import partial

Task = Callable[[], object]
Work = Callable[[int, int], None]
InBands = Callable[[int, Work], None]

_ROWS_PER_BAND = 64  # even, as work on 2 x 2 samples needs


def one_band(rows: int, work: Work) -> None:
    """Do the work of all rows at once."""
    work(0, rows)


def banded(rows: int, work: Work) -> list[Task]:
    """The tasks `work(top, bottom)` of bands of rows."""
    tops = range(0, rows, _ROWS_PER_BAND)
    return [partial(work, top, min(rows, top + _ROWS_PER_BAND)) for top in tops]


def in_bands(rows: int, work: Work, pool: Executor | None = None) -> None:
    """Run `work(top, bottom)` over bands of rows, here and in `pool`, or in threads of its own."""
    at_once(banded(rows, work), pool)


def at_once(tasks: Iterable[Task], pool: Executor | None = None) -> None:
    """Do tasks that need nothing of each other, here and in `pool`, or in threads of its own.

    They are begun in their order; after an error, which is passed on, none is begun any more.
    """
    if pool is None:
        with ThreadPoolExecutor(os.cpu_count()) as own:
            at_once(tasks, own)
        return
    left = list(tasks)[::-1]

    # who is free takes the next one: handing each to a thread would cost as much as a small band
    def take() -> None:
        try:
            while True:
                try:
                    task = left.pop()
                except IndexError:
                    return
                task()
        except BaseException:
            left.clear()
            raise

    helping = [pool.submit(take) for _ in range(min(os.cpu_count() or 1, len(left)) - 1)]
    try:
        take()
    finally:  # all are taken: who has not begun need not; a worker of the pool may itself be here
        running = [helper for helper in helping if not helper.cancel()]
        wait(running)
    for helper in running:
        helper.result()
