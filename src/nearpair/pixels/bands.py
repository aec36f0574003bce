"""Work on bands of rows, on all cores: the same bands, so the same result, however many cores there are."""

import os
from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor, wait

Work = Callable[[int, int], None]
InBands = Callable[[int, Work], None]

_ROWS_PER_BAND = 64  # even, as work on 2 x 2 samples needs


def one_band(rows: int, work: Work) -> None:
    """Do the work of all rows at once."""
    work(0, rows)


def in_bands(rows: int, work: Work, pool: Executor | None = None) -> None:
    """Run `work(top, bottom)` over bands of rows, here and in `pool`, or in threads of its own.

    After an error no band is begun any more.
    """
    if pool is None:
        with ThreadPoolExecutor(os.cpu_count()) as own:
            in_bands(rows, work, own)
        return
    # whoever is free takes the next band: a task for each of them would cost as much as a small band
    tops = iter(range(0, rows, _ROWS_PER_BAND))

    def take_bands() -> None:
        for top in tops:
            try:
                work(top, min(rows, top + _ROWS_PER_BAND))
            except BaseException:
                for _ in tops:
                    pass
                raise

    helpers = min(os.cpu_count() or 1, -(-rows // _ROWS_PER_BAND)) - 1
    helping = [pool.submit(take_bands) for _ in range(helpers)]
    try:
        take_bands()
    finally:  # all bands are taken: who has not begun need not
        running = [helper for helper in helping if not helper.cancel()]
        wait(running)
    for helper in running:
        helper.result()
