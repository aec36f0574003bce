"""Detail energy falls with blur and sees no brightness."""

import cv2
import numpy as np
import pytest
from scipy import ndimage

from nearpair.pixels.luma import luma
from nearpair.pixels.sharpness import detail_energy
from support.textures import NAMES, photograph


def test_it_is_the_local_energy_of_a_band():
    """By its definition, with SciPy's filters."""
    plane = luma(photograph("camera")).astype(np.float64)
    fine, coarse = (ndimage.gaussian_filter(plane, s, mode="mirror") for s in (0.7, 2.0))
    expected = ndimage.gaussian_filter((fine - coarse) ** 2, 2.0, mode="mirror")
    found = detail_energy(plane.astype(np.float32))
    assert found.shape == plane.shape
    np.testing.assert_allclose(found, expected, atol=2e-4)
    assert np.corrcoef(found.ravel(), expected.ravel())[0, 1] > 0.9999


@pytest.mark.parametrize("name", NAMES)
def test_blur_lowers_it_everywhere_on_average(name):
    plane = luma(photograph(name))
    energies = [
        detail_energy(plane if s == 0 else cv2.GaussianBlur(plane, (0, 0), s)) for s in (0, 0.7, 1.4, 2.8)
    ]
    means = [float(np.mean(e)) for e in energies]
    assert means == sorted(means, reverse=True)
    assert means[0] > 10 * means[-1]


def test_a_step_edge_by_the_closed_form():
    """Across a unit step the band is Φ(x/0.7) − Φ(x/2); its energy far from the edge is nothing."""
    step = np.zeros((60, 121), np.float32)
    step[:, 61:] = 1
    # edge between pixels 60 and 61
    x = np.arange(121) - 60.5
    profile = ndimage.gaussian_filter1d((x > 0).astype(float), 0.7) - ndimage.gaussian_filter1d(
        (x > 0).astype(float), 2.0
    )
    expected = ndimage.gaussian_filter1d(profile**2, 2.0)
    np.testing.assert_allclose(detail_energy(step)[30], expected, atol=3e-4)
    assert detail_energy(step)[30, :30].max() < 1e-8


def test_brightness_does_not_matter_and_contrast_counts_squared():
    plane = luma(photograph("coffee"))
    kept = plane.copy()
    np.testing.assert_allclose(detail_energy(plane + np.float32(0.3)), detail_energy(plane), atol=1e-6)
    np.testing.assert_allclose(
        detail_energy(plane * np.float32(0.5)), detail_energy(plane) / 4, rtol=1e-3, atol=1e-8
    )
    np.testing.assert_array_equal(plane, kept)
