"""How long work reports where it is: a callback, so that no layer below the front doors knows a screen."""

from typing import Protocol


class Progress(Protocol):
    """Called with the number of units done and in all, and what is being done in a few words."""

    def __call__(self, what: str, done: int, total: int) -> None:
        """Report progress; may raise KeyboardInterrupt to stop the work."""


class Counted:
    """Reports one thing after the other as done, of work in several parts."""

    def __init__(self, progress: Progress, what: str, total: int) -> None:
        self._progress, self._what, self._total = progress, what, total
        self._done = 0
        progress(what, 0, total)

    def one_more(self) -> None:
        """One more is done."""
        self._done += 1
        self._progress(self._what, self._done, self._total)

    def all(self) -> None:
        """All are done, or need not be."""
        self._done = self._total
        self._progress(self._what, self._done, self._total)


def silent(what: str, done: int, total: int) -> None:
    """Report nothing."""
    del what, done, total
