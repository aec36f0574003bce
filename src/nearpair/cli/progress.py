"""Show on standard error how far long work has come: bars on a terminal, plain lines elsewhere."""

import contextlib
import time
from collections.abc import Callable, Iterator
from typing import IO

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TaskID, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bars

from nearpair.progress import Progress

PLAIN_EVERY_S = 10.0


@contextlib.contextmanager
def shown(console: Console) -> Iterator[Progress]:
    """Give a Progress that shows itself on `console` until the block ends."""
    if not console.is_terminal:
        yield PlainLines(console.file)
        return
    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=30),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with Bars(*columns, console=console) as bars:
        yield _Bars(bars)


class _Bars:
    """One bar for each thing that is being done."""

    def __init__(self, bars: Bars) -> None:
        self._bars = bars
        self._tasks: dict[str, TaskID] = {}

    def __call__(self, what: str, done: int, total: int) -> None:
        """Report progress."""
        if what not in self._tasks:
            self._tasks[what] = self._bars.add_task(what, total=total)
        self._bars.update(self._tasks[what], completed=done, total=total)


class PlainLines:
    """One line when a thing is done, and one every few seconds until then, for logs and pipes."""

    def __init__(self, file: IO[str], clock: Callable[[], float] = time.monotonic) -> None:
        self._file = file
        self._clock = clock
        self._started_s: dict[str, float] = {}
        self._said_s: dict[str, float] = {}

    def __call__(self, what: str, done: int, total: int) -> None:
        """Report progress."""
        now_s = self._clock()
        started_s = self._started_s.setdefault(what, now_s)
        waited_s = now_s - self._said_s.setdefault(what, now_s)
        if done < total and waited_s < PLAIN_EVERY_S:
            return
        self._said_s[what] = now_s
        self._file.write(f"{what}: {done} of {total} ({now_s - started_s:.0f} s)\n")
        self._file.flush()
