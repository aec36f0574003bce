"""Blur at the final size, and diffraction against defocus, by hand and by search."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import NearpairError
from nearpair.optics import lens, sharpness
from nearpair.optics.viewing import Viewing


def test_a_picture_seen_from_its_diagonal_gives_the_customary_blur():
    """1/1500 of the diagonal: 0.0288 mm on 36 x 24 (common practice, no source)."""
    seen = Viewing(screen_width_mm=360, distance_mm=10 * math.hypot(36, 24))
    assert sharpness.seen_blur_mm(36, seen) == pytest.approx(0.0288, abs=5e-5)
    assert sharpness.seen_blur_mm(36, seen) == pytest.approx(lens.blur_limit_mm(36, 24))


def test_twice_as_wide_a_print_allows_half_the_blur():
    narrow, wide = Viewing(300, 600), Viewing(600, 600)
    assert sharpness.seen_blur_mm(36, narrow) == 2 * sharpness.seen_blur_mm(36, wide)
    assert sharpness.seen_blur_mm(36, wide) == pytest.approx(0.024)


def test_total_blur_by_hand():
    """Best single-frame f-number for 2 mm at life size, 13.65: 0.03663 mm each, 0.0518 together.

    Source: the large-format rule of Hansma and Conrad, from memory; worked with 2.44 x 0.55 um.
    """
    number = lens.f_number_for_depth(2, 1)
    assert number == pytest.approx(13.65, abs=0.005)
    airy_mm = lens.airy_um(2 * number) / 1000
    assert airy_mm == pytest.approx(0.03663, abs=2e-5)
    assert sharpness.total_blur_mm(airy_mm, 2 * number) == pytest.approx(0.05181, abs=2e-5)


def test_what_diffraction_leaves_by_hand():
    """Airy disc 0.018 of 0.030 mm leaves 0.024 mm (3-4-5 triangle)."""
    number = 18 / lens.airy_um(1)
    assert sharpness.defocus_left_mm(0.030, number) == pytest.approx(0.024)


def test_past_diffraction_nothing_is_left_and_the_limit_is_named():
    limit = 30 / lens.airy_um(1)  # f/22.35, the published limit for 0.03 mm
    assert limit == pytest.approx(22.35, abs=0.01)
    with pytest.raises(NearpairError, match=r"Stay below an effective f/22\.4"):
        sharpness.defocus_left_mm(0.030, 25)


@given(st.floats(0.005, 0.04), st.floats(0.05, 5), st.floats(0.3, 2))
@settings(deadline=None)
def test_no_other_f_number_gives_more_depth_of_field(blur_mm, magnification, pupil_ratio):
    def depth(number):
        effective = lens.effective_f_number(number, magnification, pupil_ratio)
        return effective * sharpness.defocus_left_mm(blur_mm, effective)

    best = sharpness.balanced_f_number(blur_mm, magnification, pupil_ratio)
    assert depth(best) > max(depth(best * 0.9), depth(best * 1.1))


@pytest.mark.parametrize(("found", "expected"), [(8.0, 8.0), (7.9, 7.127), (11.3, 10.08), (11.32, 11.314)])
def test_thirds_of_a_stop(found, expected):
    assert sharpness.third_stop_below(found) == pytest.approx(expected, abs=1e-3)
