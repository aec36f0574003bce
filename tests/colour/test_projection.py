"""The least-squares projection against the published matrix."""

import numpy as np
import pytest

from nearpair.colour import projection
from nearpair.colour.displays import SANDERS
from nearpair.colour.glasses import GLASSES, Glasses
from nearpair.colour.projection import FilteredDisplay
from nearpair.errors import NearpairError

# The resulting matrix, printed to seven digits, same source as the data in nearpair.colour.displays
PUBLISHED = np.array(
    [
        [0.4561000, 0.5004838, 0.1763809, -0.0434706, -0.0879388, -0.0015553],
        [-0.0400822, -0.0378246, -0.0157589, 0.3784760, 0.7336400, -0.0184503],
        [-0.0152161, -0.0205971, -0.0054686, -0.0721527, -0.1129606, 1.2263951],
    ]
)


def test_the_published_matrix_is_reproduced_to_its_seven_digits():
    matrix = projection.least_squares_projection(SANDERS)
    np.testing.assert_allclose(matrix, PUBLISHED, atol=6e-8)
    np.testing.assert_allclose(matrix.sum(axis=1), 1, atol=1e-12)
    assert Glasses("measured", (0,), (1, 2), matrix).least_squares is not None


def test_left_columns_sum_as_published():
    left = projection.least_squares_projection(SANDERS)[:, :3].sum(axis=1)
    np.testing.assert_allclose(left, [1.13296, -0.09367, -0.04128], atol=6e-6)


def test_the_unscaled_projection_is_the_least_squares_answer():
    """Independent route: numpy's lstsq instead of the normal equations, same row scaling."""
    filtered = np.vstack([SANDERS.left, SANDERS.right])
    wanted = np.block([[SANDERS.bare, np.zeros((3, 3))], [np.zeros((3, 3)), SANDERS.bare]])
    answer = np.linalg.lstsq(filtered, wanted)[0]
    expected = answer / answer.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(projection.least_squares_projection(SANDERS), expected, atol=1e-10)


def test_the_scale_of_the_measurement_does_not_matter():
    brighter = FilteredDisplay(7 * SANDERS.bare, 7 * SANDERS.left, 7 * SANDERS.right)
    np.testing.assert_allclose(
        projection.least_squares_projection(brighter),
        projection.least_squares_projection(SANDERS),
        atol=1e-12,
    )


def test_perfect_filters_give_each_eye_its_own_channels():
    # by hand: primaries X, Y, Z themselves; the left filter passes R alone, the right one G and B
    display = FilteredDisplay(np.eye(3), np.diag([1.0, 0, 0]), np.diag([0, 1.0, 1.0]))
    expected = [[1, 0, 0, 0, 0, 0], [0, 0, 0, 0, 1, 0], [0, 0, 0, 0, 0, 1]]
    np.testing.assert_allclose(projection.least_squares_projection(display), expected, atol=1e-12)
    assert projection.leaks(
        FilteredDisplay(np.ones((3, 3)), np.ones((3, 3)), np.ones((3, 3))), (0,), (1, 2)
    ) == (2, 0.5)


# from the Y rows of the same data, by hand: 3.2368/8.1213; 0.52706/2.70972; 0.448214/7.67308
def test_brightness_and_leaks_of_the_measured_glasses():
    assert projection.white_luminance_ratio(SANDERS) == pytest.approx(0.3986, abs=6e-5)
    left, right = projection.leaks(SANDERS, (0,), (1, 2))
    assert left == pytest.approx(0.1945, abs=6e-5)
    assert right == pytest.approx(0.0584, abs=6e-5)


def test_primaries_through_a_filter_by_hand():
    spectra = np.array([[1.0, 0, 2], [0, 3.0, 1]])
    observer = np.array([[1.0, 2, 3], [4, 5, 6]])
    bare = projection.primaries_xyz(spectra, observer)
    np.testing.assert_allclose(bare, [[1, 12, 6], [2, 15, 9], [3, 18, 12]])
    half_and_none = projection.primaries_xyz(spectra, observer, np.array([0.5, 0.0]))
    np.testing.assert_allclose(half_and_none, [[0.5, 0, 1], [1, 0, 2], [1.5, 0, 3]])


def test_wavelengths_must_agree():
    with pytest.raises(NearpairError, match="same wavelengths"):
        projection.primaries_xyz(np.ones((4, 3)), np.ones((5, 3)))
    with pytest.raises(NearpairError, match="same wavelengths"):
        projection.primaries_xyz(np.ones((4, 3)), np.ones((4, 3)), np.ones(3))


def test_measured_values_are_checked():
    with pytest.raises(NearpairError, match="left must hold 3 x 3 finite"):
        FilteredDisplay(np.eye(3), np.ones((3, 2)), np.eye(3))
    with pytest.raises(NearpairError, match="right must hold 3 x 3 finite"):
        FilteredDisplay(np.eye(3), np.eye(3), np.full((3, 3), np.nan))


def test_filters_that_leave_too_few_colours_are_refused():
    blind = np.diag([1.0, 0, 0])
    with pytest.raises(NearpairError, match="span three colours"):
        projection.least_squares_projection(FilteredDisplay(np.eye(3), blind, blind))


# Rounded matrices of Dubois' notes (2009), whose filters and display are not known to us: the bounds are what
# the modelled filters reach, and a wrong sign or a swapped eye would be off by far more
@pytest.mark.parametrize(
    ("name", "bound"), [("red-cyan", 0.07), ("green-magenta", 0.17), ("amber-blue", 0.07)]
)
def test_matrices_computed_from_spectra_come_near_the_published_ones(name, bound):
    glasses = GLASSES[name]
    computed = projection.least_squares_projection(glasses.display)
    np.testing.assert_allclose(computed, glasses.least_squares, atol=bound)


def test_channels_that_no_eye_is_given_stay_dark():
    computed = projection.least_squares_projection(GLASSES["red-blue"].display, (0, 2))
    np.testing.assert_array_equal(computed, GLASSES["red-blue"].least_squares)
    np.testing.assert_array_equal(computed[1], 0)
    np.testing.assert_allclose(computed[[0, 2]].sum(axis=1), 1)
    # by hand: two filters that part red and blue perfectly leave each eye's Y to be matched alone
    apart = FilteredDisplay(np.eye(3), np.diag([1.0, 0, 0]), np.diag([0, 0, 1.0]))
    np.testing.assert_allclose(
        projection.least_squares_projection(apart, (0, 2)), [[1, 0, 0, 0, 0, 0], [0] * 6, [0, 0, 0, 0, 0, 1]]
    )


def test_the_measurement_is_kept_as_it_was():
    bare = np.eye(3)
    display = FilteredDisplay(bare, np.eye(3), np.eye(3))
    bare[0, 0] = 9
    assert display.bare[0, 0] == 1
    with pytest.raises(ValueError, match="read-only"):
        display.left[0, 0] = 2
