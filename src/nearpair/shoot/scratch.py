"""Arrays laid aside on disk for the rest of a run, as far as there is room; they leave nothing behind.

A decoded frame has the size of several files, and decoding is the slowest part of merging. The file has no
name, so it is gone when the run ends in whatever way; as long as memory is free, the system keeps it there.
"""

import mmap
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from threading import Lock
from typing import IO, Any

import numpy as np
import psutil
from numpy.typing import NDArray

# Our own choice: of the memory that is free, this share is used before disks would have to keep up; and
# this much is left free on the disk for views and outputs.
_SHARE_OF_MEMORY = 0.4
_SPARE_BYTES = 4_000_000_000


class Scratch:
    """Keeps arrays under a name; several threads may use it at once."""

    def __init__(self, folder: Path, most_bytes: int | None = None) -> None:
        """`most_bytes` is all it takes; by default two fifths of the free memory and no scarce disk."""
        self._lock = Lock()
        self._kept: dict[str, tuple[tuple[int, tuple[int, ...], np.dtype[Any]], ...]] = {}
        self._end = 0
        self._file: IO[bytes] | None = None
        self._page = mmap.ALLOCATIONGRANULARITY
        self._most = 0
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._most = _room(folder) if most_bytes is None else most_bytes
            self._file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115 - closed by `close`
        except OSError:  # nothing is kept: everything is decoded again
            return

    def close(self) -> None:
        """Give the room back."""
        with self._lock:
            if self._file is not None:
                self._file.close()
            self._file = None

    def keep(self, name: str, arrays: Sequence[NDArray[Any]], *, always: bool = False) -> bool:
        """Keep arrays, if there is room, or on as much room as the disk has; tells whether they are kept."""
        size = sum(array.nbytes for array in arrays)
        with self._lock:
            if self._file is None or (self._end + size > self._most and not always):
                return False
            places = []
            try:
                for array in arrays:
                    start = -(-self._end // self._page) * self._page
                    self._file.seek(start)
                    _write_all(self._file, np.ascontiguousarray(array))
                    places.append((start, array.shape, array.dtype))
                    self._end = start + array.nbytes
            except OSError:  # the disk is full after all
                self._most = 0
                return False
            self._kept[name] = tuple(places)
            return True

    def recall(self, name: str) -> tuple[NDArray[Any], ...] | None:
        """The arrays kept under a name, as they lie in the file: to be read, not written."""
        with self._lock:
            places = self._kept.get(name)
            if places is None or self._file is None:
                return None
            return tuple(_mapped(self._file, *place) for place in places)


def _write_all(file: IO[bytes], array: NDArray[Any]) -> None:
    """Write an array; on a disk that fills up meanwhile the first try may write a part and say nothing."""
    left = array.data.cast("B")
    while left:
        left = left[file.write(left) :]


def _mapped(file: IO[bytes], start: int, shape: tuple[int, ...], dtype: np.dtype[Any]) -> NDArray[Any]:
    size = int(np.prod(shape)) * dtype.itemsize
    held = mmap.mmap(file.fileno(), size, access=mmap.ACCESS_READ, offset=start)
    return np.frombuffer(held, dtype).reshape(shape)


def _room(folder: Path) -> int:
    free = shutil.disk_usage(folder).free - _SPARE_BYTES
    return max(0, min(free, int(_SHARE_OF_MEMORY * psutil.virtual_memory().available)))
