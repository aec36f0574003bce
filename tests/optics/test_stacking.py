"""Steps and numbers of frames, against worked values and against the exact depth of field."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import NearpairError
from nearpair.optics import lens, stacking


# Worked by hand: subject depth, depth of field, overlap -> step, frames to cover, frames to span
@pytest.mark.parametrize(
    ("depth_mm", "field_mm", "overlap", "step_mm", "cover", "span"),
    [
        (10, 0.96, 0.2, 0.768, 13, 15),
        (10, 0.96, 0.3, 0.672, 15, 16),
        (5, 0.24, 0.25, 0.18, 28, 29),
        (2, 0.0578, 0.5, 0.0289, 69, 71),
    ],
)
def test_steps_and_frames(depth_mm, field_mm, overlap, step_mm, cover, span):
    step = stacking.step_mm(field_mm, overlap)
    assert step == pytest.approx(step_mm)
    assert stacking.frames_to_cover(depth_mm, field_mm, step) == cover
    assert stacking.frames_to_span(depth_mm, step) == span


def test_one_frame_covers_what_is_flatter_than_its_depth_of_field():
    assert stacking.frames_to_cover(0.5, 0.96, 0.7) == 1


@given(st.floats(20, 200), st.floats(0.01, 5), st.floats(0.3, 2))
@settings(deadline=None)
def test_magnification_of_a_distance_is_the_inverse(focal_mm, magnification, pupil_ratio):
    distance = lens.entrance_pupil_distance_mm(focal_mm, magnification, pupil_ratio)
    assert stacking.magnification_of(focal_mm, distance, pupil_ratio) == pytest.approx(magnification)


def test_infinity_has_no_magnification():
    assert stacking.magnification_of(50, math.inf) == 0


@given(st.floats(20, 200), st.floats(0.02, 2), st.floats(2, 11), st.floats(0.3, 2))
@settings(deadline=None)
def test_sharp_limits_of_neighbours_in_a_ring_stack_meet_exactly(focal_mm, magnification, number, pupil):
    """Without overlap, far limit of one frame = near limit of the next, by the exact depth of field."""
    blur = 0.02
    ratio = stacking.ring_ratio(focal_mm, number, blur, 0.0, pupil)
    farther = ((1 + magnification / pupil) * ratio - 1) * pupil
    if farther <= blur * number / focal_mm:
        return
    one = lens.depth_of_field(focal_mm, magnification, number, blur, pupil)
    other = lens.depth_of_field(focal_mm, farther, number, blur, pupil)
    assert one.distance_mm + one.far_depth_mm == pytest.approx(
        other.distance_mm - other.near_depth_mm, rel=1e-6
    )


def test_steps_of_a_ring_stack_close_up_are_the_close_up_depth_of_field():
    ratio = stacking.ring_ratio(100, 8, 0.03, 0.0)
    found = stacking.ring_magnifications(195, 205, 100, ratio, 0.03 * 8 / 100)
    distances = [lens.entrance_pupil_distance_mm(100, m) for m in found]
    near_life_size = min(range(len(found)), key=lambda k: abs(found[k] - 1))
    step = distances[near_life_size + 1] - distances[near_life_size]
    assert step == pytest.approx(0.96, rel=0.02)  # f/8, 0.03 mm, life size: the published table's 0.96 mm
    assert distances[1] == pytest.approx(195)
    assert distances[-3] <= 205 <= distances[-2]


def test_a_ring_stack_of_a_landscape_ends_at_the_hyperfocal_distance():
    ratio = stacking.ring_ratio(50, 8, 0.03, 0.0)
    found = stacking.ring_magnifications(2000, math.inf, 50, ratio, 0.03 * 8 / 50)
    assert lens.entrance_pupil_distance_mm(50, found[-1]) == pytest.approx(
        lens.hyperfocal_mm(50, 8, 0.03), rel=1e-9
    )
    assert 4 <= len(found) <= 6  # 2 m at f/8: hyperfocal 10.5 m; H, H/3, H/5, and one before 2 m


@pytest.mark.parametrize("overlap", [-0.1, 1.0])
def test_impossible_overlaps_are_refused(overlap):
    with pytest.raises(NearpairError, match="overlap must be from 0 to below 1"):
        stacking.step_mm(1, overlap)


def test_endless_stacks_are_refused():
    with pytest.raises(NearpairError, match="more than 20000 frames"):
        stacking.frames_to_span(1000, 0.001)


def test_nearer_than_the_focal_length_is_refused():
    with pytest.raises(NearpairError, match=r"above 100 mm, found 90"):
        stacking.magnification_of(100, 90)
