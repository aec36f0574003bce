"""Mounting: window, layout, resampling and the parallax that goes with it.

Signs: parallax = x_right − x_left on the mounted pair, zero at the window, negative in front of it.
Pairs: tests/support/pairs.py names the sources.
"""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import PairError
from nearpair.geometry.projective import Projective, turned_camera
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.disparity import match_rows
from nearpair.pairs.matches import match, spread_out
from nearpair.pairs.mounting import (
    Mount,
    covered,
    mounted,
    mounted_parallax,
    plan_mount,
    window_disparity,
)
from nearpair.pairs.rectify import rectify
from nearpair.pixels.luma import luma
from support.pairs import motorcycle


def whole(size_px):
    return (0.0, 0.0, size_px[1] - 1.0, size_px[0] - 1.0)


LEVEL = Similarity()


def plan(size_px, rows=LEVEL, window_px=0.0, point=None, usable=None):
    return plan_mount(size_px, rows, window_px, point, usable or (whole(size_px), whole(size_px)))


class TestWindow:
    """Disparity of the window by rule or point."""

    def ramp(self):
        """Disparity 10 px at the left edge to 40 px at the right one, a far hill in the middle."""
        plane = np.tile(np.linspace(10, 40, 200, dtype=np.float32), (100, 1))
        plane[40:60, 90:110] = 2
        return plane

    def test_near_and_far(self):
        plane = self.ramp()
        assert window_disparity(plane, "near") == pytest.approx(np.percentile(plane, 99))
        assert window_disparity(plane, "far") == pytest.approx(np.percentile(plane, 1))

    @pytest.mark.parametrize("window", ["near", "far"])
    def test_without_depth_it_cannot_be_placed(self, window):
        plane = np.full((100, 200), np.nan, np.float32)
        plane[0, :49] = 3
        with pytest.raises(PairError, match="share too little texture to tell their depth"):
            window_disparity(plane, window)

    def test_at_a_point(self):
        plane = self.ramp()
        assert window_disparity(plane, (100.0, 50.0)) == 2
        assert window_disparity(plane, (20.2, 10.4)) == pytest.approx(plane[10, 20], abs=0.1)

    def test_at_a_point_without_depth_the_surroundings_tell(self):
        plane = self.ramp()
        plane[:30, :40] = np.nan
        assert window_disparity(plane, (30.0, 10.0)) == pytest.approx(plane[10, 42], abs=0.8)

    def test_at_a_point_with_nothing_around_it(self):
        plane = self.ramp()
        plane[:60, :80] = np.nan
        with pytest.raises(PairError, match=r"around the window point \(10, 8\)") as failed:
            window_disparity(plane, (10.0, 8.0))
        assert "textured part" in failed.value.remedy

    @pytest.mark.parametrize("point", [(-1.0, 5.0), (200.0, 5.0), (5.0, 100.0), (5.0, -0.6)])
    def test_a_point_outside(self, point):
        with pytest.raises(PairError, match="lies outside the left view"):
            window_disparity(self.ramp(), point)

    @pytest.mark.parametrize("point", [(-0.4, 0.0), (199.4, 99.4)])
    def test_pixels_reach_half_a_pixel_beyond_their_centres(self, point):
        assert np.isfinite(window_disparity(self.ramp(), point))


transforms = st.builds(
    Similarity.about,
    st.just((299.5, 199.5)),
    st.floats(0.93, 1.07),
    st.floats(-4, 4),
    st.tuples(st.floats(-40, 40), st.floats(-40, 40)),
)
rectangles = st.tuples(st.floats(0, 40), st.floats(0, 30), st.floats(550, 599), st.floats(360, 399))


@settings(deadline=None, max_examples=200)
@given(transforms, st.floats(-80, 80), rectangles, rectangles)
def test_the_crop_never_shows_what_a_view_does_not_have(rows, window_px, left_usable, right_usable):
    found = plan((400, 600), rows, window_px, None, (left_usable, right_usable))
    x, y, width, height = found.crop_px
    corners = np.array(
        [[x, y], [x + width - 1, y], [x + width - 1, y + height - 1], [x, y + height - 1]], float
    )
    for points, (x0, y0, x1, y1) in (
        (corners, left_usable),
        (found.right_transform.inverse().apply(corners), right_usable),
    ):
        assert np.all(points >= np.array([x0, y0]) - 1e-6)
        assert np.all(points <= np.array([x1, y1]) + 1e-6)


@settings(deadline=None, max_examples=100)
@given(transforms, st.floats(-80, 80), st.floats(200, 400), st.floats(120, 280))
def test_the_crop_keeps_the_aspect_and_the_window_point(rows, window_px, point_x, point_y):
    free, held = plan((400, 600), rows, window_px), plan((400, 600), rows, window_px, (point_x, point_y))
    for found in (free, held):
        _, _, width, height = found.crop_px
        assert width / height == pytest.approx(1.5, abs=0.01)
    assert free.crop_px[2:] == held.crop_px[2:]
    # so far inside, both views have the point
    x, y, width, height = held.crop_px
    assert x - 0.5 <= point_x <= x + width - 0.5
    assert y - 0.5 <= point_y <= y + height - 0.5


@settings(deadline=None, max_examples=60)
@given(
    transforms,
    st.floats(-60, 60),
    st.floats(0.4, 2.5),
    st.tuples(st.floats(0, 0.12), st.floats(0, 0.12)),
    st.floats(-2, 2),
)
def test_the_crop_has_the_chosen_aspect_inside_both_views(rows, window_px, aspect, trim, base_deg):
    """Also with keystone, with the left view turned, and with sides left out."""
    size, whole_view = (400, 600), whole((400, 600))
    bent = turned_camera(1500.0, (299.5, 199.5), (0.8, -0.6, 0.0)).then(rows)
    left = Similarity.about((299.5, 199.5), 1.0, base_deg)
    found = plan_mount(size, bent, window_px, None, (whole_view, whole_view), left, aspect=aspect, trim=trim)
    x, y, width, height = found.crop_px
    assert width / height == pytest.approx(aspect, rel=0.02)
    corners = np.array(
        [[x, y], [x + width - 1, y], [x + width - 1, y + height - 1], [x, y + height - 1]], float
    )
    for transform in (found.left_transform, found.right_transform):
        points = transform.inverse().apply(corners)
        assert np.all(points >= -1e-6)
        assert np.all(points <= np.array([599, 399]) + 1e-6)
    assert width <= 600 * (1 - sum(trim)) + 1


def test_a_crop_too_narrow_is_refused():
    with pytest.raises(PairError, match=r"0\.01 times as wide as high would be less than 32 px") as failed:
        plan_mount((400, 600), LEVEL, 0.0, None, (whole((400, 600)), whole((400, 600))), aspect=0.01)
    assert "aspect ratio" in failed.value.remedy


def test_a_pair_from_a_sloping_base_is_turned_together():
    """Both cameras rolled by 1.5 degrees, the second toed in too: level after mounting, depth as measured."""
    pair = motorcycle()
    size = pair.left.shape[:2]
    centre = ((size[1] - 1) / 2, (size[0] - 1) / 2)
    alike = Projective.like(Similarity.about(centre, 1.0, 1.5))
    toed_in = turned_camera(1.4 * size[1], centre, (0.7, 0.4, -0.8))
    toed_in = toed_in.then(Similarity(shift_x_px=-toed_in.shift_at(centre)[0]))
    left, right = (
        cv2.warpPerspective(view, transform.matrix(), size[::-1], flags=cv2.INTER_LANCZOS4)
        for view, transform in ((pair.left, alike), (pair.right, alike.then(toed_in)))
    )
    rows = rectify(spread_out(match(luma(left), luma(right)), size), size)
    assert rows.base_deg == pytest.approx(1.5, abs=0.3)
    turn, onto = rows.level(size)
    one, other = mounted(left, right, plan_mount(size, onto, 30.0, None, (whole(size), whole(size)), turn))
    again = match(luma(one), luma(other))
    apart = again.first - again.second
    assert 1.4826 * np.median(np.abs(apart[:, 1])) < 0.3
    assert abs(np.median(apart[:, 1])) < 0.1
    # where the points were in the picture as it was measured
    x, y, _, _ = plan_mount(size, onto, 30.0, None, (whole(size), whole(size)), turn).crop_px
    there = turn.then(Similarity(shift_x_px=-x, shift_y_px=-y)).inverse()
    at = alike.inverse().apply(there.apply(again.first))
    column, row = np.rint(at).astype(int).T
    inside = (column >= 0) & (column < size[1]) & (row >= 0) & (row < size[0])
    error = apart[inside, 0] - pair.disparity_left_px[row[inside], column[inside]]
    assert np.median(np.abs(error - np.median(error))) < 0.5


def test_a_level_pair_is_cropped_by_the_window_alone():
    """Window 30 px: the right view moves 30 px to the right, so 30 columns on the left are not in both."""
    found = plan((400, 600), Similarity(), 30.0)
    x, y, width, height = found.crop_px
    assert (x, width) == (30, 570)
    assert (y, height) == (10, 380)
    assert found.right_transform == Projective.like(Similarity(shift_x_px=30.0))
    assert found.window_disparity_px == 30.0


@pytest.mark.parametrize("window_px", [575.0, -575.0, 2000.0])
def test_views_with_nothing_in_common_are_refused(window_px):
    with pytest.raises(PairError, match="almost nothing in common") as failed:
        plan((400, 600), Similarity(), window_px)
    assert "smaller stereo base" in failed.value.remedy


def textured(size_px, dtype, seed=0):
    """Invented: smooth random colours over most of the range."""
    noise = np.random.default_rng(seed).standard_normal((*size_px, 3)).astype(np.float32)
    smooth = cv2.GaussianBlur(noise, (0, 0), 2)
    top = np.iinfo(dtype).max
    return np.clip(top * (0.5 + 0.15 * smooth / smooth.std()), 0, top).astype(dtype)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_depth_of_pixels_is_kept_and_nothing_is_changed(dtype):
    left, right = textured((90, 120), dtype), textured((90, 120), dtype, 1)
    before = left.copy(), right.copy()
    found = plan((90, 120), Similarity.about((59.5, 44.5), 1.01, 0.7, (0.0, 3.0)), 6.3)
    one, other = mounted(left, right, found)
    assert one.dtype == other.dtype == dtype
    assert one.shape == other.shape == (found.crop_px[3], found.crop_px[2], 3)
    x, y, width, height = found.crop_px
    np.testing.assert_array_equal(one, left[y : y + height, x : x + width])
    one[:] = 0
    np.testing.assert_array_equal(left, before[0])
    np.testing.assert_array_equal(right, before[1])


def test_sixteen_bits_are_not_cut_to_eight():
    left = right = textured((90, 120), np.uint16)
    _, other = mounted(left, right, plan((90, 120), Similarity(), 0.25))
    assert len(np.unique(other % 256)) == 256
    # between two samples, not a step of 257
    whole_shift = mounted(left, right, plan((90, 120), Similarity(), 3.0))[1]
    np.testing.assert_array_equal(whole_shift[5:-5, 5:-5], right[1:-1, :-3][5:-5, 5:-5])


def test_white_and_black_do_not_wrap_around():
    """The resampling overshoots at edges; it has to stop at the ends of the range."""
    for dtype in (np.uint8, np.uint16):
        top = np.iinfo(dtype).max
        edge = np.zeros((64, 96, 3), dtype)
        edge[:, 48:] = top
        other = mounted(edge, edge, plan((64, 96), Similarity(), 0.5))[1]
        assert other[:, :40].max() == 0
        assert other[:, 56:].min() == top


@pytest.mark.parametrize("point", [(150.0, 200.0), (430.0, 260.0), (560.0, 120.0)])
def test_at_the_window_point_the_parallax_is_zero(point):
    """Motorcycle, second view turned, scaled and raised: matched anew after mounting."""
    pair = motorcycle()
    size = pair.left.shape[:2]
    window_px = window_disparity(pair.disparity_left_px, point)
    there = Similarity.about(((size[1] - 1) / 2, (size[0] - 1) / 2), 1.02, 1.1, (0.0, 9.0))
    right = cv2.warpAffine(pair.right, there.matrix(), size[::-1], flags=cv2.INTER_LANCZOS4)
    found = plan(size, there.inverse(), window_px, point)
    one, other = mounted(pair.left, right, found)
    x, y, _, _ = found.crop_px
    parallax = -match_rows(luma(one), luma(other), -70, 70).px
    column, row = round(point[0]) - x, round(point[1]) - y
    around = parallax[row - 4 : row + 5, column - 4 : column + 5]
    assert np.nanmedian(around) == pytest.approx(0, abs=0.5)
    # and everywhere it is what the map says
    said = mounted_parallax(pair.disparity_left_px, 1, found)
    error = np.abs(parallax - said)[np.isfinite(parallax)]
    assert np.median(error) < 0.3
    assert np.mean(error < 1) > 0.9


def crop(crop_px, window_px=12.0):
    return Mount(Similarity(), window_px, None, crop_px)


@pytest.mark.parametrize("factor", [1, 2, 3, 5])
def test_parallax_of_an_analytic_ramp(factor):
    """Disparity 0.05·x + 0.02·y in px of the full view, x and y at pixel centres, told by a reduced map."""
    height, width = 30 * factor, 40 * factor
    rows, columns = np.mgrid[0 : height // factor, 0 : width // factor].astype(np.float64)
    full_x, full_y = ((at + 0.5) * factor - 0.5 for at in (columns, rows))
    disparity = ((0.05 * full_x + 0.02 * full_y) / factor).astype(np.float32)
    x, y, w, h = 2 * factor + 1, factor, 30 * factor, 25 * factor
    found = mounted_parallax(disparity, factor, crop((x, y, w, h)))
    assert found.shape == (h, w)
    assert found.dtype == np.float32
    y_at, x_at = np.mgrid[y : y + h, x : x + w]
    # the resampling counts in 1/32 px of the map
    np.testing.assert_allclose(found, 12 - (0.05 * x_at + 0.02 * y_at), atol=0.07 * factor / 32 + 1e-5)


@pytest.mark.parametrize("factor", [1, 3])
def test_parallax_has_no_depth_in_between_at_an_edge(factor):
    disparity = np.full((40, 60), 2, np.float32)
    disparity[:, 30:] = 20
    disparity[10:14, 10:14] = np.nan
    found = mounted_parallax(disparity, factor, crop((0, 0, 60 * factor, 40 * factor)))
    near, far = 12 - 20 * factor, 12 - 2 * factor
    np.testing.assert_array_equal(np.unique(found[np.isfinite(found)]), [near, far])
    assert np.argmax(found[0] == near) == 30 * factor
    # holes stay holes of their size
    assert np.isnan(found).sum() == (4 * factor) ** 2


def test_the_map_stays_as_it_is():
    disparity = np.random.default_rng(0).uniform(0, 9, (40, 60)).astype(np.float32)
    before = disparity.copy()
    for factor in (1, 3):
        mounted_parallax(disparity, factor, crop((4, 4, 50, 30)))[:] = 0
    np.testing.assert_array_equal(disparity, before)


class TestCovered:
    """The part of the reference frame that all frames of a stack cover."""

    def test_of_frames_that_are_only_shifted(self):
        placed = np.stack(
            [Similarity(shift_x_px=dx, shift_y_px=dy).matrix() for dx, dy in ((0, 0), (3, -2), (-4, 5))]
        )
        assert covered(placed, (100, 200)) == (3.0, 5.0, 199.0 - 4, 99.0 - 2)

    def test_of_one_frame_it_is_the_frame(self):
        assert covered(np.stack([Similarity().matrix()]), (100, 200)) == (0.0, 0.0, 199.0, 99.0)

    def test_frames_that_see_more_do_not_make_it_larger(self):
        wide = Similarity.about((99.5, 49.5), 1.1, 0.0)
        assert covered(np.stack([Similarity().matrix(), wide.matrix()]), (100, 200)) == (
            0.0,
            0.0,
            199.0,
            99.0,
        )

    @settings(deadline=None)
    @given(
        st.lists(
            st.builds(
                Similarity.about,
                st.just((99.5, 49.5)),
                st.floats(0.9, 1.1),
                st.floats(-3, 3),
                st.tuples(st.floats(-8, 8), st.floats(-8, 8)),
            ),
            min_size=1,
            max_size=6,
        )
    )
    def test_every_frame_covers_its_corners(self, frames):
        x0, y0, x1, y1 = covered(np.stack([f.matrix() for f in frames]), (100, 200))
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
        for frame in frames:
            inside = frame.inverse().apply(corners)
            assert np.all(inside >= -1e-6)
            assert np.all(inside <= np.array([199, 99]) + 1e-6)


def test_a_crop_set_by_hand_is_taken_as_far_as_both_views_have_it():
    usable = ((0.0, 0.0, 299.0, 199.0),) * 2
    crops = ((50, 20, 101, 77), (260, 150, 100, 100))
    found = [
        plan_mount((200, 300), Similarity(), 10.0, None, usable, within=crop, aspect=1.0).crop_px
        for crop in crops
    ]
    assert found == [(50, 20, 101, 77), (260, 150, 40, 50)]
    with pytest.raises(PairError, match="by hand"):
        plan_mount((200, 300), Similarity(), 10.0, None, usable, within=(280, 0, 60, 60))
