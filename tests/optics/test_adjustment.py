import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.optics import adjustment
from nearpair.optics.adjustment import Estimate, adjust, differs, stated
from nearpair.optics.lens import image_distance_mm, subject_distance_mm

REAL = {
    "base": st.floats(0.5, 80),
    "step": st.floats(0.005, 3),
    "focal": st.floats(20, 200),
    "m": st.floats(0.1, 5),
    "pixel": st.floats(1, 30),
}


def lengths(base, step, focal, m, pixel):
    """Distance of the plane of focus, mm/px in it, disparity there: thin lens, parallel axes."""
    u, v_px = subject_distance_mm(focal, m), image_distance_mm(focal, m) / pixel * 1000
    return u, u / v_px, base * v_px / u


def check(adjusted, base, step, u, g):
    for name, true in {"base": base, "step": step, "distance": u, "scale": g}.items():
        found = adjusted.named(name)
        assert found.is_known
        assert found.value == pytest.approx(true, rel=0.02)


@given(**REAL)
@settings(deadline=None)
def test_step_and_lens_give_everything(base, step, focal, m, pixel):
    u, g, d = lengths(base, step, focal, m, pixel)
    said = [
        stated("step", step, 0.001),
        adjustment.from_rail(step / u, 0.001),
        adjustment.from_disparity(d, 0.001),
        adjustment.from_lens(focal, pixel, 0.001),
        stated("scale", g, 0.01),
    ]
    check(adjust(said), base, step, u, g)


@given(**REAL)
@settings(deadline=None)
def test_base_and_lens_give_everything_also_with_a_focus_ring(base, step, focal, m, pixel):
    u, g, d = lengths(base, step, focal, m, pixel)
    said = [
        stated("base", base, 0.001),
        adjustment.from_disparity(d, 0.001),
        adjustment.from_lens(focal, pixel, 0.001),
        adjustment.from_course(d * step / u, 0.001),
    ]
    check(adjust(said), base, step, u, g)


def test_what_nothing_ties_down_is_not_known():
    found = adjust([stated("base", 8.0, 0.01), adjustment.from_rail(0.004, 0.005)])
    assert found.named("base").is_known
    assert not any(found.named(name).is_known for name in ("step", "distance", "scale"))


def test_errors_add_like_independent_errors():
    """Relative errors of a product: root of the sum of squares."""
    found = adjust([stated("step", 1.0, 0.03), adjustment.from_rail(0.004, 0.04)]).named("distance")
    assert found.value == pytest.approx(250.0, rel=1e-4)
    assert found.sigma == pytest.approx(0.05, rel=1e-3)


def test_equal_witnesses_meet_half_way():
    found = adjust([stated("base", 6.0, 0.01), stated("base", 6.2, 0.01)]).named("base")
    assert found.value == pytest.approx(math.sqrt(6.0 * 6.2), rel=1e-4)
    assert found.sigma == pytest.approx(0.01 / math.sqrt(2), rel=1e-3)


@pytest.mark.parametrize(("other", "expected"), [(6.1, False), (6.5, True)])
def test_differences_within_their_uncertainty_are_none(other, expected):
    assert differs(Estimate(6.0, 0.01), Estimate(other, 0.01)) is expected
