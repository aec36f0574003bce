"""The inner loops of matching against hand computation, and against slow code written from the recurrence.

Census: Zabih & Woodfill, ECCV 1994. Semi-global matching: Hirschmüller, IEEE PAMI 30(2), 2008, equations from
memory (shared check values, section 8.2).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pairs import kernels


def signatures(plane, noise=0.0):
    out = np.empty(plane.shape, np.uint64)
    kernels.census(plane.astype(np.float32), noise, out)
    return out


def hamming(first, second, lowest, count):
    out = np.empty((*first.shape, count), np.uint8)
    kernels.costs(first, second, lowest, out, 0, first.shape[0])
    return out


def test_census_counts_brighter_neighbours_of_nine_by_seven():
    plane = np.zeros((7, 9))
    plane[0, 0] = plane[3, 5] = plane[6, 8] = 1
    bits = f"{int(signatures(plane)[3, 4]):062b}"
    # row by row from the top left, the middle left out: first, right of the middle, last
    assert [k for k, bit in enumerate(bits) if bit == "1"] == [0, 31, 61]


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.floats(0.2, 3), st.floats(-5, 5))
def test_census_does_not_change_with_brightness_and_contrast(seed, gain, offset):
    plane = np.random.default_rng(seed).integers(0, 256, (12, 15)).astype(np.float32)
    np.testing.assert_array_equal(
        signatures(plane), signatures(plane * np.float32(gain) + np.float32(offset))
    )


def test_census_passes_over_noise():
    plane = np.random.default_rng(0).uniform(0.5, 0.509, (10, 12))
    assert not signatures(plane, 0.01).any()
    assert signatures(plane, 0.0).any()


def test_costs_are_bits_that_differ_and_outside_is_dear():
    rng = np.random.default_rng(4)
    first, second = (rng.integers(0, 2**62, (3, 10), dtype=np.uint64) for _ in range(2))
    second[1, 2] = first[1, 5]
    found = hamming(first, second, -2, 6)
    for y, x, k in np.ndindex(found.shape):
        other = x - (-2 + k)
        if 0 <= other < 10:
            assert found[y, x, k] == min((int(first[y, x]) ^ int(second[y, other])).bit_count(), 40)
        else:
            assert found[y, x, k] == 40
    assert found[1, 5, 5] == 0  # disparity 3 = −2 + 5


def test_the_recurrence_computed_by_hand():
    """One row of three pixels, three disparities, P1 = 1, P2 = 3; leftwards and rightwards summed.

    Rightwards: (5 1 4); (2 + 1+1 − 1, 6 + 1 − 1, 3 + 1+1 − 1) = (3 6 4); (7 + 3 − 3, 2 + 3+1 − 3, 2 + 4 − 3)
    = (7 3 3). Leftwards: (7 2 2); (2 + 2+1 − 2, 6 + 2 − 2, 3 + 2 − 2) = (3 6 3); (5 + 3 − 3, 1 + 3+1 − 3,
    4 + 3 − 3) = (5 2 4).
    """
    cost = np.array([[[5, 1, 4], [2, 6, 3], [7, 2, 2]]], np.uint8)
    sums = np.zeros(cost.shape, np.uint16)
    kernels.along_rows(cost, np.zeros((1, 3), np.float32), sums, 1, 3, 0, 1)
    rightwards = np.array([[5, 1, 4], [3, 6, 4], [7, 3, 3]])
    leftwards = np.array([[5, 2, 4], [3, 6, 3], [7, 2, 2]])
    np.testing.assert_array_equal(sums[0], rightwards + leftwards)


def slow_path(cost, edges, step, small, large):
    """L_r of one direction r = step (dy, dx), straight from the recurrence."""
    height, width, count = cost.shape
    dy, dx = step
    paths = np.zeros(cost.shape, np.int64)
    for y in range(height) if dy >= 0 else range(height - 1, -1, -1):
        for x in range(width) if dx >= 0 else range(width - 1, -1, -1):
            py, px = y - dy, x - dx
            if not (0 <= py < height and 0 <= px < width):
                paths[y, x] = cost[y, x]
                continue
            before = paths[py, px]
            # an edge in the picture makes a jump cheaper, never cheaper than a small step
            jump = max(int(large / (1 + 25 * abs(float(edges[y, x]) - float(edges[py, px])))), small + 1)
            for d in range(count):
                near = [before[d], before.min() + jump]
                near += [before[e] + small for e in (d - 1, d + 1) if 0 <= e < count]
                paths[y, x, d] = cost[y, x, d] + min(near) - before.min()
    return paths


@pytest.mark.parametrize("seed", range(3))
def test_all_eight_directions_follow_the_recurrence(seed):
    rng = np.random.default_rng(seed)
    cost = rng.integers(0, 41, (6, 7, 5)).astype(np.uint8)
    edges = rng.choice([0.0, 0.25, 0.5], (6, 7)).astype(np.float32)
    sums = np.zeros(cost.shape, np.uint16)
    kernels.along_rows(cost, edges, sums, 4, 60, 0, 6)
    for downwards in (True, False):
        kernels.along_columns(cost, edges, sums, 4, 60, downwards)
    steps = [(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0)]
    np.testing.assert_array_equal(sums, sum(slow_path(cost, edges, step, 4, 60) for step in steps))


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.integers(1, 20), st.integers(0, 100))
def test_sums_stay_below_the_bound(seed, small, more):
    """L_r ≤ C_max + P2 (Hirschmüller 2008, from memory), so eight of them fit 16 bits."""
    cost = np.random.default_rng(seed).integers(0, 41, (8, 9, 6)).astype(np.uint8)
    sums = np.zeros(cost.shape, np.uint16)
    flat = np.zeros((8, 9), np.float32)
    kernels.along_rows(cost, flat, sums, small, small + 1 + more, 0, 8)
    for downwards in (True, False):
        kernels.along_columns(cost, flat, sums, small, small + 1 + more, downwards)
    assert sums.max() <= 8 * (int(cost.max()) + small + 1 + more)


def picked(row, lowest):
    sums = np.array(row, np.uint16)[None, None, :]
    out, margin = np.empty((1, 1), np.float32), np.empty((1, 1), np.float32)
    kernels.pick(sums, lowest, out, margin, 0, 1)
    return float(out[0, 0]), float(margin[0, 0])


@pytest.mark.parametrize(
    ("row", "lowest", "disparity", "margin"),
    [
        ([90, 50, 10, 50, 90], -3, -1.0, (90 - 10) / 91),
        # slopes 80 on the left and 40 on the right of the minimum: (80 − 40) / 80 / 2 to the right
        ([170, 90, 10, 50, 90], 0, 2.25, (90 - 10) / 91),
        ([10, 50, 90, 90, 90], 5, 5.0, (90 - 10) / 91),
        ([20, 90, 90, 90, 20], 0, 0.0, 0.0),
    ],
)
def test_the_cheapest_disparity_wins(row, lowest, disparity, margin):
    assert picked(row, lowest) == (pytest.approx(disparity), pytest.approx(margin))


def test_the_second_view_reads_the_same_sums():
    # (pixel of the first view, disparity): pixel 2 at disparity 1 is pixel 1 of the second view
    sums = np.full((1, 4, 2), 99, np.uint16)
    sums[0, 2, 1], sums[0, 1, 0] = 10, 30
    out = np.empty((1, 4), np.float32)
    kernels.pick_other(sums, 0, out, 0, 1)
    assert out[0, 1] == 1
    kernels.pick_other(sums, 10, out, 0, 1)
    assert np.isnan(out).all()


def test_both_views_have_to_agree():
    """|d_first(x) − d_second(x − d_first(x))| ≤ tolerance (shared check values, section 8.4)."""
    first = np.array([[0, 1, 2, 2, 9, -3]], np.float32)
    second = np.array([[1, 2, 0, 0, 0, np.nan]], np.float32)
    out = np.empty(first.shape, np.bool_)
    kernels.agree(first, second, 1.0, out, 0, 1)
    # x = 5: 5 + 3 lies outside; x = 4: 4 − 9 too; x = 3 meets 2; x = 2 meets 1, 1 px apart
    np.testing.assert_array_equal(out, [[True, True, True, True, False, False]])


def test_the_median_takes_out_outliers_and_keeps_thin_things_and_holes():
    plane = np.full((9, 11), 5, np.float32)
    plane[4, 2] = 6.9  # a slip of the refinement
    plane[:, 7] = 20.0  # a thin thing far in front
    plane[2, 4] = np.nan
    out = np.empty_like(plane)
    kernels.calm(plane, 2, out, 0, 9)
    expected = plane.copy()
    expected[4, 2] = 5
    np.testing.assert_array_equal(out, expected)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000))
def test_the_median_is_the_median(seed):
    rng = np.random.default_rng(seed)
    plane = rng.uniform(0, 4, (7, 8)).astype(np.float32)
    plane[rng.random(plane.shape) < 0.2] = np.nan
    out = np.empty_like(plane)
    kernels.calm(plane, 2, out, 0, 7)
    for y, x in np.ndindex(plane.shape):
        around = plane[max(0, y - 2) : y + 3, max(0, x - 2) : x + 3]
        like = around[np.abs(around - plane[y, x]) < 2]
        assert out[y, x] == pytest.approx(np.median(like), nan_ok=True) if like.size else np.isnan(out[y, x])
