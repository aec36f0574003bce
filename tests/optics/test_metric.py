import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import NearpairError
from nearpair.optics.base import base_over_distance, deviation_on_sensor_mm
from nearpair.optics.lens import rail_scale
from nearpair.optics.metric import (
    bar_mm,
    distance_from_disparity_mm,
    distance_from_rail_mm,
    mm_per_px,
    pixel_um,
    rail_change,
    sensor_diagonal_mm,
)

lengths = st.floats(1, 1000)


def test_distance_is_what_the_ray_traced_shells_say():
    """truth.json of the shared scene p3_shells: base 8 mm, v 7437.5 px; nearest and farthest point."""
    disparity = np.array([253.34309094537954, 233.9784946236559, np.nan, 0.0, -3.0], np.float32)
    found = distance_from_disparity_mm(disparity, 8.0, 7437.5)
    assert found[:2] == pytest.approx([234.859375, 254.296875], rel=1e-6)
    assert np.isnan(found[2:]).all()


@given(base=st.floats(1, 100), near=lengths, far=lengths, v=st.floats(500, 20000))
@settings(deadline=None)
def test_distances_agree_with_the_deviation_that_a_base_gives(base, near, far, v):
    """Image distance v px, pixels of 1 mm: disparities differ by the deviation ."""
    near, far = sorted((near, far + 1001))
    disparity = np.array([base * v / near, base * v / far], np.float32)
    assert distance_from_disparity_mm(disparity, base, v) == pytest.approx([near, far], rel=1e-5)
    assert disparity[0] - disparity[1] == pytest.approx(deviation_on_sensor_mm(base, near, far, v), rel=1e-2)
    assert base_over_distance(float(disparity[0]), v) == pytest.approx(base / near, rel=1e-5)


@given(u=st.floats(20, 2000), share=st.floats(1e-4, 0.1))
@settings(deadline=None)
def test_a_rail_stack_tells_its_distance(u, share):
    """The scale of a plane on a rail is u/(u - dz): shared check values, section 7.7."""
    step = share * u
    scale = 1 / rail_scale(u + step / 2, step)  # the plane half way, from far to near
    assert distance_from_rail_mm(step, rail_change(scale)) == pytest.approx(u, rel=1e-9)


def test_scale_of_a_step_of_one_mm_at_200_mm():
    """Shared check values, section 7.7: a plane at 200 mm becomes 1.005025 times as large by 1 mm."""
    assert distance_from_rail_mm(1.0, rail_change(1 / 1.005025)) == pytest.approx(199.5, abs=0.01)


@pytest.mark.parametrize(
    ("focal", "equivalent", "diagonal"),
    [
        (60.0, 90.0, 28.8),  # an equivalent 1.5 times as long: 43.27/1.5
        (105.0, 105.0, 43.27),  # 36 x 24 mm itself
        (60.0, 120.0, 21.63),  # 17.3 x 13 mm, common practice
    ],
)
def test_diagonal_of_the_sensor(focal, equivalent, diagonal):
    assert sensor_diagonal_mm(focal, equivalent) == pytest.approx(diagonal, abs=0.05)


def test_size_of_a_pixel_and_of_what_it_shows():
    assert pixel_um(36.0, 1500) == pytest.approx(24.0)
    # life size 0.7, 105 mm: v = 178.5 mm, u = 255 mm (thin lens, lens.image_distance_mm)
    assert mm_per_px(255.0, 178.5 / 0.024) == pytest.approx(0.024 / 0.7)


@given(scale=st.floats(1e-5, 10), width=st.integers(100, 20000))
@settings(deadline=None)
def test_a_bar_is_round_and_neither_short_nor_long(scale, width):
    bar = bar_mm(scale, width)
    assert 0.099 <= bar / (scale * width) <= 0.2500001
    assert bar / 10 ** math.floor(math.log10(bar) + 1e-9) == pytest.approx(1, abs=1e-6) or round(
        bar / 10 ** math.floor(math.log10(bar) + 1e-9)
    ) in (2, 5)


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.nan, math.inf])
def test_impossible_numbers_are_named(wrong):
    for call in (
        lambda: distance_from_rail_mm(wrong, 0.004),
        lambda: distance_from_disparity_mm(np.ones((1, 1), np.float32), wrong, 100.0),
        lambda: bar_mm(wrong, 100),
    ):
        with pytest.raises(NearpairError, match="found"):
            call()
