"""Stereo base against published worked examples and hand-computed values."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import NearpairError
from nearpair.optics import base, lens


# General form of Bercovitz (1998), worked by hand (deviation, far, near, focal length)
@pytest.mark.parametrize(
    ("deviation_mm", "far_mm", "near_mm", "focal_mm", "base_mm"),
    [
        (1.2, math.inf, 2000, 35, 67.971),
        (1.2, math.inf, 1500, 50, 35.4),
        (1.2, math.inf, 2100, 35, 71.4),
        (1.2, 400, 300, 50, 24.6),
        (1.2, 400, 300, 100, 10.2),
        (1.2, 1118, 838, 50, 76.113),
        (1.2, 210, 200, 100, 25.8),
        (1.2, 220, 200, 60, 31.4),
        (1.2, 110, 100, 50, 13.8),
    ],
)
def test_general_formula(deviation_mm, far_mm, near_mm, focal_mm, base_mm):
    assert base.base_for_deviation_mm(deviation_mm, near_mm, far_mm, focal_mm) == pytest.approx(
        base_mm, abs=6e-4
    )


# A. Modla, "3D Stereo Base Calculations" (web log): 50 mm lens, near 838 mm, far 1118 mm. With the far point
# taken as twice the near one he gets 38.4 mm, with the rule of one thirtieth 28 mm
def test_published_worked_example():
    assert base.base_for_deviation_mm(1.2, 838, 2 * 838, 50) == pytest.approx(38.4, abs=0.05)
    assert base.base_thirtieth_mm(838) == pytest.approx(28, abs=0.1)


def test_one_thirtieth_by_hand():
    assert base.base_thirtieth_mm(2133) == pytest.approx(71.1)
    assert base.customary_deviation_mm(36) == pytest.approx(1.2)
    assert base.customary_deviation_mm(23.5) == pytest.approx(0.783, abs=6e-4)
    assert base.customary_deviation_mm(17.3) == pytest.approx(0.577, abs=6e-4)


@given(st.floats(20, 200), st.floats(1.1, 20), st.floats(1.01, 50), st.floats(0.1, 3))
@settings(deadline=None)
def test_the_general_base_gives_exactly_the_deviation_asked_for(
    focal_mm, near_by_focal, far_by_near, deviation_mm
):
    """Identity of Bercovitz' form: lens focused on the harmonic mean of near and far."""
    near_mm = focal_mm * near_by_focal
    far_mm = near_mm * far_by_near
    base_mm = base.base_for_deviation_mm(deviation_mm, near_mm, far_mm, focal_mm)
    focus_mm = 2 * near_mm * far_mm / (near_mm + far_mm)
    image_mm = lens.image_distance_mm(focal_mm, lens.magnification_at(focal_mm, focus_mm))
    assert base.deviation_on_sensor_mm(base_mm, near_mm, far_mm, image_mm) == pytest.approx(
        deviation_mm, rel=1e-9
    )


# A. Klooswyk, Photo-3D list, 27 October 1999: form b = d·(an·af)/(af - an)·(1/f - 1/a) with d 3.3, near
# 100, far 110,
# focal length 50 asks for 36.3 mm at life size, where the field is 36 mm wide: two different halves
def test_published_counter_example_has_no_overlap():
    focus_mm = 100.0
    image_mm = lens.image_distance_mm(50, lens.magnification_at(50, focus_mm))
    base_mm = 36.3
    assert base.deviation_on_sensor_mm(base_mm, 100, 110, image_mm) == pytest.approx(3.3, abs=5e-4)
    shared = base.overlap(base_mm, 1, 36)
    assert not shared
    assert shared.fraction == 0
    assert shared.missing_mm == pytest.approx(0.3)
    assert "0.3 mm or more too large" in shared.reason


# worked by hand: 1 - B·m/W
@pytest.mark.parametrize(
    ("base_mm", "m", "width_mm", "fraction"),
    [(3, 1, 36, 11 / 12), (4.5, 2, 36, 0.75), (12, 0.5, 24, 0.75), (36, 1, 36, 0)],
)
def test_overlap(base_mm, m, width_mm, fraction):
    shared = base.overlap(base_mm, m, width_mm)
    assert shared.fraction == pytest.approx(fraction)
    assert bool(shared) == (fraction > 0)
    assert (shared.reason == "") == (fraction > 0)


# B = P·(N + T)/(m·T), worked by hand
@pytest.mark.parametrize(
    ("m", "near_mm", "depth_mm", "base_mm"),
    [(1, 200, 5, 49.2), (2, 90, 2, 27.6), (0.5, 180, 20, 24.0), (5, 24, 0.5, 11.76)],
)
def test_base_from_magnification(m, near_mm, depth_mm, base_mm):
    assert base.base_close_up_mm(1.2, near_mm, depth_mm, m) == pytest.approx(base_mm)
    # the near plane's magnification over its distance is the image distance's: v = m·N
    given_back = base.deviation_on_sensor_mm(base_mm, near_mm, near_mm + depth_mm, m * near_mm)
    assert given_back == pytest.approx(1.2)


# N·e/V worked by hand (eyes 63 mm, viewed from 600 mm)
@pytest.mark.parametrize(("near_mm", "base_mm"), [(200, 21.0), (100, 10.5), (90, 9.45)])
def test_base_for_round_things(near_mm, base_mm):
    assert base.roundness_base_mm(near_mm, 600) == pytest.approx(base_mm)
    assert base.convergence_deg(base_mm, near_mm) == pytest.approx(6.01, abs=6e-3)


# 2·atan(B/2D), worked by hand
@pytest.mark.parametrize(
    ("base_mm", "distance_mm", "angle_deg"),
    [(3, 90, 1.910), (5, 100, 2.864), (10, 200, 2.864), (65, 600, 6.201)],
)
def test_convergence(base_mm, distance_mm, angle_deg):
    assert base.convergence_deg(base_mm, distance_mm) == pytest.approx(angle_deg, abs=6e-4)


# 1/30 of a picture's width, seen from k widths away: worked by hand
@pytest.mark.parametrize(("k", "angle_deg"), [(1, 1.909), (1.2, 1.591), (1.5, 1.273), (2, 0.955)])
def test_one_thirtieth_of_the_picture_as_an_angle(k, angle_deg):
    assert base.convergence_deg(1 / 30, k) == pytest.approx(angle_deg, abs=1.1e-3)


@given(st.floats(0.5, 60), st.floats(20, 2000), st.floats(20, 400))
@settings(deadline=None)
def test_base_over_distance_is_what_a_pinhole_pair_was_shot_with(base_mm, distance_mm, image_mm):
    """Two pinholes with parallel axes: x = v·X/D before each; pixels of 0.005 mm."""
    pixel_mm = 0.005
    left_px = image_mm * (7 + base_mm / 2) / distance_mm / pixel_mm
    right_px = image_mm * (7 - base_mm / 2) / distance_mm / pixel_mm
    ratio = base.base_over_distance(left_px - right_px, image_mm / pixel_mm)
    assert ratio == pytest.approx(base_mm / distance_mm, rel=1e-6)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: base.base_for_deviation_mm(0, 100, 110, 50), "deviation_mm must be"),
        (
            lambda: base.base_for_deviation_mm(1.2, 110, 110, 50),
            r"far_mm must be above near_mm \(110 mm\), found 110",
        ),
        (lambda: base.base_for_deviation_mm(1.2, 100, math.nan, 50), "far_mm must be above"),
        (
            lambda: base.base_for_deviation_mm(1.2, 40, 45, 50),
            "beyond the focal length of 50 mm, found 40 and 45",
        ),
        (lambda: base.base_close_up_mm(1.2, 100, 0, 1), "depth_mm must be"),
        (lambda: base.base_thirtieth_mm(-1), "near_mm must be"),
        (lambda: base.customary_deviation_mm(0), "sensor_width_mm must be"),
        (lambda: base.roundness_base_mm(100, 0), "viewing_distance_mm must be"),
        (lambda: base.deviation_on_sensor_mm(5, 100, 90, 100), "far_mm must be above"),
        (lambda: base.overlap(5, 0, 36), "magnification must be"),
        (lambda: base.convergence_deg(5, 0), "distance_mm must be"),
        (lambda: base.base_over_distance(-3, 20_000), "disparity_px must be"),
    ],
)
def test_impossible_values_are_named(call, message):
    with pytest.raises(NearpairError, match=message):
        call()


# Toe-in, corner of 36 x 24 mm, worked by hand (image distance, convergence): mm on the sensor
@pytest.mark.parametrize(
    ("image_mm", "degrees", "keystone_mm"),
    [(100, 2, 0.0754), (100, 3.4, 0.1282), (150, 6, 0.1509), (200, 3, 0.0565)],
)
def test_keystone_of_cameras_turned_in(image_mm, degrees, keystone_mm):
    assert base.toe_in_keystone_mm(18, 12, degrees, image_mm) == pytest.approx(keystone_mm, abs=1e-4)
    assert base.toe_in_keystone_mm(-18, 12, degrees, image_mm) == pytest.approx(-keystone_mm, abs=1e-4)


@given(st.floats(0.005, 0.1), st.floats(50, 2000), st.floats(1.02, 20))
@settings(deadline=None)
def test_the_base_in_the_frame_gives_its_share_of_what_is_left(share, near_mm, far_by_near):
    image_mm, width_mm = 60.0, 36.0
    per_base = base.deviation_on_sensor_mm(1.0, near_mm, near_mm * far_by_near, image_mm)
    found = base.base_in_frame_mm(share, per_base, image_mm / near_mm, width_mm)
    left_mm = width_mm - found * image_mm / near_mm
    assert found * per_base / left_mm == pytest.approx(share)


def test_close_up_and_general_base_agree_at_distance():
    """The close-up form tends to the classical one: far things, focused on the near plane, v -> f."""
    near_mm, focal_mm = 20_000.0, 50.0
    magnification = lens.magnification_at(focal_mm, near_mm)
    close = base.base_close_up_mm(1.2, near_mm, 80_000, magnification)
    assert close == pytest.approx(base.base_for_deviation_mm(1.2, near_mm, 100_000, focal_mm), rel=0.002)


@pytest.mark.parametrize("rate", [0.1, 0.05])
def test_close_up_depth_tends_to_the_classical_one(rate):
    """Far below the hyperfocal distance both agree; the difference shrinks with the square of the ratio."""
    focal_mm, number, blur = 50.0, 8.0, 0.03
    distance = rate * lens.hyperfocal_mm(focal_mm, number, blur)
    magnification = lens.magnification_at(focal_mm, distance)
    exact = lens.depth_of_field(focal_mm, magnification, number, blur).total_mm
    assert exact == pytest.approx(lens.close_up_depth_mm(number, blur, magnification), rel=1.1 * rate**2)
