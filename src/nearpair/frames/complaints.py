"""What libraries say while they decode: heard, to be told in our own words, and never printed raw.

They speak through `logging`, in the thread that decodes, and through `warnings`; both would end up on
standard error.
"""

import logging
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

_LIBRARIES = ("PIL", "imagecodecs", "tifffile")
_FILTERS = threading.RLock()  # the filters of `warnings` belong to the process, not to the thread
_hearing = threading.local()


class _Ear(logging.Handler):
    """Keeps what is said for whoever listens in this thread."""

    def emit(self, record: logging.LogRecord) -> None:
        said = getattr(_hearing, "said", None)
        if said is not None:
            said.append(record.getMessage())


@contextmanager
def complaints() -> Iterator[list[str]]:
    """Give the list of what the libraries say in this thread meanwhile, warnings and worse."""
    before = getattr(_hearing, "said", None)
    _hearing.said = []
    try:
        yield _hearing.said
    finally:
        _hearing.said = before


@contextmanager
def quiet() -> Iterator[None]:
    """Silence what the image library says about broken metadata: it is expected, and becomes None here."""
    with _FILTERS, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


for _name in _LIBRARIES:
    logging.getLogger(_name).addHandler(_Ear(logging.WARNING))
