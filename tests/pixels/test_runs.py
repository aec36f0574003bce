"""Runs of columns cover exactly the blocks that are set, and none is longer than allowed."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from nearpair.pixels.runs import LONGEST, run_ends


def found(mask, block, top, bottom, width):
    """The runs; there is as little room for them as the callers have."""
    out = np.full((width // block + 2 + width // LONGEST, 2), -1, np.int64)
    count = run_ends(mask, block, top, bottom, width, out)
    assert np.all(out[count:] == -1)
    return out[:count].tolist()


def columns_of(runs, width):
    covered = np.zeros(width, np.int64)
    for first, last in runs:
        covered[first:last] += 1
    return covered


@st.composite
def masked(draw):
    """Mask, block, rows [top, bottom), width: the last block of columns and of rows may be cut."""
    block, rows, across = draw(st.sampled_from([4, 8])), draw(st.integers(1, 5)), draw(st.integers(1, 300))
    seed, share = draw(st.integers(0, 2**32 - 1)), draw(st.sampled_from([0.0, 0.02, 0.5, 0.98, 1.0]))
    mask = np.random.default_rng(seed).random((rows, across)) < share
    width = across * block - draw(st.integers(0, block - 1))
    top = draw(st.integers(0, rows * block - 2))
    return mask, block, top, draw(st.integers(top + 1, rows * block)), width


@given(masked())
@settings(deadline=None, max_examples=200)
def test_runs_are_the_set_blocks(given_):
    mask, block, top, bottom, width = given_
    runs = found(*given_)
    expected = np.repeat(mask[top // block : -(-bottom // block)].any(axis=0), block)[:width]
    np.testing.assert_array_equal(columns_of(runs, width), expected.astype(int))
    assert all(0 < last - first <= LONGEST and first % 2 == 0 for first, last in runs)
    assert runs == sorted(runs)
    # runs that touch were cut because they had become too long
    for (first, last), (after, _) in pairwise(runs):
        assert after > last or last - first == LONGEST


@pytest.mark.parametrize("width", [1, 511, 512, 513, 1024, 1500])
def test_without_a_mask_all_is_worked_on(width):
    runs = found(np.zeros((0, 0), np.bool_), 8, 0, 16, width)
    assert np.all(columns_of(runs, width) == 1)
    assert len(runs) == -(-width // LONGEST)


def test_by_hand():
    mask = np.array([[1, 0, 0, 1, 1], [0, 0, 0, 0, 1], [0, 1, 0, 0, 0]], np.bool_)
    assert found(mask, 8, 0, 8, 38) == [[0, 8], [24, 38]]
    assert found(mask, 8, 8, 16, 38) == [[32, 38]]
    assert found(mask, 8, 9, 17, 38) == [[8, 16], [32, 38]]
    # rows beyond the mask are not asked for
    assert found(mask, 8, 16, 40, 38) == [[8, 16]]


@given(arrays(np.bool_, (1, 400)))
@settings(deadline=None, max_examples=30)
def test_long_runs_are_cut_at_the_longest(mask):
    mask[:, 10:300] = True
    runs = found(mask, 8, 0, 8, 3200)
    inside = [last - first for first, last in runs if first >= 80 and last <= 2400]
    assert inside.count(LONGEST) >= 3
