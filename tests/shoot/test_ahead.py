"""Reading ahead: in order, a few at a time, errors where they belong, small frames decoded once."""

import threading
import time
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from nearpair.errors import FrameError
from nearpair.frames.metadata import read_info
from nearpair.frames.read import read_small
from nearpair.shoot import ahead
from nearpair.shoot.ahead import SmallFrames, read_ahead


def test_everything_in_order_whatever_takes_longer():
    def slow(item):
        time.sleep(0.02 if item % 3 == 0 else 0)
        return item * item

    assert list(read_ahead(range(20), slow)) == [n * n for n in range(20)]


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_few_items(count):
    assert list(read_ahead(range(count), str)) == [str(n) for n in range(count)]


def test_two_items_ahead_and_no_more():
    started = []
    reading = read_ahead(range(10), lambda item: started.append(item) or item)
    assert started == []
    for taken in range(1, 8):
        assert next(reading) == taken - 1
        time.sleep(0.01)
        assert len(started) == taken + 2
    reading.close()


def test_an_error_comes_where_its_item_would_have():
    def read(item):
        if item == 3:
            raise FrameError("the fourth is broken.", "Leave it out.")
        return item

    reading = read_ahead(range(6), read)
    assert [next(reading) for _ in range(3)] == [0, 1, 2]
    with pytest.raises(FrameError, match="the fourth is broken"):
        next(reading)


def test_a_consumer_that_stops_stops_the_reading():
    started, go = [], threading.Event()

    def read(item):
        started.append(item)
        go.wait(2)
        return item

    go.set()
    reading = read_ahead(range(1000), read)
    next(reading)
    reading.close()
    count = len(started)
    time.sleep(0.05)
    assert len(started) == count <= 4


@pytest.fixture
def frames(tmp_path):
    """Eight frames of 64 x 48 px, each of its own grey."""
    found = []
    for number in range(8):
        Image.new("L", (64, 48), 30 * number).save(tmp_path / f"f{number}.png")
        found.append(read_info(tmp_path / f"f{number}.png"))
    return found


@pytest.fixture
def decoded(monkeypatch):
    """Names and factors of what was really decoded."""
    seen = []

    def counting(frame, factor, developed):
        seen.append((frame.path.name, factor))
        return read_small(frame, factor, developed)

    monkeypatch.setattr(ahead, "read_small", counting)
    return seen


def test_a_frame_is_decoded_once_for_each_size(frames, decoded):
    small = SmallFrames()
    first = small.read(frames[3], 2)
    assert first.shape == (24, 32)
    assert np.all(first == 90)
    np.testing.assert_array_equal(small.read(frames[3], 2), first)
    assert small.read(frames[3], 4).shape == (12, 16)
    assert decoded == [("f3.png", 2), ("f3.png", 4)]


def test_a_frame_turned_by_the_sorting_is_another_picture(frames, decoded):
    small = SmallFrames()
    turned = replace(frames[0], orientation=6, size_px=(64, 48))
    assert small.read(frames[0], 2).shape == (24, 32)
    assert small.read(turned, 2).shape == (32, 24)


def test_the_oldest_is_forgotten_first_and_memory_stays_bounded(frames, decoded, monkeypatch):
    monkeypatch.setattr(ahead, "_KEPT_BYTES", 3 * 24 * 32)
    small = SmallFrames()
    for frame in frames[:4]:
        small.read(frame, 2)
    decoded.clear()
    for frame in (frames[1], frames[2], frames[3], frames[0]):
        small.read(frame, 2)
    assert decoded == [("f0.png", 2)]
    # larger than all that may be kept: given, not kept
    monkeypatch.setattr(ahead, "_KEPT_BYTES", 100)
    assert small.read(frames[5], 1).shape == (48, 64)


def test_two_threads_that_read_the_same_frame_at_once(frames, monkeypatch):
    """Counting it twice would, in the end, forget more than there is."""
    both = threading.Barrier(2)

    def together(frame, factor, developed):
        both.wait(5)
        return read_small(frame, factor, developed)

    monkeypatch.setattr(ahead, "read_small", together)
    monkeypatch.setattr(ahead, "_KEPT_BYTES", 3 * 24 * 32)
    small = SmallFrames()
    for frame in frames:
        threads = [threading.Thread(target=small.read, args=(frame, 2)) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert small._bytes == sum(plane.nbytes for plane in small._kept.values()) <= 3 * 24 * 32
