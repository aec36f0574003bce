"""Order from differences: points on a line, against hand values and bounds of trees and paths."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.stacks.seriation import agreement, components, detour, line_up, path_length, spanning_tree


def distances(points):
    here = np.asarray(points, dtype=float)
    return np.abs(here[:, None] - here[None, :])


@settings(deadline=None)
@given(st.permutations(range(12)))
def test_points_on_a_line_are_put_in_line(order):
    found = [order[i] for i in line_up(distances(order))]
    assert found in (list(range(12)), list(range(12))[::-1])


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 50)), min_size=2, max_size=14, unique=True))
def test_line_holds_every_frame_once_and_is_at_most_twice_the_tree(points):
    """The tree bounds any path from below; walking its edges is twice as long (textbook fact)."""
    here = np.asarray(points, dtype=float)
    table = np.hypot(*(here[:, None] - here[None, :]).transpose(2, 0, 1))
    line = line_up(table)
    assert sorted(line) == list(range(len(points)))
    assert 1 - 1e-9 <= detour(table, line) <= 2 + 1e-9


def test_tree_by_hand():
    table = distances([0, 10, 3, 4])
    assert sum(table[i, j] for i, j in spanning_tree(table)) == 10
    assert path_length(table, [0, 1, 2, 3]) == 18
    assert detour(table, [0, 1, 2, 3]) == pytest.approx(1.8)
    assert components(4, [(0, 2), (2, 3)]) == [[0, 2, 3], [1]]


def test_agreement_of_true_and_swapped_order():
    assert agreement(distances(range(6)), range(6)) == 1
    assert agreement(distances(range(6)), [0, 3, 1, 5, 2, 4]) < 0.6
