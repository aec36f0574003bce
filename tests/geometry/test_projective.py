"""Projective transforms against scikit-image (BSD-3-Clause) and the geometry of a turned camera."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import ProjectiveTransform

from nearpair.geometry.projective import Projective, turned_camera
from nearpair.geometry.transforms import Similarity

POINTS = np.random.default_rng(0).uniform(0, (640, 480), (50, 2))
angles = st.tuples(st.floats(-3, 3), st.floats(-3, 3), st.floats(-5, 5))
transforms = st.builds(turned_camera, st.floats(500, 5000), st.just((319.5, 239.5)), angles)


@settings(deadline=None)
@given(transforms, transforms)
def test_points_chains_and_inverses_are_those_of_scikit_image(one, other):
    ours, theirs = one.then(other), ProjectiveTransform(one.matrix()) + ProjectiveTransform(other.matrix())
    np.testing.assert_allclose(ours.apply(POINTS), theirs(POINTS), atol=1e-6)
    np.testing.assert_allclose(one.inverse().apply(POINTS), ProjectiveTransform(one.matrix()).inverse(POINTS))
    np.testing.assert_allclose(one.then(one.inverse()).apply(POINTS), POINTS, atol=1e-6)


def test_a_similarity_stays_what_it_is():
    similarity = Similarity.about((100.0, 50.0), 1.03, 2.0, (4.0, -7.0))
    same = Projective.like(similarity)
    assert same.affine
    np.testing.assert_allclose(same.apply(POINTS), similarity.apply(POINTS))
    near = same.nearest_similarity((20.0, 400.0))
    assert near.scale == pytest.approx(1.03)
    assert near.roll_deg == pytest.approx(2.0)
    np.testing.assert_allclose(near.apply(POINTS), similarity.apply(POINTS))
    resampled = same.resampled(3).matrix()
    np.testing.assert_allclose(resampled, Projective.like(similarity.resampled(3)).matrix(), atol=1e-9)


@settings(deadline=None)
@given(transforms, st.tuples(st.floats(0, 639), st.floats(0, 479)))
def test_the_nearest_similarity_does_the_same_around_its_point(transform, point):
    near = transform.nearest_similarity(point)
    here = np.array(point)
    np.testing.assert_allclose(near.apply(here), transform.apply(here), atol=1e-7)
    step = 0.01 * np.array([[1, 0], [0, 1], [-1, 0], [0, -1.0]])
    turned = (transform.apply(here + step) - transform.apply(here)) / 0.01
    scale = np.sqrt(np.abs(np.linalg.det(turned[:2])))
    assert near.scale == pytest.approx(scale, rel=2e-3)


@settings(deadline=None)
@given(transforms, st.floats(1, 6))
def test_a_larger_picture_of_the_same_transform(transform, factor):
    larger = transform.resampled(factor)
    np.testing.assert_allclose(
        larger.apply((POINTS + 0.5) * factor - 0.5), (transform.apply(POINTS) + 0.5) * factor - 0.5, atol=1e-5
    )


@pytest.mark.parametrize(
    ("angles_deg", "moved"),
    [((1, 0, 0), (17.455, 0)), ((0, 1, 0), (0, 17.455)), ((0, 0, 5), (0, 0))],
)
def test_the_axis_of_a_turned_camera(angles_deg, moved):
    """A turn by 1 degree moves the point on the axis by 1000·tan 1 degree = 17.455 px (pencil and paper)."""
    centre = (319.5, 239.5)
    assert turned_camera(1000.0, centre, angles_deg).shift_at(centre) == pytest.approx(moved, abs=1e-3)


def test_a_point_at_a_known_angle_from_the_axis():
    """20 degrees to the right, turned by 3 more: 1000·tan 23 degrees = 424.475 px. From memory: tangents."""
    centre = (0.0, 0.0)
    moved = turned_camera(1000.0, centre, (3.0, 0.0, 0.0)).apply(
        np.array([1000 * np.tan(np.radians(20)), 100])
    )
    assert moved[0] == pytest.approx(424.475, abs=1e-3)
    # the ray keeps its height over the horizontal plane: y/√(f² + x²) stays
    assert moved[1] == pytest.approx(100 * np.cos(np.radians(20)) / np.cos(np.radians(23)), abs=1e-6)
