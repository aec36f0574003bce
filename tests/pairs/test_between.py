"""Views from between two stations: against what was really there to be seen."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pairs.between import completed, seen_from

HEIGHT, WIDTH = 60, 200
GROUND, NEAR = 4.0, 20.0


def texture(seed, width):
    """Smooth enough to be resampled: noise of 3 px, 8-bit."""
    noise = np.random.default_rng(seed).random((HEIGHT, width + 8, 3))
    kernel = np.ones(7) / 7
    for axis in (0, 1):
        noise = np.apply_along_axis(lambda row: np.convolve(row, kernel, "same"), axis, noise)
    low, high = noise.min(), noise.max()
    return ((noise - low) / (high - low) * 235 + 10)[:, :width]


def at(picture, places):
    """Columns of a picture at fractional places, linearly, ends repeated."""
    places = np.clip(places, 0, picture.shape[1] - 1)
    low = np.minimum(places.astype(int), picture.shape[1] - 2)
    part = (places - low)[None, :, None]
    return picture[:, low] * (1 - part) + picture[:, low + 1] * part


def scene(share):
    """(picture, disparity) of a board before a ground, seen from `share` of the way."""
    x = np.arange(WIDTH)
    ground, board = texture(1, WIDTH + 100), texture(2, 60)
    picture = at(ground, x + share * GROUND + 50)
    disparity = np.full((HEIGHT, WIDTH), GROUND, np.float32)
    on_board = x + share * NEAR - 90
    near = (on_board >= 0) & (on_board <= 59)
    picture[:, near] = at(board, on_board[near])
    disparity[:, near] = NEAR
    return np.asarray(np.clip(picture + 0.5, 0, 255), np.uint8), disparity


def error(share, got):
    truth, _ = scene(share)
    return np.abs(got.astype(float) - truth)[:, 30:-30]


@pytest.fixture(scope="module")
def pair():
    (left, left_disparity), (right, right_disparity) = scene(0.0), scene(1.0)
    return (left, right), (left_disparity, right_disparity)


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_from_a_station_it_is_that_stations_view(pair, share):
    picture, disparity = seen_from(*pair, share)
    assert error(share, picture).mean() < 0.5
    assert np.mean(disparity == scene(share)[1]) > 0.98


@settings(deadline=None, max_examples=20)
@given(share=st.floats(0.05, 0.95))
def test_in_between_it_is_what_is_seen_from_there(share):
    """Both sides of the board are uncovered in one of the views."""
    views = scene(0.0), scene(1.0)
    picture, disparity = seen_from((views[0][0], views[1][0]), (views[0][1], views[1][1]), share)
    off = error(share, picture)
    assert off.mean() < 2.5
    assert np.mean(off.max(axis=2) > 24) < 0.03  # the outlines of the board, and no more
    wanted = scene(share)[1][:, 30:-30]
    assert np.mean(np.abs(disparity[:, 30:-30] - wanted) < 0.5) > 0.97


def test_a_little_beyond_only_what_no_view_shows_is_guessed(pair):
    picture, _ = seen_from(*pair, 1.2)
    assert np.mean(error(1.2, picture).max(axis=2) > 24) < 0.06


def test_sixteen_bits_stay(pair):
    (left, right), disparities = pair
    wide = left.astype(np.uint16) * 257, right.astype(np.uint16) * 257
    picture, _ = seen_from(wide, disparities, 0.5)
    narrow, _ = seen_from((left, right), disparities, 0.5)
    assert picture.dtype == np.uint16
    assert np.abs(picture / 257 - narrow).max() <= 1


def test_nothing_that_is_given_is_changed(pair):
    before = [plane.copy() for group in pair for plane in group]
    seen_from(*pair, 0.4)
    for old, new in zip(before, [plane for group in pair for plane in group], strict=True):
        np.testing.assert_array_equal(old, new)


def test_gaps_go_to_the_farther_side_up_to_an_edge():
    picture, disparity = scene(0.0)
    holed = disparity.copy()
    holed[:, 70:95] = np.nan  # ground, and a strip of the board, which begins at 90
    full = completed(holed, picture)
    assert np.mean(np.abs(full - disparity) < 0.5) > 0.97


def test_gaps_of_one_surface_are_bridged_evenly():
    ramp = np.tile(np.linspace(0, 10, 101, dtype=np.float32), (9, 1))
    holed = ramp.copy()
    holed[:, 40:60] = np.nan
    flat = np.full((9, 101, 3), 128, np.uint8)
    np.testing.assert_allclose(completed(holed, flat)[:, 5:-5], ramp[:, 5:-5], atol=0.3)


def test_without_any_disparity_nothing_moves():
    picture = scene(0.0)[0]
    nothing = completed(np.full((HEIGHT, WIDTH), np.nan, np.float32), picture)
    assert not nothing.any()
    seen, _ = seen_from((picture, picture), (nothing, nothing), 0.5)
    np.testing.assert_array_equal(seen, picture)
