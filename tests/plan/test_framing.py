"""Framing from whichever of size and distance is known, and what no lens does."""

import math

import pytest

from nearpair.errors import NearpairError
from nearpair.plan.formats import sensor_from_diagonal, sensor_size_mm
from nearpair.plan.framing import framed
from nearpair.plan.request import Camera, Subject

CAMERA = Camera(36, 24, 100)


# thin lens of 100 mm at half life size: 300 mm from the subject, field 72 mm wide
@pytest.mark.parametrize(
    "subject",
    [
        Subject(depth_mm=20, magnification=0.5),
        Subject(depth_mm=20, field_width_mm=72),
        Subject(depth_mm=20, working_distance_mm=300),
    ],
)
def test_every_way_of_saying_it_gives_the_same(subject):
    found = framed(CAMERA, subject)
    assert found.magnification == pytest.approx(0.5)
    assert found.distance_mm == pytest.approx(300)
    assert 2 / (1 / found.near_mm + 1 / found.far_mm) == pytest.approx(300)  # harmonic mean
    assert found.far_mm - found.near_mm == pytest.approx(20)


def test_limits_give_it_too():
    by_size = framed(CAMERA, Subject(depth_mm=20, magnification=0.5))
    by_limits = framed(CAMERA, Subject(near_mm=by_size.near_mm, far_mm=by_size.far_mm))
    assert by_limits.magnification == pytest.approx(0.5)


def test_a_landscape_is_focused_at_twice_its_nearest_distance():
    found = framed(Camera(36, 24, 50), Subject(near_mm=3000, far_mm=math.inf))
    assert found.distance_mm == pytest.approx(6000)
    assert math.isinf(found.depth_mm)


def test_nearer_than_the_lens_allows_is_refused_with_what_works():
    with pytest.raises(NearpairError, match=r"focuses nothing nearer than 100 mm.*200 mm gives life size"):
        framed(CAMERA, Subject(depth_mm=5, working_distance_mm=95))
    limited = Camera(36, 24, 100, largest_magnification=1.0)
    with pytest.raises(NearpairError, match=r"--working-distance 200, which shows a field 36 mm wide"):
        framed(limited, Subject(depth_mm=5, magnification=2))
    framed(limited, Subject(depth_mm=5, working_distance_mm=200))  # what it proposes works


@pytest.mark.parametrize(
    ("subject", "said"),
    [
        (Subject(depth_mm=5), "found 0"),
        (Subject(depth_mm=5, magnification=1, field_width_mm=36), "found 2"),
        (Subject(magnification=1), "needs the depth"),
        (Subject(near_mm=200), "how deep"),
    ],
)
def test_too_little_or_too_much_is_refused(subject, said):
    with pytest.raises(NearpairError, match=said):
        framed(CAMERA, subject)


def test_crossed_limits_are_refused():
    with pytest.raises(NearpairError, match="beyond the near one"):
        Subject(near_mm=200, far_mm=150)
    with pytest.raises(NearpairError, match="at least the depth"):
        Subject(depth_mm=5, deepest_mm=4)


# Customary sensor sizes: common practice, no source
@pytest.mark.parametrize(
    ("name", "size"),
    [
        ("full-frame", (36, 24)),
        ("APS-C", (23.5, 15.6)),
        ("22.3x14.9", (22.3, 14.9)),
        ("14.9 x 22.3", (22.3, 14.9)),
    ],
)
def test_sensors_by_name_or_size(name, size):
    assert sensor_size_mm(name) == size


@pytest.mark.parametrize("name", ["", "tiny", "0x0", "1.2.3x4", "36x", "1e9x3"])
def test_other_sensors_are_refused(name):
    with pytest.raises(NearpairError, match="sensor must be full-frame"):
        sensor_size_mm(name)


def test_a_diagonal_gives_the_sensor_of_a_frame():
    assert sensor_from_diagonal(math.hypot(36, 24), (4000, 6000)) == pytest.approx((36, 24))
    assert sensor_from_diagonal(math.hypot(36, 24), (6000, 4000)) == pytest.approx((36, 24))
