"""Requests that the tests of the plan share: a macro lens before a mineral, and others."""

import pytest

from nearpair.plan.request import Camera, Request, Subject


@pytest.fixture
def camera():
    return Camera(36, 24, 100, width_px=6000)


@pytest.fixture
def mineral(camera):
    """A crystal 20 mm deep, at half life size."""
    return Request(camera, Subject(depth_mm=20, magnification=0.5))
