"""Comfort against the one-degree rule and published check values of viewing geometry."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.optics.viewing import Viewing
from nearpair.proof.comfort import comfort
from nearpair.proof.model import Residual
from nearpair.proof.model_look import Depth, Relief

NOTHING = Relief(
    score=None,
    range_arcmin=None,
    acuity_steps=None,
    jumps=0,
    jump_length_heights=0.0,
    layers=0.0,
    textured_share=0.0,
)
LEVEL = Residual(rms=0.0, p95=0.0)


def _depth(near_px, far_px):
    return Depth(
        near_px=near_px,
        far_px=far_px,
        deviation_px=None,
        deviation_fraction_of_width=None,
        known_share=1.0,
        relief=NOTHING,
    )


def test_one_degree_at_600_mm_is_about_ten_and_a_half_mm_either_side():
    # V·tan 1° at 600 mm = 10.47 mm (elementary geometry); 6000 px over 600 mm: 10 px a mm.
    viewing = Viewing(screen_width_mm=600, distance_mm=600, eyes_mm=65)
    inside = comfort(_depth(-104.0, 104.0), LEVEL, viewing, 6000)
    outside = comfort(_depth(-106.0, 104.0), LEVEL, viewing, 6000)
    assert inside.within
    assert not outside.within
    assert outside.limits["zone-of-comfort"].within  # about twice as wide: Shibata et al. (2011), from memory
    assert inside.near_mm == pytest.approx(-10.4)
    assert inside.near_arcmin == pytest.approx(-59.4, abs=0.2)
    assert inside.far_arcmin == pytest.approx(59.4, abs=0.2)


def test_far_points_wider_than_the_eyes_diverge():
    # A large screen far away: 51 mm behind is under one degree at 4 m, but wider than the narrowest adult
    # eyes, 50 mm (Dodgson 2004).
    viewing = Viewing(screen_width_mm=2000, distance_mm=4000)
    seen = comfort(_depth(0.0, 25.5), LEVEL, viewing, 1000)
    assert seen.limits["one-degree"].within
    assert not seen.limits["no-divergence"].within
    assert not seen.within
    assert seen.largest_screen_width_mm == pytest.approx(2000 * 50 / 51)


def test_vertical_residual_uses_the_pixel_size_of_the_screen():
    # 600 mm over 3840 px seen from 600 mm: a pixel is 0.895 arcmin (elementary geometry).
    seen = comfort(_depth(0.0, 0.0), Residual(rms=1.0, p95=2.0), Viewing(600, 600), 3840)
    assert seen.vertical_rms_arcmin == pytest.approx(0.895, abs=0.01)
    assert seen.vertical_p95_arcmin == pytest.approx(1.79, abs=0.02)


def test_unknown_depth_is_not_within():
    seen = comfort(_depth(None, None), Residual(rms=None, p95=None), Viewing(), 3000)
    assert not seen.within
    assert seen.near_arcmin is None
    assert seen.largest_screen_width_mm is None
    assert seen.vertical_rms_arcmin is None


def test_a_flat_pair_in_the_window_may_be_any_size():
    assert comfort(_depth(0.0, 0.0), LEVEL, Viewing(), 3000).largest_screen_width_mm is None


@settings(deadline=None)
@given(st.floats(-300, 300), st.floats(0, 300), st.floats(200, 3000))
def test_the_largest_width_is_where_comfort_ends(near_px, range_px, distance_mm):
    depth = _depth(near_px, near_px + range_px)
    widest = comfort(depth, LEVEL, Viewing(600, distance_mm), 3000).largest_screen_width_mm
    if widest is None or not 1e-3 < widest < 1e6:
        return
    assert comfort(depth, LEVEL, Viewing(widest * 0.999, distance_mm), 3000).within
    assert not comfort(depth, LEVEL, Viewing(widest * 1.001, distance_mm), 3000).within
