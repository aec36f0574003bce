"""An area found again in the other view: on made-up depths whose counterparts are known by construction."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.geometry.projective import Projective
from nearpair.geometry.strokes import Stroke
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.carried import Lie, carried, planes_of, seen_by_second

SIZE = (120, 160)
STRAIGHT = (Projective(), Projective())


def lie_of(disparity, places=STRAIGHT, factor=1):
    return Lie((SIZE[0] * factor, SIZE[1] * factor), places, disparity.astype(np.float32), factor)


def flat(px):
    return np.full(SIZE, px)


def place_at(found, x, y):
    """The place of the first view that the other one shows at (x, y)."""
    left, top = found.box[:2]
    return found.places_px[round(y) - top, round(x) - left]


@given(st.floats(-12, 12), st.tuples(st.floats(40, 120), st.floats(30, 90)), st.integers(0, 1))
@settings(deadline=None, max_examples=30)
def test_a_plane_is_carried_by_its_disparity(px, point, eye):
    stroke = Stroke((point,), 9.0)
    found = carried(stroke, eye, lie_of(flat(px)), px)
    there = point[0] + (px if eye else -px)
    assert found.shift_px == pytest.approx(there - point[0], abs=1e-3)
    assert found.share == 1
    x, y = round(there), round(point[1])
    assert place_at(found, x, y) == pytest.approx((point[0] + x - there, y), abs=0.02)


@given(st.tuples(st.floats(40, 110), st.floats(30, 90)), st.integers(1, 3))
@settings(deadline=None, max_examples=15)
def test_turned_and_larger_views_are_carried_as_exactly(point, factor):
    places = (
        Projective.like(Similarity.about((80, 60), 1.0, 1.5)),
        Projective.like(Similarity.about((80, 60), 1.02, -1.0, (3, 2))),
    )
    full = tuple(place.resampled(factor) for place in places)
    lie = lie_of(flat(5.0), full, factor)
    here = np.array(point) * factor
    found = carried(Stroke((tuple(here),), 12.0 * factor), 0, lie, 5.0)
    there = full[1].inverse().apply(full[0].apply(here) - [5.0 * factor, 0])
    at = np.rint(there)
    back = full[0].inverse().apply(full[1].apply(at) + np.array([5.0 * factor, 0]))
    assert place_at(found, *at) == pytest.approx(back, abs=0.05 * factor)


def test_what_stands_nearer_hides_its_part():
    """A near strip (disparity 10) covers, for the right eye, the 10 px of ground to its left."""
    disparity = flat(0.0)
    disparity[:, 80:100] = 10.0
    lie = lie_of(disparity)
    found = carried(Stroke(((60.0, 60.0), (79.0, 60.0)), 0.6), 0, lie, 0.0)
    assert found.share == pytest.approx(0.5, abs=0.05)
    assert found.box[0] + found.box[2] < 72  # the hidden half does not appear
    hidden = carried(Stroke(((75.0, 60.0),), 3.0), 0, lie, 0.0)
    assert "hidden" in hidden
    beside = carried(Stroke(((60.0, 60.0),), 5.0), 0, lie, 0.0)
    assert beside.share == 1


def test_the_near_thing_itself_is_not_hidden():
    disparity = flat(0.0)
    disparity[:, 80:100] = 10.0
    found = carried(Stroke(((90.0, 60.0),), 5.0), 0, lie_of(disparity), 10.0)
    assert found.share == 1
    assert found.shift_px == -10


def test_a_wrong_measurement_gives_way_to_the_plane_of_focus():
    """Views are wrong just where they are retouched, and so is what was measured there."""
    disparity = flat(4.0)
    disparity[50:70, 70:90] = 11.0
    found = carried(Stroke(((80.0, 60.0),), 8.0), 0, lie_of(disparity), 4.0, 2.0)
    assert found.shift_px == pytest.approx(-4)
    assert place_at(found, 76, 60) == pytest.approx((80, 60), abs=0.05)


def test_depth_near_the_plane_counts_as_measured():
    columns = np.broadcast_to(np.linspace(3, 5, SIZE[1]), SIZE)
    found = carried(Stroke(((80.0, 60.0),), 20.0), 0, lie_of(columns), 4.0, 2.0)
    x = 68
    place = place_at(found, x, 60)[0]
    assert place - np.interp(place, np.arange(SIZE[1]), columns[0]) == pytest.approx(x, abs=0.3)


def test_without_a_plane_the_median_counts_and_without_depth_nothing():
    disparity = flat(6.0)
    assert carried(Stroke(((80.0, 60.0),), 8.0), 0, lie_of(disparity), None).shift_px == -6
    disparity[:] = np.nan
    assert carried(Stroke(((80.0, 60.0),), 8.0), 0, lie_of(disparity), None) == "no depth is known there"


def test_outside_the_other_picture():
    assert "outside" in carried(Stroke(((6.0, 60.0),), 4.0), 0, lie_of(flat(30.0)), 30.0)


def test_depth_as_the_second_view_sees_it():
    disparity = flat(0.0)
    disparity[:, 80:100] = 10.0
    second = seen_by_second(disparity)
    assert (second[:, 71:89] == 10).all()
    assert np.isnan(second[60, 91:98]).all()
    assert (second[:, :69] == 0).all()


def test_planes_tell_the_frame_of_the_other_stack():
    """An even stack that was shot back again, from two frames farther: 40 − frame + 2."""
    random = np.random.default_rng(0)
    own = random.uniform(0, 40, 6000)
    other, disparity = 42 - own, 3 + 0.5 * own
    wrong = random.uniform(size=own.size) < 0.3
    other = np.where(wrong, random.uniform(0, 40, own.size), other)
    disparity = np.where(wrong, random.uniform(0, 25, own.size), disparity)
    own[::50] = np.nan
    planes = planes_of(own, other, disparity)
    for frame in (3, 20, 37.5):
        assert planes.other_at(frame) == pytest.approx(42 - frame, abs=1)
        assert planes.disparity_at(frame) == pytest.approx(3 + frame / 2, abs=0.6)
    assert planes.leeway_px(20) == pytest.approx(1.5, abs=0.4)
    assert planes.other_at(45) == pytest.approx(-3, abs=1)  # beyond the end of that stack


def test_the_ends_of_a_stack_follow_the_course_of_the_others():
    """Few places are sharp in the nearest frames, most of them wrong: as in the ray-traced minerals."""
    random = np.random.default_rng(1)
    own = np.concatenate(
        [random.uniform(2.5, 30.5, 20000), random.uniform(30.5, 35.5, 600), np.full(45, 0.0)]
    )
    other, disparity = 38 - own, 2 + 0.4 * own
    few = (own > 30.5) | (own < 0.5)
    other = np.where(few, random.normal(18, 6, own.size), other + random.normal(0, 0.4, own.size))
    disparity = np.where(few, random.normal(3, 1, own.size), disparity + random.normal(0, 0.2, own.size))
    planes = planes_of(own, other, disparity)
    for frame in (0, 1, 15, 31, 34, 35, 36):
        assert planes.other_at(frame) == pytest.approx(38 - frame, abs=1)
        assert planes.disparity_at(frame) == pytest.approx(2 + 0.4 * frame, abs=1)


def test_one_frame_tells_nothing():
    assert planes_of(np.full(100, 3.0), np.full(100, 4.0), np.full(100, 1.0)) is None
    assert planes_of(np.arange(50.0), np.arange(50.0), np.arange(50.0)) is None
