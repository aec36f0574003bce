"""Matched points against measured pairs (tests/support/pairs.py names their sources) and known shifts."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pairs.matches import Matches, match, spread_out
from nearpair.pixels.luma import luma
from support.pairs import aloe, cones, motorcycle


def texture(rng, shape=(160, 240), blur_px=1.5):
    """Invented: smooth random texture, luma in [0, 1]."""
    noise = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), blur_px)
    return np.clip(0.5 + 0.15 * noise / noise.std(), 0, 1).astype(np.float32)


def moved(plane, dx_px, dy_px):
    """Content moved to the right and down; exact for a periodic texture (Fourier shift theorem)."""
    x, y = np.fft.rfftfreq(plane.shape[1]), np.fft.fftfreq(plane.shape[0])
    phase = np.exp(-2j * np.pi * (x[None, :] * dx_px + y[:, None] * dy_px))
    return np.fft.irfft2(np.fft.rfft2(plane) * phase, plane.shape).astype(np.float32)


@pytest.mark.parametrize(("pair", "median_px", "within_1px"), [(cones, 0.2, 0.93), (motorcycle, 0.3, 0.85)])
def test_matches_lie_where_the_depth_was_measured(pair, median_px, within_1px):
    """Scharstein & Szeliski, CVPR 2003 (Cones, disparity in quarter px); Scharstein et al., GCPR 2014."""
    pair = pair()
    found = match(luma(pair.left), luma(pair.right))
    column, row = np.rint(found.first).astype(int).T
    measured = pair.known_left[row, column]
    error = np.abs((found.first - found.second)[:, 0] - pair.disparity_left_px[row, column])[measured]
    assert len(found) > 500
    assert np.median(error) < median_px
    assert np.mean(error < 1) > within_1px
    # rectified by other people: rows agree
    assert np.sqrt(np.mean((found.first - found.second)[:, 1] ** 2)) < 0.5


@settings(deadline=None, max_examples=8)
@given(st.floats(-12, 12), st.floats(-6, 6), st.integers(0, 1000))
def test_a_shift_is_found_to_a_twentieth_of_a_pixel(dx_px, dy_px, seed):
    first = texture(np.random.default_rng(seed))
    found = match(first, moved(first, dx_px, dy_px))
    assert len(found) > 24
    error = found.second - found.first - (dx_px, dy_px)
    assert np.median(np.abs(error), axis=0) == pytest.approx(0, abs=0.05)


def test_a_flat_picture_has_nothing_to_match():
    flat, plain = np.full((80, 120), 0.5, np.float32), texture(np.random.default_rng(3), (80, 120))
    for first, second in ((flat, flat), (flat, plain), (plain, flat)):
        found = match(first, second)
        assert len(found) == 0
        assert found.first.shape == found.second.shape == (0, 2)


def test_pictures_of_different_subjects_hardly_match():
    first, second = luma(cones().left), luma(aloe().left)[:375, :450]
    assert len(match(first, second)) < 24


def test_the_pictures_stay_as_they_are_and_the_answer_too():
    first, second = luma(cones().left)[:200, :300], luma(cones().right)[:200, :300]
    before = first.copy(), second.copy()
    once, again = match(first, second), match(first, second)
    np.testing.assert_array_equal(first, before[0])
    np.testing.assert_array_equal(second, before[1])
    np.testing.assert_array_equal(once.first, again.first)
    np.testing.assert_array_equal(once.second, again.second)


def test_the_number_of_threads_changes_nothing():
    first, second = luma(cones().left), luma(cones().right)
    threads = cv2.getNumThreads()
    try:
        cv2.setNumThreads(1)
        alone = match(first, second)
        cv2.setNumThreads(5)
        many = match(first, second)
    finally:
        cv2.setNumThreads(threads)
    np.testing.assert_array_equal(alone.first, many.first)
    np.testing.assert_array_equal(alone.second, many.second)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2000), st.integers(1, 3000))
def test_no_part_of_the_picture_decides_alone(seed, count):
    """At most twelve matches in every 32 px cell, in their order, and none lost where there are fewer."""
    rng = np.random.default_rng(seed)
    height, width = 150, 200
    first = rng.uniform(0, (width, height), (count, 2)) ** rng.uniform(0.5, 1)
    found = Matches(first, first + 1)
    kept = spread_out(found, (height, width))
    np.testing.assert_array_equal(kept.second, kept.first + 1)

    def counted(points):
        cells, counts = np.unique(points // 32, axis=0, return_counts=True)
        return dict(zip(map(tuple, cells), counts, strict=True))

    before = counted(first)
    assert counted(kept.first) == {cell: min(12, number) for cell, number in before.items()}


def test_keeping_by_a_mask():
    points = np.arange(8.0).reshape(4, 2)
    kept = Matches(points, -points).keep(np.array([True, False, False, True]))
    np.testing.assert_array_equal(kept.first, points[[0, 3]])
    np.testing.assert_array_equal(kept.second, -points[[0, 3]])
