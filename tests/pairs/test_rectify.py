"""Rectification takes out roll, scale and height, and never eats depth.

Truth: measured disparity of real pairs (tests/support/pairs.py names the sources); what is done to the second
view is invented and known.
"""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.geometry.projective import Projective, turned_camera
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.evidence import laid_on_rows
from nearpair.pairs.matches import Matches, match, spread_out
from nearpair.pairs.rectify import NotRectified, Rectified, rectify
from nearpair.pixels.luma import luma
from support.pairs import REAL, aloe, cones, motorcycle, read

DISTURBED = st.tuples(st.floats(-2, 2), st.floats(0.97, 1.03), st.floats(-20, 20), st.floats(-30, 30))


def about_centre(size_px, roll_deg, scale, dy_px, dx_px=0.0):
    height, width = size_px
    return Similarity.about(((width - 1) / 2, (height - 1) / 2), scale, roll_deg, (dx_px, dy_px))


def measured_points(rng, count, noise_px):
    """Points of the motorcycle, where they are in the other eye's picture, and their disparity."""
    pair = motorcycle()
    rows, columns = np.nonzero(pair.known_left)
    chosen = rng.choice(len(rows), count, replace=False)
    first = np.column_stack([columns[chosen], rows[chosen]]).astype(np.float64)
    disparity_px = pair.disparity_left_px[rows[chosen], columns[chosen]].astype(np.float64)
    second = first - np.column_stack([disparity_px, np.zeros(count)])
    return first, second + rng.normal(0, noise_px, second.shape), disparity_px


def around_centre(rows, size_px):
    """Turn and scale in the middle of the picture."""
    height, width = size_px
    return rows.second_to_first.nearest_similarity(((width - 1) / 2, (height - 1) / 2))


def check_depth_is_kept(rows, first, second, disparity_px, within_px):
    """What is left of the vertical differences, and disparity up to one constant."""
    moved = rows.second_to_first.apply(second)
    assert np.sqrt(np.mean((moved - first)[:, 1] ** 2)) < 0.3
    error = (first - moved)[:, 0] - disparity_px
    assert np.max(np.abs(error - np.median(error))) < within_px


@settings(deadline=None, max_examples=60)
@given(DISTURBED, st.integers(0, 10_000), st.sampled_from([60, 150, 250, 900]), st.floats(0, 0.3))
def test_depth_survives_whatever_was_wrong_with_the_second_camera(disturbed, seed, count, wrong_share):
    """±2 degrees, 0.97 to 1.03, ±20 px; up to 30 % of the matches are wrong."""
    rng = np.random.default_rng(seed)
    size = motorcycle().left.shape[:2]
    first, second, disparity_px = measured_points(rng, count, 0.1)
    moved = about_centre(size, *disturbed).apply(second)
    wrong = rng.random(count) < wrong_share
    given_points = np.where(wrong[:, None], moved + rng.uniform(-40, 40, moved.shape), moved)
    rows = rectify(Matches(first, given_points), size)
    assert rows
    check_depth_is_kept(rows, first[~wrong], moved[~wrong], disparity_px[~wrong], 0.5 + 4 * 0.1)
    exact = about_centre(size, *disturbed).inverse()
    assert around_centre(rows, size).scale == pytest.approx(exact.scale, abs=1e-3)
    assert around_centre(rows, size).roll_deg == pytest.approx(exact.roll_deg, abs=0.06)


@pytest.mark.parametrize(
    ("pair", "roll_deg", "scale", "dy_px"),
    [(cones, 2, 1.03, 20), (cones, -2, 0.97, -20), (motorcycle, -1.6, 1.01, 20), (aloe, 1.3, 0.98, -8)],
)
def test_depth_survives_in_pictures(pair, roll_deg, scale, dy_px):
    """The second picture really turned, scaled and raised; matched and laid back on the rows."""
    pair = pair()
    # the upper left part is enough
    first, second = luma(pair.left)[:320, :420], luma(pair.right)[:320, :420]
    size = first.shape
    there = about_centre(size, roll_deg, scale, dy_px)
    disturbed = cv2.warpAffine(
        second, there.matrix(), size[::-1], flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101
    )
    rows = rectify(spread_out(match(first, disturbed), size), size)
    assert rows.residual_rms_px < 0.3
    both = there.then(around_centre(rows, size))
    assert both.scale == pytest.approx(1, abs=1e-3)
    assert both.roll_deg == pytest.approx(0, abs=0.06)
    # matched anew, the pictures have the measured disparity up to a constant
    again = match(first, laid_on_rows(disturbed, rows))
    column, row = np.rint(again.first).astype(int).T
    inside = pair.known_left[row, column]
    # the median, for a few matches are wrong
    assert 1.4826 * np.median(np.abs((again.first - again.second)[inside, 1])) < 0.3
    error = ((again.first - again.second)[:, 0] - pair.disparity_left_px[row, column])[inside]
    assert np.median(np.abs(error - np.median(error))) < 0.5


def pixels_moved(picture, transform):
    """A luma moved by OpenCV, independent of the product's own way."""
    return cv2.warpPerspective(
        picture,
        transform.matrix(),
        picture.shape[::-1],
        flags=cv2.INTER_LANCZOS4,
        borderMode=cv2.BORDER_REFLECT_101,
    )


def misset(size_px, focal_widths, angles_deg, scale, dy_px):
    """A second camera that was turned (yaw, pitch, roll), zoomed and raised."""
    height, width = size_px
    centre = ((width - 1) / 2, (height - 1) / 2)
    turned = turned_camera(focal_widths * width, centre, angles_deg)
    return turned.then(about_centre(size_px, 0.0, scale, dy_px))


MISSET = st.tuples(
    st.floats(1.3, 6),
    st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-2, 2)),
    st.floats(0.98, 1.02),
    st.floats(-30, 30),
)


@settings(deadline=None, max_examples=80)
@given(
    MISSET,
    st.sampled_from([0.0, 0.0, -1.0, 0.6]),
    st.integers(0, 10_000),
    st.sampled_from([150, 250, 900]),
    st.floats(0, 0.3),
    st.booleans(),
)
def test_depth_survives_a_camera_toed_in_and_a_sloping_base(
    given_wrong, slope_deg, seed, count, wrong, known
):
    """Yaw and pitch ±1, roll ±2 degrees, 0.98 to 1.02, ±30 px; both cameras rolled alike; wrong matches."""
    rng = np.random.default_rng(seed)
    size = motorcycle().left.shape[:2]
    first, second, disparity_px = measured_points(rng, count, 0.1)
    alike = about_centre(size, slope_deg, 1.0, 0.0)
    there = Projective.like(alike).then(misset(size, *given_wrong))
    true_first, true_second = alike.apply(first), there.apply(second)
    bad = rng.random(count) < wrong
    shown = np.where(bad[:, None], true_second + rng.uniform(-40, 40, (count, 2)), true_second)
    focal_px = given_wrong[0] * size[1] if known else None
    rows = rectify(Matches(true_first, shown), size, focal_px)
    assert rows
    turn, onto = rows.level(size)
    apart = turn.apply(true_first) - onto.apply(true_second)
    assert np.sqrt(np.mean(apart[~bad, 1] ** 2)) < 0.3
    # beyond the noise of the points themselves
    error = (apart[:, 0] - disparity_px)[~bad]
    error -= np.median(error)
    assert np.sqrt(np.mean(error**2)) < 0.3
    assert np.percentile(np.abs(error), 99) < 0.5 + 3 * 0.1


@pytest.mark.parametrize(
    ("pair", "focal_widths", "angles_deg", "scale", "dy_px"),
    [
        (motorcycle, 1.35, (1.0, -0.7, 1.2), 1.02, 12),
        (motorcycle, 1.35, (-0.8, 1.0, -2.0), 0.98, -30),
        (cones, 2.0, (-1.0, -1.0, 2.0), 1.01, 30),
        (aloe, 3.0, (0.9, 0.9, -1.5), 0.98, -20),
    ],
)
def test_depth_survives_a_camera_toed_in_in_pictures(pair, focal_widths, angles_deg, scale, dy_px):
    pair = pair()
    first, second = luma(pair.left), luma(pair.right)
    size = first.shape
    there = misset(size, focal_widths, angles_deg, scale, dy_px)
    # content that a yaw carries out of the picture would not be a small misalignment: shift it back
    there = there.then(Similarity(shift_x_px=-there.shift_at((size[1] / 2, size[0] / 2))[0]))
    disturbed = pixels_moved(second, there)
    rows = rectify(spread_out(match(first, disturbed), size), size)
    assert rows.residual_rms_px < 0.3
    assert not rows.second_to_first.affine
    again = match(first, laid_on_rows(disturbed, rows))
    column, row = np.rint(again.first).astype(int).T
    inside = pair.known_left[row, column]
    assert 1.4826 * np.median(np.abs((again.first - again.second)[inside, 1])) < 0.3
    error = ((again.first - again.second)[:, 0] - pair.disparity_left_px[row, column])[inside]
    error -= np.median(error)
    assert np.median(np.abs(error)) < 0.5
    # smooth over the picture: what keystone there was is gone, left and right, above and below
    for part in (column[inside] < size[1] / 3, column[inside] > size[1] * 2 / 3):
        assert abs(np.median(error[part])) < 0.5
    for part in (row[inside] < size[0] / 3, row[inside] > size[0] * 2 / 3):
        assert abs(np.median(error[part])) < 0.5


@pytest.mark.parametrize("pair", [motorcycle, cones, aloe])
def test_the_misset_pair_becomes_as_level_as_the_good_one(pair):
    """Rolled by 1.5 degrees, 2 % larger, 30 px too high."""
    pair = pair()
    first, second = luma(pair.left), luma(pair.right)
    size = first.shape
    there = misset(size, 3.0, (0.0, 0.0, 1.5), 1.02, 30)
    good, bad = (
        rectify(spread_out(match(first, other), size), size)
        for other in (second, pixels_moved(second, there))
    )
    assert bad.residual_rms_px < good.residual_rms_px + 0.05
    assert bad.residual_rms_px < 0.3


def test_keystone_is_undone_sideways_too():
    """Yaw shifts x by x² where it shifts y by x·y; neither leaks into roll and scale."""
    rng = np.random.default_rng(5)
    size = motorcycle().left.shape[:2]
    first, second, disparity_px = measured_points(rng, 800, 0.05)
    there = misset(size, 1.35, (1.0, 0.0, 0.0), 1.0, 0.0)
    bent = (there.apply(first) - first)[:, 0]
    assert np.ptp(bent) > 2
    rows = rectify(Matches(first, there.apply(second)), size)
    assert around_centre(rows, size).roll_deg == pytest.approx(0, abs=0.02)
    assert around_centre(rows, size).scale == pytest.approx(1, abs=5e-4)
    check_depth_is_kept(rows, first, there.apply(second), disparity_px, 0.5)


def test_what_the_points_do_not_speak_for_stays_out():
    """Noise alone never gives keystone or a sloping base."""
    size = motorcycle().left.shape[:2]
    for seed in range(20):
        first, second, _ = measured_points(np.random.default_rng(seed), 300, 0.3)
        rows = rectify(Matches(first, second), size)
        assert rows.second_to_first.affine
        assert rows.base_deg == 0.0


@pytest.mark.parametrize("count", [0, 1, 23])
def test_too_few_points_are_refused(count):
    points = np.random.default_rng(0).uniform(0, 100, (count, 2))
    found = rectify(Matches(points, points), (100, 150))
    assert isinstance(found, NotRectified)
    assert not found
    assert found.reason == f"only {count} points were found that both views share; 24 are needed"


@settings(deadline=None, max_examples=40)
@given(st.integers(60, 2000), st.floats(10, 100), st.integers(0, 10_000))
def test_points_that_contradict_each_other_are_refused(count, spread_px, seed):
    rng = np.random.default_rng(seed)
    first = rng.uniform(0, (640, 480), (count, 2))
    found = rectify(Matches(first, first + rng.uniform(-spread_px, spread_px, first.shape)), (480, 640))
    assert not found
    assert found.reason == "the points that the views share do not lie on one turn, scale and height"


def test_a_found_fit_says_which_points_it_rests_on():
    rng = np.random.default_rng(2)
    size = motorcycle().left.shape[:2]
    first, second, _ = measured_points(rng, 300, 0.1)
    second[:50] += rng.uniform(20, 60, (50, 2))
    rows = rectify(Matches(first, second), size)
    assert isinstance(rows, Rectified)
    assert not rows.inliers[:50].any()
    assert rows.inliers[50:].mean() > 0.95
    assert rows.residual_rms_px < 0.2
    assert rows.residual_rms_px < rows.residual_p95_px < 3 * rows.residual_rms_px


def test_the_other_way_round_is_the_inverse():
    size = cones().left.shape[:2]
    first, second, _ = measured_points(np.random.default_rng(8), 400, 0.0)
    first, second = first[:, :2], about_centre(size, 0.0, 1.02, 7.0).apply(second)
    there = around_centre(rectify(Matches(first, second), size), size)
    back = around_centre(rectify(Matches(second, first), size), size)
    assert there.scale * back.scale == pytest.approx(1, abs=1e-6)


def test_a_real_pair_from_a_camera_with_two_lenses_becomes_level():
    """A rock garden (tests/data/real/rockery/SOURCE.txt), y off by 0 to 5 px before. Measured with ORB."""
    left, right = (read(REAL / "rockery" / f"{eye}.jpg") for eye in ("left", "right"))
    first, second = luma(left), luma(right)
    rows = rectify(spread_out(match(first, second), first.shape), first.shape)
    assert rows.residual_rms_px < 0.5
    before = orb_vertical_px(first, second)
    after = orb_vertical_px(first, laid_on_rows(second, rows))
    assert np.sqrt(np.mean(before**2)) > 1.5
    assert np.median(np.abs(after)) < 0.5
    assert abs(np.median(after)) < 0.25


def orb_vertical_px(first, second):
    """y_first − y_second by another detector (Rublee et al., ICCV 2011) than the product's."""
    detector = cv2.ORB.create(4000)
    (points_a, a), (points_b, b) = (
        detector.detectAndCompute(np.uint8(255 * np.clip(plane, 0, 1)), None) for plane in (first, second)
    )
    found = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(a, b)
    near = sorted(found, key=lambda m: m.distance)[:500]
    dy_px = np.array([points_a[m.queryIdx].pt[1] - points_b[m.trainIdx].pt[1] for m in near])
    return dy_px[np.abs(dy_px - np.median(dy_px)) < 6]
