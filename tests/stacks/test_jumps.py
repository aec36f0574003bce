"""The shift between two pictures, against shifts and magnifications made with a general-purpose library."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage import data
from skimage.registration import phase_cross_correlation

from nearpair.errors import FrameError
from nearpair.stacks.jumps import look_at, shift_between

COINS = (
    data.coins()
)  # scikit-image: Greek coins from Pompeii (Brooklyn Museum), 303 x 384, ships with the library


def window(x, y, *, blur=0.5, magnification=1.0, gain=1.0):
    """Return 240 x 160 px of the coins with the content moved by (x, y) from the middle."""
    left, top = 70 - x, 70 - y
    cut = cv2.GaussianBlur(COINS, (0, 0), blur)[top : top + 160, left : left + 240]
    turn = cv2.getRotationMatrix2D((119.5, 79.5), 0, magnification)
    return np.clip(gain * cv2.warpAffine(cut, turn, (240, 160)), 0, 255).astype(np.uint8)


@settings(deadline=None, max_examples=40)
@given(st.integers(-60, 60), st.integers(-30, 30))
def test_shift_is_found(x, y):
    shift = shift_between(look_at(window(0, 0)), look_at(window(x, y)))
    assert (shift.x * 240, shift.y * 240) == pytest.approx((x, y), abs=1.0)
    assert shift.quality > 0.9


def test_agrees_with_another_implementation():
    first, second = window(0, 0), window(-24, 6)
    theirs = phase_cross_correlation(first, second)[0]  # moves the second back onto the first: (row, column)
    ours = shift_between(look_at(first), look_at(second))
    assert (-ours.y * 240, -ours.x * 240) == pytest.approx(tuple(theirs), abs=1.0)


@pytest.mark.parametrize("magnification", [0.9, 1.1])
@pytest.mark.parametrize("blur", [0.5, 4.0])
def test_shift_despite_magnification_blur_and_brightness(magnification, blur):
    second = window(-20, 0, blur=blur, magnification=magnification, gain=0.6)
    shift = shift_between(look_at(window(0, 0)), look_at(second))
    assert shift.x * 240 == pytest.approx(-20 * magnification, abs=2.5)
    assert shift.magnification == pytest.approx(magnification, abs=0.051)


@pytest.mark.parametrize("blur", [1.0, 3.0, 6.0])
def test_defocus_alone_is_no_shift(blur):
    shift = shift_between(look_at(window(0, 0)), look_at(window(0, 0, blur=blur)))
    assert (shift.x, shift.y) == pytest.approx((0, 0), abs=0.005)


def test_other_pictures_do_not_agree():
    other = data.brick()[:160, :240]
    assert shift_between(look_at(window(0, 0)), look_at(other)).quality < 0.45
    assert shift_between(look_at(window(0, 0)), look_at(COINS[:200, :200])).quality == 0


def test_featureless_pictures_are_no_error():
    flat = look_at(np.full((100, 150), 128, np.uint8))
    assert shift_between(flat, flat).x == 0
    assert shift_between(flat, look_at(window(0, 0)[:100, :150])).quality < 0.45


@pytest.mark.parametrize("shape", [(3, 200), (100, 100, 3)])
def test_what_is_no_glance_is_refused(shape):
    with pytest.raises(FrameError, match="at least 16 x 16 px"):
        look_at(np.zeros(shape, np.uint8))


def test_inputs_are_not_changed():
    glance = window(0, 0)
    before = glance.copy()
    first, second = look_at(glance), look_at(window(20, 0, magnification=1.1))
    bands = first.band.copy(), second.band.copy()
    shift_between(first, second)
    assert np.array_equal(glance, before)
    assert np.array_equal(first.band, bands[0])
    assert np.array_equal(second.band, bands[1])
