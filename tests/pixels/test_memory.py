"""Memory that is used again: every byte once, aligned, and fresh arrays when there is no more."""

import platform
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pixels.memory import Memory, give_back

DTYPES = st.sampled_from([np.uint8, np.uint16, np.float32])
SHAPES = st.tuples(st.integers(0, 12), st.integers(1, 12))


@given(
    st.lists(st.integers(0, 600), max_size=4),
    st.lists(st.tuples(SHAPES, DTYPES, st.booleans()), max_size=12),
)
@settings(deadline=None)
def test_arrays_are_apart_from_each_other(sizes, asked):
    """Whatever is written into one array, the others keep what they hold."""
    memory = Memory([np.full(size, 0xA5, np.uint8) for size in sizes])
    given_ = []
    for number, (shape, dtype, clean) in enumerate(asked):
        array = (memory.zeros if clean else memory.empty)(shape, dtype)
        assert (array.shape, array.dtype) == (shape, dtype)
        assert array.flags.c_contiguous
        assert array.flags.aligned
        assert not clean or not array.any()
        array[...] = number
        given_.append(array)
    for number, array in enumerate(given_):
        assert np.all(array == number)


def test_blocks_are_used_as_far_as_they_go():
    blocks = [np.empty(100, np.uint8), np.empty(1000, np.uint8)]
    memory = Memory(blocks)
    large, small, more = (memory.empty((n,), np.float32) for n in (200, 25, 200))
    assert np.shares_memory(large, blocks[1])
    assert np.shares_memory(small, blocks[0])
    assert not any(np.shares_memory(more, block) for block in blocks)


def test_what_lies_under_an_array_is_given_away_first():
    memory = Memory([np.empty(1 << 12, np.uint8)])
    picture = memory.empty((10, 20, 3), np.uint8)
    memory.add(picture)
    assert np.shares_memory(memory.empty((100,), np.uint16), picture)


def test_without_blocks_everything_is_fresh():
    memory = Memory()
    assert not memory.zeros((3, 4), np.float32).any()
    assert not np.shares_memory(memory.empty((9,), np.uint8), memory.empty((9,), np.uint8))


@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_blocks_of_odd_sizes(dtype):
    memory = Memory([np.empty(1001, np.uint8)])
    for _ in range(20):
        assert memory.empty((7,), dtype).flags.aligned


def taken():
    """Memory of its own that this process has taken, bytes (proc(5): RssAnon of /proc/PID/status)."""
    status = Path("/proc/self/status").read_text()
    return 1024 * int(re.search(r"RssAnon:\s+(\d+) kB", status)[1])


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the GNU C library gives memory back")
def test_memory_that_nobody_uses_goes_back_to_the_system():
    """Small blocks between others that stay, as the library keeps them for the next use."""
    held = [bytes(100_000) for _ in range(1000)]
    kept = held[::50]
    del held
    before = taken()
    give_back()
    assert taken() < before - 50_000_000
    assert len(kept) == 20
