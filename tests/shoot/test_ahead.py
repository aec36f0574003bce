"""Reading ahead: in order, a few at a time, errors where they belong."""

import threading
import time

import cv2
import pytest

from nearpair.errors import FrameError
from nearpair.shoot.ahead import all_cores_taken, read_ahead


def test_everything_in_order_whatever_takes_longer():
    def slow(item):
        time.sleep(0.02 if item % 3 == 0 else 0)
        return item * item

    assert list(read_ahead(range(20), slow)) == [n * n for n in range(20)]


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_few_items(count):
    assert list(read_ahead(range(count), str)) == [str(n) for n in range(count)]


def test_three_items_ahead_and_no_more():
    started = []
    reading = read_ahead(range(10), lambda item: started.append(item) or item)
    assert started == []
    for taken in range(1, 8):
        assert next(reading) == taken - 1
        time.sleep(0.01)
        assert len(started) == min(taken + 3, 10)
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
    assert len(started) == count <= 5


def test_opencv_gets_its_threads_back():
    before, within = cv2.getNumThreads(), []

    @all_cores_taken()
    def failing():
        within.append(cv2.getNumThreads())
        raise KeyError

    with pytest.raises(KeyError):
        failing()
    assert (within, cv2.getNumThreads()) == ([1], before)
