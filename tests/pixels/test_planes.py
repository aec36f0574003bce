"""Luma and chroma planes against the YCbCr of Pillow, which is that of JFIF (Pillow's docs; ITU-T T.871)."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from PIL import Image

from nearpair.pixels.bands import in_bands
from nearpair.pixels.planes import FULL, MIDDLE, Planes, full_planes, halved_planes, small_luma
from support.textures import photograph

SIZES = [(1, 1), (1, 8), (3, 5), (4, 6), (7, 4), (6, 9)]


def piece(name, size):
    return np.ascontiguousarray(photograph(name)[100 : 100 + size[0], 100 : 100 + size[1]])


def by_pillow(rgb):
    """Luma, blue and red codes, (H, W) each."""
    return np.moveaxis(np.asarray(Image.fromarray(rgb).convert("YCbCr"), np.float64), 2, 0)


def means(rgb):
    """Means of 2 x 2 pixels, rounded; an odd last row or column counts twice."""
    even = np.pad(rgb, [(0, rgb.shape[0] % 2), (0, rgb.shape[1] % 2), (0, 0)], mode="edge")
    blocks = even.reshape(even.shape[0] // 2, 2, even.shape[1] // 2, 2, 3)
    return np.rint(blocks.mean(axis=(1, 3))).astype(np.uint8)


def in_codes(planes):
    """Fixed point as codes with fractions."""
    colour = [(plane.astype(np.float64) - float(MIDDLE)) / 128 + 128 for plane in (planes.blue, planes.red)]
    return np.stack([planes.luma / 128, *colour])


def same(one, other):
    for name in ("luma", "blue", "red"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def copied(planes):
    return Planes(planes.luma.copy(), planes.blue.copy(), planes.red.copy())


@pytest.mark.parametrize("name", ["astronaut", "chelsea", "coffee", "rocket"])
def test_full_planes_are_pillows(name):
    """Pillow rounds to whole codes, and with tables."""
    picture = photograph(name)
    planes = full_planes(picture)
    assert (planes.scale, planes.neutral, planes.white) == (1.0, float(MIDDLE), float(FULL))
    assert not planes.are_halved
    # a fully saturated chroma would be 255.5, which codes cannot say
    assert np.max(np.abs(np.minimum(in_codes(planes), 255) - by_pillow(picture))) < 1.01
    np.testing.assert_allclose(np.mean(in_codes(planes) - by_pillow(picture), axis=(1, 2)), 0, atol=0.6)


@pytest.mark.parametrize("name", ["astronaut", "chelsea", "coffee", "rocket"])
def test_halved_planes_are_pillows_of_the_means(name):
    picture = photograph(name)[:301, :399]
    planes = halved_planes(np.ascontiguousarray(picture))
    assert (planes.scale, planes.neutral, planes.white) == (128.0, 128.0, 255.0)
    assert planes.are_halved
    colour = by_pillow(means(picture))[1:]
    assert np.max(np.abs(planes.luma - by_pillow(picture)[0])) <= 1
    assert np.max(np.abs(planes.blue - colour[0])) <= 2
    assert np.max(np.abs(planes.red - colour[1])) <= 2
    assert max(np.mean(np.abs(planes.blue - colour[0])), np.mean(np.abs(planes.red - colour[1]))) < 0.6


@pytest.mark.parametrize("size", SIZES)
def test_odd_and_tiny_sizes(size):
    picture = piece("coffee", size)
    kept = picture.copy()
    halved, full = halved_planes(picture), full_planes(picture)
    half = (-(-size[0] // 2), -(-size[1] // 2))
    assert [plane.shape for plane in (halved.luma, halved.blue, halved.red)] == [size, half, half]
    assert [plane.shape for plane in (full.luma, full.blue, full.red)] == [size] * 3
    colour = by_pillow(means(picture))[1:]
    assert np.max(np.abs(np.stack([halved.blue, halved.red]) - colour)) <= 2
    np.testing.assert_array_equal(picture, kept)


# ITU-R BT.601-7 (JFIF: ITU-T T.871, section 7): Y = 0.299 R + 0.587 G + 0.114 B; Cb = (B − Y) / 1.772,
# Cr = (R − Y) / 1.402
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@given(data=st.data())
@settings(deadline=None)
def test_fixed_point_is_the_formula_rounded(dtype, data):
    picture = data.draw(arrays(dtype, (3, 4, 3)))
    r, g, b = np.moveaxis(picture / np.iinfo(dtype).max, 2, 0)
    value = 0.299 * r + 0.587 * g + 0.114 * b
    planes = full_planes(picture)
    np.testing.assert_allclose(planes.luma, value * 32640, atol=0.51)
    np.testing.assert_allclose(planes.blue, 32768 + (b - value) / 1.772 * 32640, atol=0.52)
    np.testing.assert_allclose(planes.red, 32768 + (r - value) / 1.402 * 32640, atol=0.52)


def test_bands_change_nothing():
    picture = photograph("chelsea")
    same(full_planes(picture, in_bands), full_planes(picture))


@given(st.lists(st.tuples(st.integers(1, 9), st.integers(1, 9)), min_size=1, max_size=5))
@settings(deadline=None)
def test_kept_buffers_change_no_result(sizes):
    """Whatever was in them, of whatever size; what was copied before stays as it was."""
    kept, earlier = [], []
    for number, size in enumerate([*sizes, sizes[-1]]):
        picture = np.random.default_rng(number).integers(0, 256, (*size, 3), dtype=np.uint8)
        planes = halved_planes(picture, kept)
        same(planes, halved_planes(picture))
        earlier.append((copied(planes), picture))
    for planes, picture in earlier:
        same(planes, halved_planes(picture))


def test_kept_buffers_are_used_again():
    pictures = [piece("coffee", (40, 60)), piece("chelsea", (40, 60))]
    kept = []
    first, second = (halved_planes(picture, kept) for picture in pictures)
    for name in ("luma", "blue", "red"):
        assert np.shares_memory(getattr(first, name), getattr(second, name))
    fresh = [halved_planes(picture) for picture in pictures]
    assert not np.shares_memory(fresh[0].luma, fresh[1].luma)
    # without buffers nothing is overwritten
    same(fresh[0], halved_planes(pictures[0]))


@pytest.mark.parametrize("size", SIZES)
def test_chroma_at_full_size(size):
    """One colour stays that colour; full planes are given as they are."""
    picture = np.broadcast_to(np.array([200, 90, 30], np.uint8), (*size, 3)).copy()
    grown = halved_planes(picture).at_full_size()
    assert [plane.shape for plane in (grown.luma, grown.blue, grown.red)] == [size] * 3
    assert grown.blue.dtype == np.uint8
    np.testing.assert_allclose(np.stack([grown.luma, grown.blue, grown.red]), by_pillow(picture), atol=1.01)
    full = full_planes(picture)
    assert full.at_full_size() is full


def test_half_size_samples_lie_between_pixels():
    """A chroma that rises evenly rises evenly at full size too, and is not shifted."""
    ramp = np.broadcast_to(2.0 * np.arange(60), (20, 60))
    picture = np.stack([np.full_like(ramp, 120), np.full_like(ramp, 120), 60 + ramp], axis=2).astype(np.uint8)
    grown = halved_planes(picture).at_full_size()
    expected = by_pillow(picture)[1]
    assert np.max(np.abs(grown.blue - expected)[:, 2:-2]) <= 1.5
    assert abs(np.mean((grown.blue - expected)[:, 2:-2])) < 0.5


@pytest.mark.parametrize("halved", [True, False])
@pytest.mark.parametrize("factor", [1, 2, 3, 5])
def test_a_small_luma_is_the_mean_of_blocks_and_a_copy(factor, halved):
    picture = piece("gravel", (31, 44))
    planes = halved_planes(picture) if halved else full_planes(picture)
    small = small_luma(planes, factor)
    height, width = 31 // factor, 44 // factor
    blocks = by_pillow(picture)[0][: height * factor, : width * factor]
    expected = blocks.reshape(height, factor, width, factor).mean(axis=(1, 3))
    assert (small.dtype, small.shape, small.flags.c_contiguous) == (np.uint8, (height, width), True)
    assert np.max(np.abs(small - expected)) <= 1.01
    assert not np.shares_memory(small, planes.luma)


def test_luma_is_opencvs_grey():
    picture = photograph("astronaut")
    np.testing.assert_array_equal(halved_planes(picture).luma, cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
