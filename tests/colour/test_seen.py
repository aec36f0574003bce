"""Signals seen through glasses, and the spectral data, against the library they come from."""

import numpy as np
import pytest

from nearpair.colour import seen, spectra
from nearpair.colour.displays import D65, SANDERS, SRGB_XYZ, modelled, transmitted


@pytest.fixture(scope="module")
def library():
    """The Python library colour-science (BSD 3-clause), which complains about missing optional parts."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def test_observer_and_display_are_those_of_the_library(library):
    shape = library.SpectralShape(400, 700, 5)
    observer = library.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    (name,) = (name for name in library.MSDS_DISPLAY_PRIMARIES if "CRT" not in name)
    display = library.MSDS_DISPLAY_PRIMARIES[name].copy().align(shape)
    np.testing.assert_allclose(spectra.WAVELENGTHS_NM, shape.wavelengths)
    np.testing.assert_allclose(spectra.OBSERVER, observer.values, atol=1e-6)
    np.testing.assert_allclose(spectra.DISPLAY, display.values, atol=5e-5)


def test_lab_is_that_of_the_library(library):
    xyz = np.array([[0.2, 0.3, 0.4], [0.9, 1.0, 1.0], [0.001, 0.002, 0.004], [0.0, 0.0, 0.0]])
    white = np.array(D65)
    expected = library.XYZ_to_Lab(xyz, library.XYZ_to_xy(white))
    np.testing.assert_allclose(seen.lab(xyz / white), expected, atol=0.02)
    # Y/L*: green .7152/87.74; blue .0722/32.30; grey 128 .21586/53.59, by the formula of CIE 15
    np.testing.assert_allclose(
        seen.lightness(np.array([0.7152, 0.0722, 0.21586])), [87.74, 32.30, 53.59], atol=0.01
    )


def test_a_modelled_display_is_white_when_all_is_on():
    clear = np.ones(61)
    np.testing.assert_allclose(modelled(clear, clear).bare.sum(axis=1), D65, atol=1e-9)


def test_filters_keep_to_what_glass_can_do():
    for curve in (spectra.RED, spectra.GREEN, spectra.MAGENTA, spectra.AMBER, spectra.BLUE):
        assert curve.shape == (61,)
        assert 0 < curve.min() < curve.max() < 1


def test_brightness_of_each_eye_by_hand():
    left, right = seen.brightness(SANDERS)
    np.testing.assert_allclose(left, np.array([2.70972, 0.50201, 0.0250529]) / 3.2367829)
    np.testing.assert_allclose(right, np.array([0.448214, 6.31551, 1.35757]) / 8.121294)


def test_shares_transmitted_scale_the_primaries():
    display = transmitted((0.5, 0.01, 0.0), (0.02, 0.6, 0.7))
    np.testing.assert_allclose(display.left[:, 0], SRGB_XYZ[:, 0] * 0.5)
    np.testing.assert_allclose(display.right[:, 2], SRGB_XYZ[:, 2] * 0.7)
    assert display.left[1, 2] == 0


def test_white_is_white_in_every_signal():
    for comparison in (seen.per_eye(SANDERS), seen.matched(SANDERS, 4.0)):
        np.testing.assert_allclose(comparison.shown.sum(axis=1), 1)
        np.testing.assert_allclose(comparison.wanted.sum(axis=1), 1)
        assert np.linalg.eigvalsh(comparison.weights).min() >= -1e-9


def test_a_filter_that_leaves_no_colour_shows_none():
    # all of Z is gone before this eye but for a trace in proportion to Y: no blue-yellow to be told
    eye = np.array([[0.4, 0.1, 0.0], [0.2, 0.1, 0.0], [1e-6, 1e-6, 1e-6]])
    signals = seen.of_one_eye(eye, SRGB_XYZ)
    np.testing.assert_allclose(signals[2], signals[1], atol=1e-3)
