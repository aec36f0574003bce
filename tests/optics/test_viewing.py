"""Viewing geometry and comfort limits."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import NearpairError
from nearpair.optics import sources, viewing
from nearpair.optics.viewing import Viewing

viewings = st.builds(Viewing, st.floats(50, 5000), st.floats(200, 10_000), st.floats(40, 80))


# Elementary geometry Z = V·e/(e - p), worked by hand
@pytest.mark.parametrize(
    ("distance_mm", "eyes_mm", "parallax_mm", "expected_mm"),
    [
        (600, 65, -10, 520.000),
        (600, 65, 0, 600.0),
        (600, 65, 10, 709.091),
        (600, 65, 32.5, 1200.0),
        (600, 63.36, 20, 876.753),
        (2000, 65, -65, 1000.0),
        (2000, 65, 40, 5200.0),
        (600, 65, 64, 39000.0),
    ],
)
def test_perceived_distance(distance_mm, eyes_mm, parallax_mm, expected_mm):
    view = Viewing(600, distance_mm, eyes_mm)
    assert viewing.perceived_distance_mm(view, parallax_mm) == pytest.approx(expected_mm, abs=6e-4)


@pytest.mark.parametrize("parallax_mm", [65, 65.001, 200])
def test_parallax_as_wide_as_the_eyes_is_seen_at_infinity(parallax_mm):
    assert viewing.perceived_distance_mm(Viewing(eyes_mm=65), parallax_mm) == math.inf


# Small-angle values V·tan(1 degree), worked by hand; the exact angle differs by the stated part
@pytest.mark.parametrize(
    ("distance_mm", "one_degree_mm"),
    [
        (300, 5.24),
        (400, 6.98),
        (500, 8.73),
        (600, 10.47),
        (700, 12.22),
        (1000, 17.46),
        (2000, 34.91),
        (3000, 52.37),
    ],
)
def test_one_degree_on_the_screen_is_near_the_small_angle_value(distance_mm, one_degree_mm):
    limits = viewing.one_degree_limits(Viewing(600, distance_mm, 65))
    assert limits.far_mm == pytest.approx(one_degree_mm, rel=0.013)
    assert limits.near_mm == pytest.approx(-one_degree_mm, rel=0.013)
    assert (limits.near_arcmin, limits.far_arcmin) == (pytest.approx(-60), pytest.approx(60))


# Exact arctangent form, computed independently (uncrossed / crossed, eyes 65 mm)
@pytest.mark.parametrize(("distance_mm", "far_mm", "near_mm"), [(600, 10.498, -10.508), (300, 5.293, -5.303)])
def test_one_degree_exactly(distance_mm, far_mm, near_mm):
    limits = viewing.one_degree_limits(Viewing(600, distance_mm, 65))
    assert limits.far_mm == pytest.approx(far_mm, abs=6e-4)
    assert limits.near_mm == pytest.approx(near_mm, abs=6e-4)
    assert "Lambooij" in limits.source


# Size of one pixel in arcmin, worked by hand (screen width, pixels across, distance)
@pytest.mark.parametrize(
    ("width_mm", "width_px", "distance_mm", "expected_arcmin"),
    [(600, 3840, 600, 0.895), (530, 1920, 600, 1.582), (1200, 3840, 2500, 0.430)],
)
def test_angle_of_one_pixel(width_mm, width_px, distance_mm, expected_arcmin):
    view = Viewing(width_mm, distance_mm)
    for sign in (-1, 1):
        angle = viewing.px_to_arcmin(view, sign, width_px)
        assert angle == pytest.approx(sign * expected_arcmin, rel=4e-3)


# Three per cent of the picture's width in arcmin, worked by hand (small angle: the exact one is within 1.5 %)
@pytest.mark.parametrize(
    ("width_mm", "distance_mm", "expected_arcmin"),
    [(300, 500, 61.9), (530, 600, 91.1), (600, 700, 88.4), (1020, 2000, 52.6), (1200, 2500, 49.5)],
)
def test_per_cent_of_the_width_as_an_angle(width_mm, distance_mm, expected_arcmin):
    angle = viewing.px_to_arcmin(Viewing(width_mm, distance_mm), 30, 1000)
    assert angle == pytest.approx(expected_arcmin, rel=0.015)


# Shibata, Kim, Hoffman & Banks (2011): its four numbers from memory, the table derived, eyes 63.5 mm
@pytest.mark.parametrize(
    ("distance_m", "near_m", "far_m", "near_mm", "far_mm", "near_deg", "far_deg"),
    [
        (0.25, 0.2237, 0.3173, -7.45, 13.47, 1.68, 3.05),
        (0.40, 0.3311, 0.5486, -13.22, 17.20, 1.88, 2.45),
        (0.50, 0.3941, 0.7246, -17.06, 19.69, 1.94, 2.25),
        (0.60, 0.4514, 0.9219, -20.90, 22.17, 1.99, 2.11),
        (1.0, 0.6365, 2.0233, -36.26, 32.12, 2.07, 1.84),
        (2.0, 0.9192, 19.47, -74.67, 56.98, 2.14, 1.63),
    ],
)
def test_zone_of_comfort(distance_m, near_m, far_m, near_mm, far_mm, near_deg, far_deg):
    view = Viewing(600, 1000 * distance_m, 63.5)
    limits = viewing.zone_of_comfort_limits(view)
    assert limits.near_mm == pytest.approx(near_mm, abs=0.006)
    assert limits.far_mm == pytest.approx(far_mm, abs=0.006)
    assert viewing.perceived_distance_mm(view, limits.near_mm) == pytest.approx(1000 * near_m, abs=0.06)
    assert viewing.perceived_distance_mm(view, limits.far_mm) == pytest.approx(1000 * far_m, rel=3e-4)
    assert limits.near_arcmin / 60 == pytest.approx(-near_deg, abs=0.006)
    assert limits.far_arcmin / 60 == pytest.approx(far_deg, abs=0.006)
    assert "from memory" in limits.source


def test_zone_of_comfort_ends_at_parallel_lines_of_sight():
    # same derived table, 3 m: 81.84 mm behind, which eyes 63.5 mm apart cannot follow
    limits = viewing.zone_of_comfort_limits(Viewing(600, 3000, 63.5))
    assert limits.near_mm == pytest.approx(-113.1, abs=0.06)
    assert limits.far_mm == 63.5


@given(viewings)
@settings(deadline=None)
def test_the_zones_margins_in_dioptres_move_as_the_abstract_says(view):
    """Far screens: less room behind; near screens: less room in front (Shibata et al. 2011, abstract)."""
    farther = Viewing(view.screen_width_mm, 1.5 * view.distance_mm, view.eyes_mm)
    margins = [_margins_dpt(each) for each in (view, farther)]
    assert margins[1][0] > margins[0][0]
    assert margins[1][1] < margins[0][1] + 1e-9


def _margins_dpt(view):
    limits = viewing.zone_of_comfort_limits(view)
    focus_dpt = 1000 / view.distance_mm
    return (
        viewing.vergence_dpt(view, limits.near_mm) - focus_dpt,
        focus_dpt - viewing.vergence_dpt(view, limits.far_mm),
    )


# Smallest pupil distances: Dodgson (2004)
@pytest.mark.parametrize(("narrowest_mm", "eyes_mm", "far_mm"), [(50, 63, 50), (40, 63, 40), (50, 45, 45)])
def test_far_points_stay_closer_than_the_narrowest_eyes(narrowest_mm, eyes_mm, far_mm):
    limits = viewing.divergence_limits(Viewing(eyes_mm=eyes_mm), narrowest_mm)
    assert limits.far_mm == far_mm
    assert limits.near_mm == limits.near_arcmin == -math.inf
    assert limits.allow(-1e9, far_mm)
    assert not limits.allow(-1, far_mm + 0.01)


def test_no_divergence_without_an_argument_spares_adults():
    assert viewing.divergence_limits(Viewing()).far_mm == sources.EYES_SMALLEST_ADULT_MM.value == 50


@given(viewings, st.floats(-200, 60))
@settings(deadline=None)
def test_angles_and_lengths_are_inverse(view, parallax_mm):
    angle = viewing.mm_to_arcmin(view, parallax_mm)
    assert viewing.arcmin_to_mm(view, angle) == pytest.approx(parallax_mm, abs=1e-6)
    assert math.copysign(1, angle) == math.copysign(1, parallax_mm) or abs(parallax_mm) < 1e-9


@given(viewings, st.floats(-500, 500), st.integers(100, 10_000))
@settings(deadline=None)
def test_pixels_and_lengths_are_inverse(view, parallax_px, width_px):
    length_mm = viewing.px_to_mm(view, parallax_px, width_px)
    assert viewing.mm_to_px(view, length_mm, width_px) == pytest.approx(parallax_px, abs=1e-9)


def test_pixels_to_mm():
    # by hand: 32 px of 3840 px on 600 mm
    assert viewing.px_to_mm(Viewing(600), -32, 3840) == pytest.approx(-5.0)


# By hand: from 500 mm, focus and window at 2 dioptres; half the pupil distance behind halves it
@pytest.mark.parametrize(("parallax_mm", "expected_dpt"), [(0, 2), (30, 1), (60, 0), (90, -1), (-30, 3)])
def test_vergence_in_dioptres(parallax_mm, expected_dpt):
    assert viewing.vergence_dpt(Viewing(600, 500, 60), parallax_mm) == pytest.approx(expected_dpt)


@given(viewings)
@settings(deadline=None)
def test_every_rule_allows_a_picture_in_the_window_and_refuses_diverging_eyes(view):
    for rule in viewing.COMFORT_RULES.values():
        limits = rule(view)
        assert limits.allow(0, 0)
        assert not limits.allow(0, view.eyes_mm + 0.01)
        assert limits.far_arcmin == pytest.approx(viewing.mm_to_arcmin(view, limits.far_mm))


def test_default_viewing_is_a_desk():
    view = Viewing()
    assert (view.screen_width_mm, view.distance_mm, view.eyes_mm) == (600, 600, 63)


@pytest.mark.parametrize(
    ("parameter", "value", "expected"),
    [
        ("screen_width_mm", 0, "between 1 and 1e.06 mm, found 0"),
        ("distance_mm", -600, "between 10 and 1e.06 mm, found -600"),
        ("distance_mm", math.nan, "found nan"),
        ("screen_width_mm", math.inf, "found inf"),
        ("eyes_mm", 6.3, "between 40 and 80 mm, found 6.3"),
        ("eyes_mm", math.nan, "between 40 and 80 mm, found nan"),
    ],
)
def test_impossible_viewing_conditions_are_named(parameter, value, expected):
    with pytest.raises(NearpairError, match=f"{parameter} must .*{expected}"):
        Viewing(**{parameter: value})


def test_width_in_pixels_and_angles_are_checked():
    with pytest.raises(NearpairError, match="width_px must be a finite number above 0 px"):
        viewing.px_to_mm(Viewing(), 3, 0)
    with pytest.raises(NearpairError, match="width_px"):
        viewing.mm_to_px(Viewing(), 3, -1)
    with pytest.raises(NearpairError, match="an angle the eyes can turn through, found -11000"):
        viewing.arcmin_to_mm(Viewing(), -11000)
    with pytest.raises(NearpairError, match="narrowest_eyes_mm"):
        viewing.divergence_limits(Viewing(), 0)


def test_far_points_never_lie_beyond_parallel_eyes():
    """Shibata's zone reaches 57 mm behind a screen at 2 m (derived); adults' eyes may be 50 mm apart."""
    seen = viewing.Viewing(1200, 2000, 63.5)
    assert viewing.zone_of_comfort_limits(seen).far_mm == pytest.approx(56.98, abs=0.02)
    limits = viewing.comfortable_limits(seen, "zone-of-comfort")
    assert limits.far_mm == 50
    assert limits.near_mm == pytest.approx(-74.67, abs=0.02)
    assert viewing.comfortable_limits(seen, "one-degree") == viewing.one_degree_limits(seen)


def test_unknown_rules_of_comfort_are_refused():
    with pytest.raises(NearpairError, match="rule must be one of one-degree"):
        viewing.comfortable_limits(viewing.Viewing(), "none")
