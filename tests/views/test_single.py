"""What depth of field cost a single picture: photographs of scikit-image, sharp, blurred, half blurred."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pixels.luma import luma
from nearpair.views.single import unsharp_fraction
from support.textures import photograph

SHARP = ("gravel", "brick", "grass", "coffee", "astronaut", "camera", "rocket")


def blurred(plane, sigma_px):
    return cv2.GaussianBlur(plane, (0, 0), sigma_px)


@pytest.mark.parametrize("name", SHARP)
def test_sharp_photographs_are_sharp(name):
    assert unsharp_fraction(luma(photograph(name))) < 0.03


def test_a_photograph_with_a_blurred_background_says_so():
    """The cat's face is sharp, what lies behind it and its shoulder are not (seen by eye)."""
    assert 0.05 < unsharp_fraction(luma(photograph("chelsea"))) < 0.3


@pytest.mark.parametrize("name", SHARP)
def test_blurred_photographs_are_not(name):
    assert unsharp_fraction(blurred(luma(photograph(name)), 5)) > 0.9


@pytest.mark.parametrize("name", SHARP)
def test_more_blur_is_never_sharper(name):
    plane = luma(photograph(name))
    found = [unsharp_fraction(blurred(plane, sigma)) for sigma in (0.5, 1, 2, 3, 4, 6)]
    assert found == sorted(found)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.75])
def test_the_blurred_part_is_measured(share):
    plane = luma(photograph("gravel"))
    half = plane.copy()
    edge = round(plane.shape[1] * (1 - share))
    half[:, edge:] = blurred(plane, 6)[:, edge:]
    assert unsharp_fraction(half) == pytest.approx(share, abs=0.07)


# Behind a Gaussian of 2 px a step edge still counts as sharp, behind 3 px no more: the module's own promise
@pytest.mark.parametrize(("sigma_px", "expected"), [(0.5, 0), (1, 0), (2, 0), (3, 1), (4, 1)])
def test_a_single_edge(sigma_px, expected):
    edge = np.zeros((200, 400), np.float32)
    edge[:, 200:] = 1
    assert unsharp_fraction(blurred(edge, sigma_px)) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("size", [(1, 1), (5, 400), (300, 300)])
def test_without_texture_nothing_can_be_said(size):
    assert unsharp_fraction(np.full(size, 0.5, np.float32)) is None


def test_noise_is_no_texture():
    rng = np.random.default_rng(51)
    assert unsharp_fraction((0.5 + rng.normal(0, 0.01, (300, 300))).astype(np.float32)) is None


@given(st.floats(0.3, 1.0), st.floats(0, 0.3))
@settings(deadline=None, max_examples=20)
def test_brightness_does_not_matter(contrast, offset):
    """A ratio of energies: only how many blocks have texture at all changes a little."""
    plane = blurred(luma(photograph("astronaut")), 2)
    changed = (plane * contrast * 0.7 + offset).astype(np.float32)
    assert unsharp_fraction(changed) == pytest.approx(unsharp_fraction(plane), abs=0.06)
