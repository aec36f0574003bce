"""Glasses and the published matrices, end to end in 8 bits."""

import numpy as np
import pytest

from nearpair.colour.glasses import GLASSES, ROW_SUM_TOLERANCE, Glasses
from nearpair.colour.light import decode_srgb, encode_srgb
from nearpair.errors import NearpairError
from support.worked import WORKED


def anaglyph(name, left, right):
    """One pixel: decode, matrix, clip, encode, round (independent of the package's own output operators)."""
    both = np.concatenate([decode_srgb(np.array(left, np.uint8)), decode_srgb(np.array(right, np.uint8))])
    return tuple(int(code) for code in encode_srgb(GLASSES[name].least_squares @ both, np.uint8))


@pytest.mark.parametrize(("name", "left", "right", "expected"), WORKED)
def test_published_matrices_end_to_end(name, left, right, expected):
    assert anaglyph(name, left, right) == expected


@pytest.mark.parametrize(
    ("name", "sums"),
    [
        ("red-cyan", (1.000, 0.999, 1.000)),
        ("green-magenta", (0.999, 0.999, 1.000)),
        ("amber-blue", (1.000, 1.001, 1.001)),
    ],
)
def test_white_stays_white_within_the_published_rounding(name, sums):
    np.testing.assert_allclose(GLASSES[name].least_squares.sum(axis=1), sums, atol=1e-9)


# the colours of the filters: common practice, no source
@pytest.mark.parametrize(
    ("name", "left", "right"),
    [
        ("red-cyan", (0,), (1, 2)),
        ("green-magenta", (1,), (0, 2)),
        ("amber-blue", (0, 1), (2,)),
        ("red-blue", (0,), (2,)),
    ],
)
def test_each_eye_sees_the_channels_of_its_filter(name, left, right):
    glasses = GLASSES[name]
    assert (glasses.name, glasses.left_channels, glasses.right_channels) == (name, left, right)


@pytest.mark.parametrize(
    "name", [name for name, glasses in GLASSES.items() if glasses.least_squares is not None]
)
def test_the_matrix_feeds_each_eye_through_the_channels_it_sees(name):
    glasses = GLASSES[name]
    left_sums, right_sums = glasses.least_squares[:, :3].sum(axis=1), glasses.least_squares[:, 3:].sum(axis=1)
    assert set(np.flatnonzero(left_sums > right_sums)) == set(glasses.left_channels)
    assert set(np.flatnonzero(right_sums > left_sums)) == set(glasses.right_channels)


def test_every_kind_of_glasses_knows_a_display_and_its_channels():
    assert [glasses.channels for glasses in GLASSES.values()] == [(0, 1, 2), (0, 1, 2), (0, 1, 2), (0, 2)]
    for glasses in GLASSES.values():
        left_y, right_y = glasses.display.left[1], glasses.display.right[1]
        # every channel is brighter, against what white gives, before the eye that it is given to
        brighter = left_y / left_y.sum() > right_y / right_y.sum()
        assert all(brighter[list(glasses.left_channels)])
        assert not any(brighter[list(glasses.right_channels)])


def test_tables_cannot_be_changed():
    with pytest.raises(ValueError, match="read-only"):
        GLASSES["red-cyan"].least_squares[0, 0] = 1.0
    with pytest.raises(TypeError):
        GLASSES["red-cyan"] = GLASSES["red-blue"]


def test_a_matrix_handed_in_is_copied():
    matrix = GLASSES["red-cyan"].least_squares.copy()
    glasses = Glasses("mine", (0,), (1, 2), matrix)
    matrix[0, 0] = 5.0
    assert glasses.least_squares[0, 0] == 0.437


# Seven digits: Dubois (2001) method on the data of Sanders & McAllister (2003), seen second-hand
SEVEN_DIGITS = np.array(
    [
        [0.4561000, 0.5004838, 0.1763809, -0.0434706, -0.0879388, -0.0015553],
        [-0.0400822, -0.0378246, -0.0157589, 0.3784760, 0.7336400, -0.0184503],
        [-0.0152161, -0.0205971, -0.0054686, -0.0721527, -0.1129606, 1.2263951],
    ]
)


# Two copy errors circulate, each seen in public code: -0.400822 for -0.0400822, and +0.065 for -0.065
@pytest.mark.parametrize(
    ("matrix", "column", "wrong", "total"),
    [(SEVEN_DIGITS, 0, -0.400822, "0.6393"), (GLASSES["green-magenta"].least_squares, 5, 0.065, "1.1290")],
)
def test_known_copy_errors_are_caught_by_the_row_sums(matrix, column, wrong, total):
    assert Glasses("right", (0,), (1, 2), matrix).least_squares is not None
    copied = matrix.copy()
    copied[1, column] = wrong
    with pytest.raises(NearpairError, match=rf"must sum to 1 .*{total}.*wrong digit or sign"):
        Glasses("copied", (0,), (1, 2), copied)


@pytest.mark.parametrize(
    ("left", "right"), [((), (1, 2)), ((0,), ()), ((0, 1), (1, 2)), ((0,), (3,)), ((0, 0), (1,))]
)
def test_channels_must_be_shared_out(left, right):
    with pytest.raises(NearpairError, match=r"'odd'.*share out channels"):
        Glasses("odd", left, right, None)


def test_shape_and_finite_values_are_checked():
    with pytest.raises(NearpairError, match=r"shape \(3, 6\), found \(3, 3\)"):
        Glasses("square", (0,), (1, 2), np.eye(3))
    with pytest.raises(NearpairError, match="must sum to 1"):
        Glasses("unknown", (0,), (1, 2), np.full((3, 6), np.nan))


@pytest.mark.parametrize(("offset", "accepted"), [(0.9, True), (1.1, False)])
def test_the_tolerance_is_the_stated_one(offset, accepted):
    matrix = np.hstack([np.eye(3), np.zeros((3, 3))])
    matrix[1, 4] = offset * ROW_SUM_TOLERANCE
    if accepted:
        assert Glasses("near", (0,), (1, 2), matrix).least_squares is not None
    else:
        with pytest.raises(NearpairError, match="must sum to 1"):
            Glasses("off", (0,), (1, 2), matrix)
