"""Similarity transforms: hand-computed values and the laws of a group."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.geometry.transforms import Similarity

coordinates = st.floats(-5000, 5000)
points = st.tuples(coordinates, coordinates)
rolls = st.floats(-179, 179)
similarities = st.builds(Similarity.about, points, st.floats(0.2, 5), rolls, points)


def mapped(transform, x, y):
    return tuple(float(value) for value in transform.apply(np.array([x, y], dtype=np.float64)))


def close(one, other, tolerance=1e-6):
    """Equal where it matters: at points of a large picture."""
    corners = np.array([[0.0, 0], [6000, 0], [0, 4000], [6000, 4000], [-0.5, -0.5]])
    np.testing.assert_allclose(one.apply(corners), other.apply(corners), atol=tolerance, rtol=1e-9)


def test_no_arguments_is_the_identity():
    assert mapped(Similarity(), 12.5, -3) == (12.5, -3)
    assert (Similarity().scale, Similarity().roll_deg) == (1, 0)


# By hand, axes x to the right and y down: a quarter turn clockwise on the screen takes right to down,
# down to left
@pytest.mark.parametrize(("point", "expected"), [((1, 0), (0, 1)), ((0, 1), (-1, 0)), ((3, 2), (-2, 3))])
def test_positive_roll_is_clockwise_on_the_screen(point, expected):
    assert mapped(Similarity.about((0, 0), roll_deg=90), *point) == pytest.approx(expected, abs=1e-12)


# By hand: about (10, 20), twice as large, a quarter turn, then 3 right and 4 up. (11, 20) is 1 to the
# right of the
# centre: 2 below it after scale and turn, (10, 22), and (13, 18) after the shift
@pytest.mark.parametrize(
    ("point", "expected"),
    [((10, 20), (13, 16)), ((11, 20), (13, 18)), ((10, 21), (11, 16)), ((0, 0), (53, -4))],
)
def test_about(point, expected):
    transform = Similarity.about((10, 20), 2, 90, (3, -4))
    assert mapped(transform, *point) == pytest.approx(expected, abs=1e-12)
    assert transform.scale == pytest.approx(2)
    assert transform.roll_deg == pytest.approx(90)


def test_matrix_by_hand():
    np.testing.assert_array_equal(Similarity(2, 3, 5, 7).matrix(), [[2, -3, 5], [3, 2, 7]])
    # (1, 10) -> 2·1 - 3·10 + 5, 3·1 + 2·10 + 7
    assert mapped(Similarity(2, 3, 5, 7), 1, 10) == (-23, 30)


@given(points, st.floats(0.2, 5), rolls)
@settings(deadline=None)
def test_the_centre_stays_where_it_is(centre, scale, roll_deg):
    transform = Similarity.about(centre, scale, roll_deg)
    assert mapped(transform, *centre) == pytest.approx(centre, abs=1e-8)
    assert transform.scale == pytest.approx(scale)
    assert transform.roll_deg == pytest.approx(roll_deg, abs=1e-9)


@given(points, st.floats(0.2, 5), rolls, points)
@settings(deadline=None)
def test_shift_at_the_centre_is_the_shift(centre, scale, roll_deg, shift):
    transform = Similarity.about(centre, scale, roll_deg, shift)
    assert transform.shift_at(centre) == pytest.approx(shift, abs=1e-8)


def test_shift_at_another_point_by_hand():
    # 1 % larger about (1000, 500): a point 300 to the right moves 3 further, one 200 above 2 further up
    assert Similarity.about((1000, 500), 1.01).shift_at((1300, 300)) == pytest.approx((3, -2))


# known pair: half a degree of roll, 1500 px from the centre, is 13.09 px of height (1500·sin 0.5°),
# worked by hand
def test_roll_of_half_a_degree_at_the_edge():
    dx, dy = Similarity.about((0, 0), roll_deg=0.5).shift_at((1500, 0))
    assert dy == pytest.approx(13.09, abs=6e-3)
    assert dx == pytest.approx(1500 * (math.cos(math.radians(0.5)) - 1))


@given(similarities)
@settings(deadline=None)
def test_the_inverse_undoes_on_both_sides(transform):
    close(transform.then(transform.inverse()), Similarity())
    close(transform.inverse().then(transform), Similarity())
    close(transform.inverse().inverse(), transform)


@given(similarities, similarities, points)
@settings(deadline=None)
def test_then_applies_the_left_one_first(first, second, point):
    chained = mapped(first.then(second), *point)
    assert chained == pytest.approx(mapped(second, *mapped(first, *point)), abs=1e-6)


def test_order_matters_by_hand():
    # double, then 10 to the right: 1 -> 2 -> 12; the other way round: 1 -> 11 -> 22
    double, right = Similarity(2), Similarity(shift_x_px=10)
    assert mapped(double.then(right), 1, 0) == (12, 0)
    assert mapped(right.then(double), 1, 0) == (22, 0)


@given(similarities, similarities, similarities)
@settings(deadline=None)
def test_composition_is_associative_and_multiplies_scales(one, two, three):
    close(one.then(two).then(three), one.then(two.then(three)), tolerance=1e-5)
    assert one.then(two).scale == pytest.approx(one.scale * two.scale)


@given(similarities)
@settings(deadline=None)
def test_round_trip_by_scale_roll_and_shift(transform):
    again = Similarity.about(
        (0, 0), transform.scale, transform.roll_deg, (transform.shift_x_px, transform.shift_y_px)
    )
    close(again, transform)


@given(similarities)
@settings(deadline=None)
def test_matrix_and_apply_agree(transform):
    corners = np.array([[[0.0, 0], [10, 0]], [[0, 7], [10, 7]]])
    before = corners.copy()
    homogeneous = np.concatenate([corners, np.ones((2, 2, 1))], axis=-1)
    np.testing.assert_allclose(transform.apply(corners), homogeneous @ transform.matrix().T, atol=1e-8)
    np.testing.assert_array_equal(corners, before)


# By hand: pixel centres sit on integers, so the first small pixel (0) covers full pixels 0 and 1, centre 0.5.
# 3 px to the right on the small picture are 6 on the full one
def test_resampled_by_hand():
    full = Similarity(shift_x_px=3, shift_y_px=-1).resampled(2)
    assert (full.shift_x_px, full.shift_y_px) == (6, -2)
    # doubling about small pixel 0 is doubling about the full picture's 0.5: 0.5 stays, 1.5 goes to 2.5
    doubled = Similarity(2).resampled(2)
    assert mapped(doubled, 0.5, 0.5) == (0.5, 0.5)
    assert mapped(doubled, 1.5, 0.5) == (2.5, 0.5)


@given(similarities, st.floats(0.1, 10), points)
@settings(deadline=None)
def test_resampled_maps_the_same_places(small, factor, point):
    """To full size and then through the large transform = through the small one and then to full size."""

    def to_full(x, y):
        return (x + 0.5) * factor - 0.5, (y + 0.5) * factor - 0.5

    expected = to_full(*mapped(small, *point))
    assert mapped(small.resampled(factor), *to_full(*point)) == pytest.approx(expected, abs=1e-5, rel=1e-9)


@given(similarities, st.floats(0.1, 10))
@settings(deadline=None)
def test_resampling_keeps_scale_and_roll_and_can_be_undone(transform, factor):
    resampled = transform.resampled(factor)
    assert (resampled.a, resampled.b) == pytest.approx((transform.a, transform.b))
    close(resampled.resampled(1 / factor), transform, tolerance=1e-5)


@given(similarities, similarities, st.floats(0.1, 10))
@settings(deadline=None)
def test_resampling_a_chain_is_chaining_the_resampled(first, second, factor):
    close(
        first.then(second).resampled(factor),
        first.resampled(factor).then(second.resampled(factor)),
        tolerance=1e-4,
    )
