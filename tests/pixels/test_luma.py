"""Luma, block means and bands, against Pillow, NumPy and SciPy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from PIL import Image
from scipy import ndimage

from nearpair.pixels.luma import band, luma, reduced
from support.textures import photograph


@pytest.mark.parametrize("name", ["astronaut", "chelsea", "coffee", "rocket"])
def test_luma_is_pillows_l(name):
    """Pillow: L = R·299/1000 + G·587/1000 + B·114/1000 (its documentation, modes), rounded."""
    picture = photograph(name)
    expected = np.asarray(Image.fromarray(picture).convert("L"), np.float64) / 255
    found = luma(picture)
    assert (found.dtype, found.shape) == (np.float32, picture.shape[:2])
    assert np.max(np.abs(found - expected)) <= 1.01 / 255
    assert abs(np.mean(found - expected)) < 0.1 / 255


# Rec. ITU-R BT.601-7: 0.299, 0.587, 0.114; white is their sum
@pytest.mark.parametrize(
    ("rgb", "expected"),
    [((1, 0, 0), 0.299), ((0, 1, 0), 0.587), ((0, 0, 1), 0.114), ((1, 1, 1), 1.0), ((0, 0, 0), 0.0)],
)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_luma_of_the_primaries(rgb, expected, dtype):
    full = np.iinfo(dtype).max
    picture = np.broadcast_to(np.array(rgb, dtype) * full, (4, 6, 3)).copy()
    # 8 bits: rounded to a code; 16 bits: OpenCV's weights have 14 bits
    tolerance = 0.6 / 255 if dtype == np.uint8 else 2**-15
    assert luma(picture) == pytest.approx(np.full((4, 6), expected), abs=tolerance)


@given(arrays(np.uint8, (8, 12, 3)))
@settings(deadline=None)
def test_eight_and_sixteen_bits_agree(picture):
    kept = picture.copy()
    deep = picture.astype(np.uint16) * 257
    np.testing.assert_allclose(luma(picture), luma(deep), atol=0.6 / 255)
    np.testing.assert_array_equal(picture, kept)


@given(
    arrays(np.float32, st.tuples(st.integers(7, 25), st.integers(7, 25)), elements=st.floats(0, 1, width=32)),
    st.integers(1, 7),
)
@settings(deadline=None)
def test_reduced_is_the_mean_of_blocks(plane, factor):
    """NumPy's mean of whole blocks; what is left over at the right and below is dropped."""
    height, width = (side // factor for side in plane.shape)
    blocks = plane[: height * factor, : width * factor].reshape(height, factor, width, factor)
    np.testing.assert_allclose(reduced(plane, factor), blocks.mean(axis=(1, 3), dtype=np.float64), atol=1e-6)


def test_reduced_keeps_the_centres():
    """Small pixel j covers full pixels j·f to j·f + f − 1: a ramp keeps its values at the block centres."""
    ramp = np.tile(np.arange(60, dtype=np.float32), (30, 1))
    np.testing.assert_allclose(reduced(ramp, 5)[2], np.arange(12) * 5 + 2, atol=1e-4)


@pytest.mark.parametrize(("fine", "coarse"), [(0.7, 2.0), (1.0, 3.0), (1.0, 4.0)])
def test_band_is_a_difference_of_gaussians(fine, coarse):
    """SciPy's gaussian_filter; OpenCV cuts the kernel off at 4 standard deviations for float pictures."""
    plane = luma(photograph("camera"))
    expected = ndimage.gaussian_filter(plane, fine, mode="mirror", truncate=4.0)
    expected -= ndimage.gaussian_filter(plane, coarse, mode="mirror", truncate=4.0)
    np.testing.assert_allclose(band(plane, fine, coarse), expected, atol=2e-3)


def test_band_without_a_fine_blur():
    plane = luma(photograph("camera"))
    expected = plane - ndimage.gaussian_filter(plane, 3.0, mode="mirror", truncate=4.0)
    np.testing.assert_allclose(band(plane, 0, 3.0), expected, atol=2e-3)


def test_band_sees_no_brightness():
    plane = luma(photograph("camera"))
    np.testing.assert_allclose(band(plane + np.float32(0.25), 1, 3), band(plane, 1, 3), atol=1e-6)
    assert np.max(np.abs(band(np.full((40, 50), 0.7, np.float32), 1, 3))) < 1e-6
