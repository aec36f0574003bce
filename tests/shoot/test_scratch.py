"""Arrays laid aside: bounded, on a full disk too, by several threads at once, and gone in the end."""

import errno
import mmap
import os
import threading
from collections import namedtuple
from contextlib import closing, contextmanager

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from nearpair.shoot import scratch as module
from nearpair.shoot.scratch import Scratch

PAGE = mmap.ALLOCATIONGRANULARITY


@pytest.fixture
def scratch(tmp_path):
    with closing(Scratch(tmp_path, 1 << 20)) as found:
        yield found


def plane(value, size=(30, 40), dtype=np.uint8):
    return np.full(size, value, dtype)


class Faulty:
    """A file on whose disk something happens."""

    def __init__(self, file, write):
        self._file, self._write = file, write

    def write(self, data):
        return self._write(self._file, data)

    def __getattr__(self, name):
        return getattr(self._file, name)


@contextmanager
def something_happens(scratch, write):
    """Within, writing to the files of a scratch is `write(file, data)`."""
    before = [part._file for part in scratch._files]
    for part in scratch._files:
        part._file = Faulty(part._file, write)
    yield
    for part, file in zip(scratch._files, before, strict=True):
        part._file = file


def full(_, __):
    raise OSError(errno.ENOSPC, "No space left on device")


@given(
    st.lists(
        st.lists(
            st.one_of(
                arrays(np.uint8, array_shapes(max_dims=3)),
                arrays(np.uint16, array_shapes(max_dims=2)),
                arrays(np.float32, array_shapes(max_dims=2), elements=st.floats(-9, 9, width=32)),
            ),
            min_size=1,
            max_size=3,
        ),
        max_size=4,
    )
)
@settings(deadline=None, max_examples=40)
def test_what_was_kept_is_recalled(tmp_path_factory, stacks):
    with closing(Scratch(tmp_path_factory.mktemp("scratch"), 1 << 20)) as scratch:
        for number, kept in enumerate(stacks):
            assert scratch.keep(str(number), kept)
        for number, kept in enumerate(stacks):
            recalled = scratch.recall(str(number))
            for before, after in zip(kept, recalled, strict=True):
                assert (before.dtype, before.shape) == (after.dtype, after.shape)
                np.testing.assert_array_equal(before, after)


def test_unknown_names(scratch):
    assert scratch.recall("nobody") is None


def test_the_last_of_a_name_counts(scratch):
    scratch.keep("a", [plane(1)])
    scratch.keep("a", [plane(2)])
    np.testing.assert_array_equal(scratch.recall("a")[0], plane(2))


def test_a_transposed_array(scratch):
    turned = np.arange(12, dtype=np.uint16).reshape(3, 4).T
    scratch.keep("a", [turned])
    np.testing.assert_array_equal(scratch.recall("a")[0], turned)


def test_it_keeps_copies_that_cannot_be_written(scratch):
    given_ = plane(1)
    scratch.keep("a", [given_])
    given_[:] = 9
    (recalled,) = scratch.recall("a")
    np.testing.assert_array_equal(recalled, plane(1))
    assert not recalled.flags.writeable
    with pytest.raises(ValueError, match="read-only"):
        recalled[0, 0] = 3


def test_it_is_bounded(tmp_path):
    """What no longer fits is not kept; small things that always have to be are."""
    with closing(Scratch(tmp_path, 3 * PAGE)) as scratch:
        large = np.zeros(PAGE, np.uint8)
        kept = [scratch.keep(str(number), [large]) for number in range(6)]
        assert kept == [True, True, True, False, False, False]
        assert scratch.recall("3") is None
        assert scratch.keep("small", [plane(7)], always=True)
        np.testing.assert_array_equal(scratch.recall("small")[0], plane(7))
        sizes = [os.fstat(part._file.fileno()).st_size for part in scratch._files]
        assert sum(sizes) <= 4 * PAGE


def test_no_room_at_all(tmp_path):
    with closing(Scratch(tmp_path, 0)) as scratch:
        assert not scratch.keep("a", [plane(1)])
        assert scratch.recall("a") is None


# What is left of memory and of the disk: two fifths of the one, all but 4 GB of the other
@pytest.mark.parametrize(
    ("memory_gb", "disk_gb", "room_gb"), [(10, 100, 4), (10, 6, 2), (10, 3, 0), (0, 100, 0)]
)
def test_by_default_it_takes_what_is_to_spare(tmp_path, monkeypatch, memory_gb, disk_gb, room_gb):
    free, available = namedtuple("Usage", "free"), namedtuple("Memory", "available")
    monkeypatch.setattr(module.shutil, "disk_usage", lambda _: free(disk_gb * 10**9))
    monkeypatch.setattr(module.psutil, "virtual_memory", lambda: available(memory_gb * 10**9))
    with closing(Scratch(tmp_path)) as scratch:
        assert scratch._most == room_gb * 10**9


def test_a_full_disk(scratch):
    """What is already there stays; nothing more is tried, and nothing is lost but time."""
    scratch.keep("before", [plane(1), plane(2)])
    with something_happens(scratch, full):
        assert not scratch.keep("a", [plane(3)])
    assert not scratch.keep("b", [plane(4)])
    assert scratch.recall("a") is None
    np.testing.assert_array_equal(scratch.recall("before")[1], plane(2))


def test_a_disk_that_fills_up_between_two_arrays(scratch):
    calls = []

    def second(file, data):
        calls.append(len(data))
        return file.write(data) if len(calls) == 1 else full(file, data)

    with something_happens(scratch, second):
        assert not scratch.keep("a", [plane(1), plane(2)])
    assert scratch.recall("a") is None
    assert scratch.keep("b", [plane(3)], always=True)
    np.testing.assert_array_equal(scratch.recall("b")[0], plane(3))


def test_a_write_that_stops_half_way(scratch):
    """As a write to a disk that is nearly full does, without an error: reading past the end would kill us."""
    with something_happens(scratch, lambda file, data: file.write(data[: -(-len(data) // 2)])):
        assert scratch.keep("a", [np.arange(5 * PAGE, dtype=np.uint8)])
    np.testing.assert_array_equal(scratch.recall("a")[0], np.arange(5 * PAGE, dtype=np.uint8))


def test_several_threads_at_once(tmp_path):
    scratch = Scratch(tmp_path, 1 << 24)
    found, start = {}, threading.Barrier(4)

    def work(thread):
        start.wait(5)
        for number in range(40):
            name = f"{thread} {number}"
            scratch.keep(name, [plane(thread, dtype=np.uint16), plane(number, (3, 5))])
            found[name] = scratch.recall(name)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    scratch.close()
    assert len(found) == 160
    for name, (first, second) in found.items():
        thread, number = map(int, name.split())
        np.testing.assert_array_equal(first, plane(thread, dtype=np.uint16))
        np.testing.assert_array_equal(second, plane(number, (3, 5)))


def test_closed_it_keeps_and_recalls_nothing_but_what_is_held_stays(scratch):
    scratch.keep("a", [plane(5)])
    (held,) = scratch.recall("a")
    scratch.close()
    scratch.close()
    assert not scratch.keep("b", [plane(1)], always=True)
    assert scratch.recall("a") is None
    np.testing.assert_array_equal(held, plane(5))


def test_it_leaves_no_file(tmp_path):
    folder = tmp_path / "not" / "yet"
    with closing(Scratch(folder, 1 << 20)) as scratch:
        scratch.keep("a", [plane(1)])
        assert list(folder.iterdir()) == []
    assert list(folder.iterdir()) == []


def test_a_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    with closing(Scratch(tmp_path / "file" / "below", 1 << 20)) as scratch:
        assert not scratch.keep("a", [plane(1)], always=True)
        assert scratch.recall("a") is None
