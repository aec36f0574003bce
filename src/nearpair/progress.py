"""How long work reports where it is: a callback, so that no layer below the front doors knows a screen."""

from typing import Protocol


class Progress(Protocol):
    """Called with the number of units done and in all, and what is being done in a few words."""

    def __call__(self, what: str, done: int, total: int) -> None:
        """Report progress; may raise KeyboardInterrupt to stop the work."""


def silent(what: str, done: int, total: int) -> None:
    """Report nothing."""
    del what, done, total
