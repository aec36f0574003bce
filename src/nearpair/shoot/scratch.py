"""Arrays laid aside on disk for the rest of a run, as far as there is room; they leave nothing behind.

A decoded frame has the size of several files, and decoding is the slowest part of merging. The file has no
name, so it is gone when the run ends in whatever way; as long as memory is free, the system keeps it there.
"""

import math
import mmap
import shutil
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
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
_FILES = 3
_PAGE = mmap.ALLOCATIONGRANULARITY
# The system keeps what is written at once in one block of memory, and large blocks are those that were
# never used: in a virtual machine writing 36 MB takes 110 ms at once, and 13 ms in pieces of 256 kB.
_PIECE = 256 << 10


class Scratch:
    """Keeps arrays under a name; several threads may use it at once."""

    def __init__(self, folder: Path, most_bytes: int | None = None) -> None:
        """`most_bytes` is all it takes; by default two fifths of the free memory and no scarce disk."""
        self._lock = Lock()
        self._kept: dict[str, tuple[_Place, ...]] = {}
        self._files: list[_Part] = []
        self._used = 0
        self._most = 0
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._most = _room(folder) if most_bytes is None else most_bytes
            self._files = [_Part(folder) for _ in range(_FILES)]
        except OSError:  # nothing is kept: everything is decoded again
            self.close()

    def close(self) -> None:
        """Give the room back."""
        with self._lock:
            self._kept.clear()
            files, self._files = self._files, []
        if files:
            with ThreadPoolExecutor(len(files)) as pool:  # the system takes its time to free large files
                list(pool.map(_Part.close, files))

    def keep(self, name: str, arrays: Sequence[NDArray[Any]], *, always: bool = False) -> bool:
        """Keep arrays, if there is room, or on as much room as the disk has; tells whether they are kept."""
        size = sum(-(-array.nbytes // _PAGE) * _PAGE for array in arrays)
        with self._lock:
            if not self._files or (self._used + size > self._most and not always):
                return False
            self._used += size
            # the one with the fewest writers: two that write into one file wait for each other
            part = min(self._files, key=lambda each: each.writers)
            part.writers += 1
        try:
            places = part.write(arrays)
        except (OSError, ValueError):  # the disk is full after all, or the file was closed
            with self._lock:
                self._most = 0
            return False
        finally:
            with self._lock:
                part.writers -= 1
        with self._lock:
            self._kept[name] = places
        return True

    def recall(self, name: str) -> tuple[NDArray[Any], ...] | None:
        """The arrays kept under a name, as they lie in the file: to be read, not written."""
        with self._lock:
            places = self._kept.get(name) if self._files else None
            return None if places is None else _mapped(places)


class _Part:
    """One unnamed file, written from its beginning to its end."""

    def __init__(self, folder: Path) -> None:
        self._file: IO[bytes] = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115 - see close
        self._lock = Lock()
        self._end = 0
        self.writers = 0
        """How many threads are about to write; kept by those who use it."""

    def write(self, arrays: Sequence[NDArray[Any]]) -> "tuple[_Place, ...]":
        """Write arrays at the end, each from the beginning of a page; OSError if the disk is full."""
        places = []
        with self._lock:
            for array in arrays:
                start = -(-self._end // _PAGE) * _PAGE
                self._file.seek(start)
                _write_all(self._file, np.ascontiguousarray(array))
                places.append((self._file, start, array.shape, array.dtype))
                self._end = start + array.nbytes
        return tuple(places)

    def close(self) -> None:
        """Close the file, which ends it."""
        with self._lock:
            self._file.close()


_Place = tuple[IO[bytes], int, tuple[int, ...], np.dtype[Any]]


def _write_all(file: IO[bytes], array: NDArray[Any]) -> None:
    """Write an array; on a disk that fills up meanwhile the first try may write a part and say nothing."""
    left = array.data.cast("B")
    while left:
        left = left[file.write(left[:_PIECE]) :]


def _mapped(places: "Sequence[_Place]") -> tuple[NDArray[Any], ...]:
    """Arrays that were written together, as one piece of their file."""
    file, start, _, _ = places[0]
    _, last, shape, dtype = places[-1]
    size = last + math.prod(shape) * dtype.itemsize - start
    held = mmap.mmap(file.fileno(), size, access=mmap.ACCESS_READ, offset=start)
    return tuple(
        np.frombuffer(held, dtype, math.prod(shape), place - start).reshape(shape)
        for _, place, shape, dtype in places
    )


def _room(folder: Path) -> int:
    free = shutil.disk_usage(folder).free - _SPARE_BYTES
    return max(0, min(free, int(_SHARE_OF_MEMORY * psutil.virtual_memory().available)))
