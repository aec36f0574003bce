"""What differs between the eyes, on ray-traced scenes whose truth says which points are the same."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from benchmarks.both_eyes import Correspondence, correspondence, residual, residual_of_errors
from benchmarks.truth import load

SCENES = Path(__file__).parents[1] / "data" / "scenes"


def ends(scene, end="deepest"):
    """The file at one end of each station's stack."""
    return [
        next(f for f, frame in scene.frames.items() if frame.station == station and scene.end(f) == end)
        for station in (scene.left, scene.right)
    ]


@pytest.mark.parametrize("name", ["minerals", "gears", "shells"])
def test_the_sharp_pictures_agree_best_without_a_shift(name):
    scene = load(SCENES / name)
    left, right = ends(scene)
    found = correspondence(scene, left, right)
    assert 0.5 < found.both.mean() < 1
    assert found.near.any()

    def apart(dx, dy):
        moved = np.roll(scene.view(right), (dy, dx), axis=(0, 1))
        return max(residual(found, scene.view(left), moved))

    assert apart(0, 0) < min(apart(*shift) for shift in ((-1, 0), (1, 0), (0, -1), (0, 1)))


def test_frames_of_different_ends_do_not_belong_together():
    scene = load(SCENES / "gears")
    with pytest.raises(ValueError, match="same end"):
        correspondence(scene, ends(scene)[0], ends(scene, "nearest")[1])


@pytest.fixture
def shifted():
    """Views of two eyes, 10 px apart, near a jump in the upper half."""
    rows, columns = np.indices((30, 30))
    left = np.stack([2 * columns + 20.5, 2 * rows + 0.5], axis=-1).astype(np.float32)
    near = np.zeros((30, 30), dtype=bool)
    near[:15] = True
    found = Correspondence(left, left - np.float32([10, 0]), np.ones((30, 30), dtype=bool), near)
    picture = np.random.default_rng(2).integers(40, 200, (60, 90, 3)).astype(np.uint8)
    picture = cv2.GaussianBlur(picture, (0, 0), 2)
    return found, picture, np.roll(picture, -10, axis=1)


def test_the_same_picture_moved_by_the_disparity_has_no_residual(shifted):
    found, left, right = shifted
    assert residual(found, left, right) == pytest.approx((0, 0), abs=0.5)


def test_an_error_in_one_eye_is_found_where_it_is(shifted):
    found, left, right = shifted
    # as much lighter as darker, so that no brightness is evened
    squares = np.where(np.indices((30, 90)).sum(axis=0) // 2 % 2, 10, -10)
    spoilt = right.astype(int)
    spoilt[:30] += squares[..., None]
    spoilt = spoilt.astype(np.uint8)
    for near, elsewhere in (
        residual(found, left, spoilt),
        residual_of_errors(found, (left, left), (spoilt, right)),
    ):
        assert near > 6
        assert elsewhere < near / 4


def test_what_the_truths_differ_by_is_no_difference_of_errors(shifted):
    found, left, right = shifted
    other = right[::-1].copy()
    assert max(residual(found, left, other)) > 5
    assert residual_of_errors(found, (left, left), (other, other)) == pytest.approx((0, 0), abs=1e-3)
