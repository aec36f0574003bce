"""Memory that was used before, for large arrays.

The system hands out fresh memory page by page, cleared, on first touch. Measured in a virtual machine that
costs four to thirty times as much as filling it.
"""

import ctypes
import gc
import math
import mmap
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

_ALIGNED = 64


def fresh(size: int) -> NDArray[np.uint8]:
    """Zeros, `size` bytes, in pages of the usual size.

    For arrays NumPy asks the system for large pages, which are most likely to lie where no memory was ever
    used: in a virtual machine that took 3 ms a MB to touch, usual pages 0.7.
    """
    if size == 0 or not hasattr(mmap, "MAP_ANONYMOUS"):
        return np.zeros(size, np.uint8)
    return np.frombuffer(mmap.mmap(-1, size, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS), np.uint8)


def give_back() -> None:
    """Give memory that nobody uses any longer back to the system.

    The C library keeps what threads have freed for their next use; a program that waits for a person should
    not. Does nothing more than collect garbage where the C library has no `malloc_trim` (GNU has).
    """
    gc.collect()
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):  # another C library; Windows has no such handle
        return
    trim(ctypes.c_size_t(0))


class Memory:
    """Gives arrays out of blocks of memory, each byte once, and fresh ones when no block has room."""

    def __init__(self, blocks: Iterable[NDArray[np.uint8]] = ()) -> None:
        """Take over `blocks`, C-contiguous and one-dimensional: nobody else may use them any longer."""
        self._free = list(blocks)

    def empty(self, shape: tuple[int, ...], dtype: DTypeLike) -> NDArray[Any]:
        """An array with anything in it."""
        size = math.prod(shape) * np.dtype(dtype).itemsize
        for number, block in enumerate(self._free):
            if 0 < size <= block.size:
                self._free[number] = block[-(-size // _ALIGNED) * _ALIGNED :]
                return block[:size].view(dtype).reshape(shape)
        return fresh(size).view(dtype).reshape(shape)

    def add(self, array: NDArray[Any]) -> None:
        """Give away what lies under a C-contiguous array, before everything else."""
        self._free.insert(0, array.reshape(-1).view(np.uint8))

    def zeros(self, shape: tuple[int, ...], dtype: DTypeLike) -> NDArray[Any]:
        """An array of zeros."""
        size = math.prod(shape) * np.dtype(dtype).itemsize
        if not any(0 < size <= block.size for block in self._free):
            return fresh(size).view(dtype).reshape(shape)
        out = self.empty(shape, dtype)
        out[...] = 0
        return out
