"""What measuring takes beside the pictures themselves: large frames must fit into the memory of a laptop."""

import tracemalloc

import numpy as np
import pytest

from nearpair.frames.profiles import to_srgb_codes
from nearpair.optics.viewing import Viewing
from nearpair.proof.depth import depth
from nearpair.proof.seen import histogram
from nearpair.proof.sharpness import sharpness

SIZE = (2000, 4000)
VIEWING = Viewing(screen_width_mm=600.0, distance_mm=600.0, eyes_mm=63.0)


@pytest.fixture(scope="module")
def picture():
    return np.random.default_rng(1).integers(0, 256, (*SIZE, 3), np.uint8)


@pytest.fixture(scope="module")
def parallax():
    return np.linspace(-3, 20, SIZE[0] * SIZE[1], dtype=np.float32).reshape(SIZE)


def bytes_a_pixel(work):
    """At most held while `work` runs, over what was held before."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1] / (SIZE[0] * SIZE[1])
    finally:
        tracemalloc.stop()


def test_detail_of_both_views(picture, parallax):
    assert bytes_a_pixel(lambda: sharpness(picture, picture, parallax)) < 6


def test_how_parallax_is_spread(parallax):
    assert bytes_a_pixel(lambda: histogram(parallax, VIEWING)) < 10


def test_how_deep_it_is(picture, parallax):
    assert bytes_a_pixel(lambda: depth(parallax, picture, VIEWING)) < 12


def test_pictures_of_16_bits(picture):
    large = picture.astype(np.uint16) * 257
    assert bytes_a_pixel(lambda: to_srgb_codes(large, None)) < 8
