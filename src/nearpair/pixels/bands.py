"""Work on bands of rows, on all cores: the same bands, so the same result, however many cores there are."""

import os
from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor

Work = Callable[[int, int], None]
InBands = Callable[[int, Work], None]

_ROWS_PER_BAND = 64  # even, as work on 2 x 2 samples needs


def one_band(rows: int, work: Work) -> None:
    """Do the work of all rows at once."""
    work(0, rows)


def in_bands(rows: int, work: Work, pool: Executor | None = None) -> None:
    """Run `work(top, bottom)` over bands of rows in `pool`, or in threads of its own."""
    if pool is None:
        with ThreadPoolExecutor(os.cpu_count()) as own:
            in_bands(rows, work, own)
        return
    tops = range(0, rows, _ROWS_PER_BAND)
    for done in [pool.submit(work, top, min(rows, top + _ROWS_PER_BAND)) for top in tops]:
        done.result()
