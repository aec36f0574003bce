"""Work in bands of rows and tasks at once: everything once, errors passed on, in pools of any size."""

import threading
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import pytest

from nearpair.pixels import bands as module
from nearpair.pixels.bands import at_once, banded, in_bands, one_band


@pytest.fixture(params=[1, 2, 5])
def pool(request, monkeypatch):
    monkeypatch.setattr(module.os, "cpu_count", lambda: request.param)
    with ThreadPoolExecutor(request.param) as found:
        yield found


@pytest.mark.parametrize("rows", [0, 1, 63, 64, 65, 1000])
def test_every_row_is_worked_on_once(rows, pool):
    for run in (in_bands, partial(in_bands, pool=pool), one_band):
        seen = []
        run(rows, lambda top, bottom, seen=seen: seen.extend(range(top, bottom)))
        assert sorted(seen) == list(range(rows))


def test_bands_do_not_depend_on_the_number_of_cores(pool):
    """Else results would."""
    seen = []
    in_bands(200, lambda *band: seen.append(band), pool)
    assert sorted(seen) == [(0, 64), (64, 128), (128, 192), (192, 200)]
    assert len(banded(200, seen.append)) == 4


def test_an_error_is_passed_on_and_ends_the_work(pool):
    begun = []

    def work(number):
        begun.append(number)
        if number == 3:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        at_once([partial(work, number) for number in range(100_000)], pool)
    assert 3 in begun
    assert len(begun) < 100_000


def test_tasks_may_themselves_work_in_the_pool(pool):
    """Even when all of its threads are taken by such tasks."""
    seen, lock = [], threading.Lock()

    def inner(top, bottom):
        with lock:
            seen.append((top, bottom))

    at_once([partial(in_bands, 640, inner, pool) for _ in range(20)], pool)
    assert len(seen) == 200


def test_nothing_to_do(pool):
    at_once([], pool)
    at_once([])
