"""File names, file numbers and clocks."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nearpair.stacks.timing import name_key, running_numbers


def test_names_sort_as_people_do():
    names = ["b1", "A10", "a9", "a", "10", "9", "a9b"]
    assert sorted(names, key=name_key) == ["9", "10", "a", "a9", "a9b", "A10", "b1"]


@given(st.lists(st.text(), max_size=6))
def test_any_names_can_be_sorted(names):
    once = sorted(names, key=name_key)
    assert [name_key(name) for name in once] == sorted(name_key(name) for name in names)


@pytest.mark.parametrize(
    ("numbers", "running"),
    [
        ([1, 2, 30], [1, 2, 30]),
        ([9998, 9999, 1, 2], [9998, 9999, 10001, 10002]),
        ([3, 9990], [10003, 9990]),
        ([20240101, 3], [20240101, 3]),
        ([], []),
    ],
)
def test_numbers_after_9999(numbers, running):
    assert list(running_numbers(numbers)) == running


@given(st.integers(1, 9999), st.integers(2, 300))
def test_a_run_of_numbers_stays_a_run(first, count):
    numbers = [(first + i - 1) % 9999 + 1 for i in range(count)]
    running = running_numbers(numbers)
    assert list(running) == sorted(running)
