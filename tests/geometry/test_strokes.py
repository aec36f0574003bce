"""Strokes of a brush: distances by hand, and properties."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.geometry.strokes import Stroke, box_around, places_in

places = st.tuples(st.floats(-50, 50), st.floats(-50, 50))


@pytest.mark.parametrize(
    ("place", "expected"),
    [((5, 3), 3), ((-3, 4), 5), ((14, -3), 5), ((10, 7), 0), ((13, 12), 3), ((10, 24), 4)],
)
def test_distances_to_a_bent_line(place, expected):
    # right-angled triangles 3-4-5, elementary geometry
    stroke = Stroke(((0.0, 0.0), (10.0, 0.0), (10.0, 20.0)), 2.0)
    assert stroke.distance_px(np.array([[place]], np.float32))[0, 0] == pytest.approx(expected, abs=1e-5)


def test_a_single_point_is_a_disc():
    stroke = Stroke(((20.0, 30.0),), 5.0)
    box = stroke.box((100, 100))
    assert box == (15, 25, 11, 11)
    inside = stroke.distance_px(places_in(box)) <= stroke.radius_px
    assert inside.sum() == pytest.approx(math.pi * 25, rel=0.05)


def test_outside_the_picture_there_is_nothing():
    assert Stroke(((500.0, 30.0),), 5.0).box((100, 100)) is None
    assert box_around(np.array([[99.4, 3.0]]), (100, 100), 0.1) is None


@given(st.lists(places, min_size=1, max_size=5), places, places)
@settings(deadline=None, max_examples=50)
def test_distance_changes_no_faster_than_the_place(points, one, other):
    stroke = Stroke(tuple(points), 1.0)
    a, b = stroke.distance_px(np.array([[one, other]], np.float32))[0]
    assert abs(a - b) <= math.dist(one, other) + 1e-3
    assert a <= min(math.dist(one, point) for point in points) + 1e-3


def test_unknown_places_have_no_distance():
    assert np.isnan(Stroke(((0.0, 0.0),), 1.0).distance_px(np.full((1, 1, 2), np.nan, np.float32)))
