"""What focus says about disparity: the course through points, and where a map of focus is trusted.

Geometry of the first test: x_left − x_right = base · f / Z for parallel axes (shared check values, section
1); on a rail Z grows by the same step from frame to frame. The rest is invented.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pairs.focal import Course, Guide, _rising, calm, course_of, guide, sampled, told

RNG = np.random.default_rng(11)
COUNT = 22


def on_a_rail(focus):
    """Base 9.5 mm, f 6100 px, planes of focus 290 to 316 mm away."""
    return 9.5 * 6100 / (290 + 26 * np.asarray(focus) / (COUNT - 1))


def test_a_chain_follows_a_rail_to_a_fifth_of_a_pixel():
    focus = RNG.uniform(0, COUNT - 1, 800)
    course = course_of(focus, on_a_rail(focus), COUNT)
    frames = np.arange(COUNT)
    assert np.abs(course.at(frames) - on_a_rail(frames)).max() < 0.2
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


LINE = Course((0.0, 21.0), (10.0, 30.0), COUNT)


def test_focus_is_silent_beside_jumps_and_beyond_the_stack():
    focus = np.full((60, 120), 4.0, np.float32)
    focus[:, 60:] = 16
    focus[10:14, 10:14] = np.nan
    focus[40:44, 10:14] = -1
    said = told(focus, LINE)
    assert np.isnan(said[10:14, 10:14]).all()
    assert np.isnan(said[40:44, 10:14]).all()
    np.testing.assert_allclose(said[:10, :60], 10 + 20 * 4 / 21, rtol=1e-6)
    trusted = calm(said, LINE.deep_px)
    assert np.isnan(trusted[:, 57:63]).all()
    assert np.isnan(trusted[10:14, 10:14]).all()
    np.testing.assert_allclose(trusted[20:30, 5:45], 10 + 20 * 4 / 21, rtol=1e-6)
    np.testing.assert_allclose(trusted[:, 75:], 10 + 20 * 16 / 21, rtol=1e-6)


def test_focus_is_trusted_by_the_depth_of_the_pair_whatever_its_size():
    """The same slope of focus in a pair of a third of the disparity: where it is heard does not change."""
    focus = np.tile(np.linspace(3, 18, 240, dtype=np.float32) ** 1.1 / 18**0.1, (40, 1))
    focus[10:20, 100:110] = 3
    heard = []
    for deep_px in (18.0, 6.0):
        course = Course((0.0, 21.0), (20.0, 20.0 + deep_px), COUNT)
        heard.append(np.isfinite(calm(told(focus, course), course.deep_px)))
    assert 0.5 < heard[0].mean() < 1
    np.testing.assert_array_equal(heard[0], heard[1])


@settings(deadline=None, max_examples=25)
@given(st.integers(6, 90), st.integers(0, 10_000), st.booleans())
def test_steps_of_any_size_are_followed(count, seed, nearer_last):
    """Frames at uneven distances, none of them known: the chain bends where they do."""
    rng = np.random.default_rng(seed)
    place = np.cumsum(rng.uniform(0.3, 2.0, count))
    px = 20 * (place - place[0]) / (place[-1] - place[0])
    px = px if nearer_last else px[::-1]
    focus = rng.uniform(0, count - 1, 1500)
    true = np.interp(focus, np.arange(count), px)
    course = course_of(focus, true + rng.normal(0, 0.2, 1500), count)
    assert np.percentile(np.abs(course.at(focus) - true), 95) < 1.0
    steps = np.diff(course.at(np.arange(count)))
    assert np.all(steps >= 0) if nearer_last else np.all(steps <= 0)


def test_pooled_neighbours_by_hand():
    """Falls are evened out by weight; what rises stays (pool adjacent violators)."""
    pools = _rising(np.array([1.0, 4.0, 2.0, 2.0, 7.0]), np.array([1.0, 1, 1, 2, 1]))
    assert pools == [(1.0, slice(0, 1)), (2.5, slice(1, 4)), (7.0, slice(4, 5))]


def test_focus_is_silent_where_matched_points_contradict_it():
    """A map that is true on the left, and shows another thing on the right."""
    points = RNG.uniform((0, 0), (180, 90), (900, 2))
    focus = np.tile(np.abs(np.linspace(-21, 21, 181, dtype=np.float32)), (91, 1))
    focus[:, 161:] = 21 - focus[:, 161:]
    disparity = np.abs(points[:, 0] - 90) / 4
    found = guide((focus, focus), (COUNT, COUNT), (points, points), disparity)
    assert np.isnan(found.everywhere[:, 172:]).all()
    assert np.isfinite(found.everywhere[:, 5:85]).all()
    focus[:, 120:] = 20
    assert guide((focus, focus), (COUNT, COUNT), (points, points), disparity) is None


def test_a_guide_of_halves_is_half_of_it():
    plane = np.arange(30, dtype=np.float32).reshape(5, 6)
    half = Guide(plane, plane, plane, 8.0).halved((2, 3))
    np.testing.assert_array_equal(half.first, [[0, 1, 2], [6, 7, 8]])
    assert half.deep_px == 4


def test_one_view_without_focus_is_enough_for_silence():
    points = RNG.uniform(0, 90, (600, 2))
    focus = np.tile(np.linspace(0, 21, 91, dtype=np.float32), (91, 1))
    disparity = points[:, 0] / 4
    assert guide((focus, focus), (COUNT, COUNT), (points, points), disparity) is not None
    nothing = np.full_like(focus, np.nan)
    assert guide((focus, nothing), (COUNT, 1), (points, points), disparity) is None
