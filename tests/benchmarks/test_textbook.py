"""The textbook methods do what the literature says: only then is comparing with them worth anything."""

import cv2
import numpy as np
import pytest
from benchmarks.judge import psnr_db
from benchmarks.textbook import (
    collapse,
    depth_map_merge,
    laplacian_pyramid,
    modified_laplacian,
    pyramid_merge,
)
from skimage.data import astronaut


@pytest.fixture(scope="module")
def sharp():
    return astronaut()[60:360, 80:480]


@pytest.fixture(scope="module")
def halves(sharp):
    """Two frames, each sharp on one side and blurred on the other, with a soft change between."""
    blurred = cv2.GaussianBlur(sharp, (0, 0), 4).astype(float)
    left = np.clip((np.arange(400) - 180) / 40, 0, 1)[None, :, None]
    return [np.rint(mix * blurred + (1 - mix) * sharp).astype(np.uint8) for mix in (left, 1 - left)]


def test_a_laplacian_pyramid_gives_the_picture_back(sharp):
    # Burt & Adelson 1983: reconstruction is exact up to arithmetic
    picture = sharp.astype(np.float32)
    assert np.allclose(collapse(laplacian_pyramid(picture, 4)), picture, atol=1e-3)


def test_the_modified_laplacian_of_an_impulse():
    # Nayar & Nakagawa 1994, by the definition: 4 at the impulse, 1 at its four neighbours, 0 on a ramp
    impulse = np.zeros((9, 9), dtype=np.float32)
    impulse[4, 4] = 1
    found = modified_laplacian(impulse)
    assert found[4, 4] == 4
    assert found[4, 3] == found[3, 4] == 1
    assert found[3, 3] == 0
    ramp = np.add.outer(np.arange(9), 2 * np.arange(9)).astype(np.float32)
    assert np.all(modified_laplacian(ramp)[1:-1, 1:-1] == 0)


@pytest.mark.parametrize("merge", [pyramid_merge, lambda frames: depth_map_merge(frames)[0]])
def test_merging_equal_frames_changes_nothing(merge, sharp):
    assert np.abs(merge([sharp] * 3).astype(int) - sharp).max() <= 1


@pytest.mark.parametrize("merge", [pyramid_merge, lambda frames: depth_map_merge(frames)[0]])
def test_each_side_comes_from_the_frame_that_is_sharp_there(merge, sharp, halves):
    merged = psnr_db(merge(halves), sharp)
    assert merged > max(psnr_db(half, sharp) for half in halves) + 6


def test_the_depth_map_says_which_frame(halves):
    chosen = depth_map_merge(halves)[1]
    # the lower right corner is black: nothing there says which frame is sharp
    assert (chosen[:200, :150] == 0).mean() > 0.9
    assert (chosen[:200, 250:] == 1).mean() > 0.9
