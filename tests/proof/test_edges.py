"""Things in front of the window that the frame cuts."""

import numpy as np
import pytest

from nearpair.proof.edges import edges, threshold_px

H, W = 200, 400


def _wall(behind=5.0):
    return np.full((H, W), behind, np.float32)


def _left_view_of(bar_px, rows, parallax=-12.0):
    """A bar at the left edge of the right picture, x + parallax = 0; unknown before that: one eye sees it."""
    seen = _wall()
    seen[rows, : -int(parallax)] = np.nan
    seen[rows, -int(parallax) : -int(parallax) + bar_px] = parallax
    return seen


def test_a_thing_in_front_at_the_left_edge_is_found_where_it_meets_the_right_picture():
    cut = edges(_left_view_of(30, slice(50, 110))).left
    assert cut.share == pytest.approx(0.3)
    assert cut.place == (50, 109)
    assert cut.worst_px == -12
    others = edges(_left_view_of(30, slice(50, 110)))
    assert (others.right.share, others.top.share, others.bottom.share) == (0, 0, 0)


def test_a_thing_in_front_at_the_right_edge():
    parallax = _wall()
    parallax[20:120, -25:] = -8
    parallax[150:160, -25:] = -9
    found = edges(parallax)
    assert found.right.share == pytest.approx(0.55)
    assert found.right.place == (20, 119)  # the longest run
    assert found.right.worst_px == -9
    assert found.left.share == 0


def test_top_and_bottom():
    parallax = _wall()
    parallax[:40, 100:300] = -6
    found = edges(parallax)
    assert found.top.share == pytest.approx(0.5)
    assert found.top.place == (100, 299)
    assert found.bottom.share == 0


def test_behind_or_at_the_window_nothing_is_cut():
    for level in (0.0, 40.0, -threshold_px(W) + 0.01):
        found = edges(_wall(level))
        assert [cut.share for cut in (found.left, found.right, found.top, found.bottom)] == [0, 0, 0, 0]
    assert edges(_wall(-3.0)).right.share == 1


def test_a_thing_in_front_that_the_edge_does_not_touch_is_no_cut():
    parallax = _wall()
    parallax[50:150, 60:-60] = -20
    found = edges(parallax)
    assert (found.left.share, found.right.share) == (0, 0)


def test_single_wrong_rows_do_not_count():
    parallax = _wall()
    parallax[::40, -10:] = -50
    assert edges(parallax).right.share == 0


@pytest.mark.parametrize("parallax", [np.full((1, 1), np.nan), np.zeros((2, 2)), np.full((H, W), np.nan)])
def test_nothing_known_is_nothing_cut(parallax):
    assert edges(parallax.astype(np.float32)).left.share == 0
