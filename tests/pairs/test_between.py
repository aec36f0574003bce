"""Views from between two stations: against what was really there to be seen."""

from pathlib import Path

import numpy as np
import pytest
from benchmarks.between import MIDDLE, judged
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import PairError
from nearpair.pairs.between import Between, completed
from nearpair.pairs.disparity import match_rows
from nearpair.pixels.luma import luma
from support.pairs import cones

GEARS = Path(__file__).parents[1] / "data" / "scenes" / "gears"
HEIGHT, WIDTH = 60, 200
GROUND, NEAR = 4.0, 20.0
BOARD, BOARD_WIDTH = 90, 60


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


def scene(position, near=NEAR):
    """(picture, disparity) of a board before a ground, seen from `position` of the way."""
    x = np.arange(WIDTH)
    ground, board = texture(1, WIDTH + 100), texture(2, BOARD_WIDTH)
    picture = at(ground, x + position * GROUND + 50)
    disparity = np.full((HEIGHT, WIDTH), GROUND, np.float32)
    on_board = x + position * near - BOARD
    there = (on_board >= 0) & (on_board <= BOARD_WIDTH - 1)
    picture[:, there] = at(board, on_board[there])
    disparity[:, there] = near
    return np.asarray(np.clip(picture + 0.5, 0, 255), np.uint8), disparity


def error(position, got):
    truth, _ = scene(position)
    return np.abs(got.astype(float) - truth)[:, 30:-30]


@pytest.fixture(scope="module")
def pair():
    (left, left_disparity), (right, right_disparity) = scene(0.0), scene(1.0)
    return (left, right), (left_disparity, right_disparity)


@pytest.fixture(scope="module")
def between(pair):
    return Between.of(*pair)


@pytest.mark.parametrize("side", [0, 1])
def test_from_a_station_it_is_that_stations_view_itself(pair, between, side):
    seen = between.view(float(side))
    np.testing.assert_array_equal(seen.picture, pair[0][side])
    assert not np.shares_memory(seen.picture, pair[0][side])
    assert not seen.unseen.any()


@pytest.mark.parametrize("side", [0, 1])
def test_next_to_a_station_it_is_almost_that_view(pair, between, side):
    """No jump when an animation arrives: a hundredth of the way moves nothing by more than 0.2 px."""
    off = np.abs(between.view(abs(side - 0.01)).picture.astype(float) - pair[0][side])[:, 5:-5]
    assert np.percentile(off, 99) < 12
    assert np.mean(off.max(axis=2) > 24) < 0.01  # the board's outline, where a pixel is the one or the other


@settings(deadline=None, max_examples=20)
@given(position=st.floats(0.05, 0.95))
def test_in_between_it_is_what_is_seen_from_there(position):
    """Both sides of the board are uncovered in one of the views."""
    views = scene(0.0), scene(1.0)
    seen = Between.of((views[0][0], views[1][0]), (views[0][1], views[1][1])).view(position)
    off = error(position, seen.picture)
    assert off.mean() < 2.0
    assert np.mean(off.max(axis=2) > 24) < 0.03  # the outlines of the board, and no more
    wanted = scene(position)[1]
    told = np.isfinite(seen.disparity)
    assert np.mean(told[:, 30:-30]) > 0.97
    assert np.mean(np.abs(seen.disparity - wanted)[told] < 0.5) > 0.97


@pytest.mark.parametrize("position", [-0.2, 0.25, 0.5, 0.8, 1.2])
def test_a_plane_at_disparity_d_moves_by_its_share_of_d(position):
    """By pencil: x to x - t·d. 12 px and t = 0.25: 3 px to the left."""
    d, wall = 12.0, texture(3, WIDTH + 60)
    left, right, wanted = (
        np.asarray(at(wall, np.arange(WIDTH) + 30 + t * d) + 0.5, np.uint8) for t in (0, 1, position)
    )
    flat = np.full((HEIGHT, WIDTH), d, np.float32)
    seen = Between.of((left, right), (flat, flat)).view(position)
    assert np.abs(seen.picture.astype(int) - wanted)[:, 20:-20].max() <= 4
    np.testing.assert_array_equal(seen.disparity[:, 20:-20], flat[:, 20:-20])


def test_beyond_the_left_eye_only_what_it_uncovers_is_guessed_and_marked(between):
    """A fifth beyond the left, 16 px of depth: 3.2 px of ground left of the board that neither view shows.

    From further left more ground is seen at a board's left side (Nakayama & Shimojo 1990; from memory).
    """
    seen = between.view(-0.2)
    edge = BOARD + 0.2 * NEAR
    marked = np.flatnonzero(seen.unseen[HEIGHT // 2, 30:-30]) + 30
    assert len(marked[marked < 120]) in (3, 4)
    assert len(marked[marked >= 120]) <= 1
    marked = marked[marked < 120]
    assert np.all((marked > edge - 5) & (marked < edge + 1))
    # filled from the ground, not from the board
    wanted = scene(-0.2)[0][:, marked].astype(float)
    assert np.abs(seen.picture[:, marked] - wanted).mean() < 30
    assert np.isnan(seen.disparity[HEIGHT // 2, marked]).any()


def test_beyond_the_right_eye_it_is_the_other_side(between):
    edge = BOARD + BOARD_WIDTH - 1 - 1.2 * NEAR
    marked = np.flatnonzero(between.view(1.2).unseen[HEIGHT // 2, 30:-30]) + 30
    assert len(marked) in (3, 4)
    assert np.all((marked > edge - 1) & (marked < edge + 5))


def test_too_far_beyond_is_refused(between):
    for position in (-0.3, 1.3, float("nan")):
        with pytest.raises(PairError, match="cannot be made"):
            between.view(position)


def test_sixteen_bits_stay(pair, between):
    (left, right), disparities = pair
    wide = Between.of((left.astype(np.uint16) * 257, right.astype(np.uint16) * 257), disparities)
    picture = wide.view(0.5).picture
    assert picture.dtype == np.uint16
    assert np.abs(picture / 257 - between.view(0.5).picture).max() <= 1


def test_nothing_that_is_given_is_changed(pair):
    before = [plane.copy() for group in pair for plane in group]
    Between.of(*pair).view(0.4)
    for old, new in zip(before, [plane for group in pair for plane in group], strict=True):
        np.testing.assert_array_equal(old, new)


def test_gaps_go_to_the_farther_side_where_the_picture_says_nothing_else():
    picture, disparity = scene(0.0)
    holed = disparity.copy()
    holed[:, 75:BOARD] = np.nan  # ground that the right eye does not see
    full = completed(holed, picture)
    assert np.mean(np.abs(full - disparity) < 0.5) > 0.98


def test_an_even_near_thing_keeps_its_outline():
    """No texture, so the matcher is silent beside its outline; its colour goes on up to there."""
    disparity = np.full((80, 120), 2.0, np.float32)
    disparity[20:60, 40:80] = 18.0
    picture = np.where(disparity[..., None] > 10, 220, 90).astype(np.uint8).repeat(3, axis=2)
    picture[disparity < 10] += np.random.default_rng(5).integers(0, 60, (80, 120, 1), np.uint8)[
        disparity < 10
    ]
    holed = disparity.copy()
    holed[22:58, 60:95] = np.nan
    full = completed(holed, picture)
    assert np.mean(np.abs(full - disparity) < 0.5) > 0.98


def test_gaps_of_one_surface_are_bridged_evenly():
    ramp = np.tile(np.linspace(0, 10, 101, dtype=np.float32), (9, 1))
    holed = ramp.copy()
    holed[:, 40:60] = np.nan
    flat = np.full((9, 101, 3), 128, np.uint8)
    np.testing.assert_allclose(completed(holed, flat)[:, 5:-5], ramp[:, 5:-5], atol=0.3)


def test_outlines_go_where_the_picture_has_them():
    """A jump that was told 2 px beside the board's edge."""
    picture, disparity = scene(0.0)
    picture = picture // 4 + np.uint8(150) * (disparity > 10)[..., None].astype(np.uint8)
    moved = np.roll(disparity, 2, axis=1)
    assert np.mean(completed(moved, picture) != disparity) < 0.5 * np.mean(moved != disparity)


def test_no_depth_is_invented():
    picture = scene(0.0)[0]
    nothing = np.full((HEIGHT, WIDTH), np.nan, np.float32)
    with pytest.raises(PairError, match="too little texture"):
        Between.of((picture, picture), (nothing, nothing))


def test_half_the_base_is_half_the_disparity_of_a_real_pair():
    """Cones, Middlebury 2003 (Scharstein & Szeliski): both disparities measured with structured light."""
    real = cones()
    seen = Between.of((real.left, real.right), (real.disparity_left_px, real.disparity_right_px)).view(0.5)
    found = match_rows(luma(real.left), luma(seen.picture), 0, 40).px
    off = np.abs(found - real.disparity_left_px / 2)[real.known_left & np.isfinite(found)]
    assert np.median(off) < 0.15
    assert np.mean(off > 1) < 0.08


def test_the_middle_of_five_stations_is_nearer_to_its_picture_than_plain_warping():
    """A ray-traced scene at 600 x 400 px: station 3 made from 1 and 5, against its own sharp picture."""
    got = judged(GEARS, MIDDLE)
    ours, plain, mean = (got[name] for name in ("ours", "plain warping", "mean of both"))
    # 0.53 and 0.45 dB above the mean of both, by whether the window falls on an even pixel
    assert ours.psnr_db > max(plain.psnr_db + 2.0, mean.psnr_db + 0.4)
    assert ours.ssim > max(plain.ssim + 0.03, mean.ssim + 0.005)
