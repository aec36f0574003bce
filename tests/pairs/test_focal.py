"""What focus says about disparity: the course through points, and where a map of focus is trusted.

Geometry of the first test: x_left − x_right = base · f / Z for parallel axes (shared check values, section
1); on a rail Z grows by the same step from frame to frame. The rest is invented.
"""

import numpy as np
import pytest

from nearpair.pairs.focal import Course, course_of, expected, sampled

RNG = np.random.default_rng(11)
COUNT = 22


def on_a_rail(focus):
    """Base 9.5 mm, f 6100 px, planes of focus 290 to 316 mm away."""
    return 9.5 * 6100 / (290 + 26 * np.asarray(focus) / (COUNT - 1))


def test_a_parabola_follows_a_rail_to_a_twentieth_of_a_pixel():
    focus = RNG.uniform(0, COUNT - 1, 800)
    course = course_of(focus, on_a_rail(focus), COUNT)
    frames = np.arange(COUNT)
    assert np.abs(course.at(frames) - on_a_rail(frames)).max() < 0.05
    assert on_a_rail(0) - on_a_rail(COUNT - 1) > 15


def test_a_third_of_wrong_points_do_not_matter():
    focus = RNG.uniform(0, COUNT - 1, 900)
    true = on_a_rail(focus)
    told = np.where(RNG.random(900) < 1 / 3, RNG.uniform(true.min(), true.max(), 900), true)
    course = course_of(focus + RNG.normal(0, 0.2, 900), told, COUNT)
    inside = np.arange(2, COUNT - 2)
    assert np.abs(course.at(inside) - on_a_rail(inside)).max() < 0.5


@pytest.mark.parametrize(
    ("focus", "disparity_px", "count"),
    [
        (RNG.uniform(0, 21, 60), RNG.uniform(0, 9, 60), COUNT),  # few points
        (np.zeros(500), np.zeros(500), 1),  # a single photograph
        (np.full(500, np.nan), np.zeros(500), COUNT),  # nothing known
        (RNG.uniform(0, 21, 500), RNG.uniform(0, 40, 500), COUNT),  # nothing in common
        (np.linspace(0, 21, 500), np.linspace(4, 5, 500), COUNT),  # hardly any range
        (np.linspace(0, 21, 500), (np.linspace(0, 21, 500) - 10.5) ** 2 / 5, COUNT),  # there and back
    ],
)
def test_no_course_where_points_do_not_tell_one(focus, disparity_px, count):
    assert course_of(focus, disparity_px, count) is None


def test_focus_is_read_at_the_nearest_px():
    plane = np.arange(12, dtype=np.float32).reshape(3, 4)
    found = sampled(plane, np.array([[1.4, 0.6], [3.0, 2.0], [-1.0, 0.0], [0.0, 3.0]]))
    np.testing.assert_array_equal(found, [5, 11, np.nan, np.nan])


def test_focus_is_silent_beside_jumps_and_beyond_the_stack():
    focus = np.full((60, 120), 4.0, np.float32)
    focus[:, 60:] = 16
    focus[10:14, 10:14] = np.nan
    focus[40:44, 10:14] = -1
    told = expected(focus, Course((20.0, 10.0, 0.0), COUNT))
    assert np.isnan(told[:, 52:68]).all()
    assert np.isnan(told[10:14, 10:14]).all()
    assert np.isnan(told[40:44, 10:14]).all()
    np.testing.assert_allclose(told[20:30, 5:45], 20 + 10 * (4 - 10.5) / 10.5, rtol=1e-6)
    np.testing.assert_allclose(told[:, 75:], 20 + 10 * (16 - 10.5) / 10.5, rtol=1e-6)


def test_focus_is_trusted_by_the_depth_of_the_pair_whatever_its_size():
    """The same slope of focus in a pair of a third of the disparity: where it is heard does not change."""
    focus = np.tile(np.linspace(3, 18, 240, dtype=np.float32) ** 1.1 / 18**0.1, (40, 1))
    heard = [np.isfinite(expected(focus, Course((20.0, deep_px, 0.0), COUNT))) for deep_px in (9.0, 3.0)]
    np.testing.assert_array_equal(heard[0], heard[1])
