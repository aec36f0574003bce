"""A floating window: where the masks lie, and that they bring the sides forward."""

import numpy as np
import pytest

from nearpair.errors import PairError
from nearpair.outputs.floating import masked


def picture(dtype=np.uint8):
    return np.random.default_rng(3).integers(1, 200, (40, 60, 3)).astype(dtype)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_left_side_of_the_left_eye_and_right_side_of_the_right_eye(dtype):
    left, right = picture(dtype), picture(dtype)[:, ::-1].copy()
    one, other = masked(left, right, (5, 7))
    assert not one[:, :5].any()
    np.testing.assert_array_equal(one[:, 5:], left[:, 5:])
    assert not other[:, 53:].any()
    np.testing.assert_array_equal(other[:, :53], right[:, :53])
    # the sides of the frame as each eye sees them: parallax = right − left, negative in front
    shown = [np.flatnonzero(view.any(axis=(0, 2))) for view in (one, other)]
    assert shown[1][0] - shown[0][0] == -5
    assert shown[1][-1] - shown[0][-1] == -7


def test_the_given_pictures_stay():
    left, right = picture(), picture()
    before = left.copy()
    masked(left, right, (9, 9))
    np.testing.assert_array_equal(left, before)
    assert masked(left, right, (0, 0))[0] is left


def test_pictures_must_be_alike():
    with pytest.raises(PairError, match="must be alike"):
        masked(picture(), picture()[:-1], (1, 1))
