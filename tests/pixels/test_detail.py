"""The finest detail of blocks, against a Laplacian level written out with NumPy.

Burt & Adelson, "The Laplacian pyramid as a compact image code", IEEE Trans. Comm. 31(4), 1983: weights
1 4 6 4 1; OpenCV's documentation of pyrDown: every second sample, borders mirrored (BORDER_REFLECT_101).
"""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pixels.detail import BLOCK_PX, block_detail, energy_of, upsampled_row
from nearpair.pixels.luma import luma
from support.textures import photograph

TAPS = np.array([1, 4, 6, 4, 1]) / 16
FULL_16 = 32640.0
SIZES = [(1, 1), (3, 5), (1, 40), (8, 8), (9, 17), (47, 33), (64, 96), (61, 130)]


def along(values, axis, work):
    return np.apply_along_axis(work, axis, values)


def reduced_once(plane):
    """Weights 1 4 6 4 1, every second sample, rounded as integers are."""

    def line(values):
        padded = np.pad(values, 2, mode="reflect")
        return np.convolve(padded, TAPS, mode="valid")[::2]

    return np.floor(along(along(plane.astype(np.float64), 0, line), 1, line) + 0.5)


def expanded(plane, size):
    """Twice the weights 1 4 6 4 1 over samples with zeros between; ends are repeated."""

    def line(values):
        apart = np.zeros(2 * (len(values) + 2))
        apart[::2] = np.pad(values, 1, mode="edge")
        return np.convolve(apart, 2 * TAPS, mode="same")[2:-2]

    return along(along(plane, 0, line), 1, line)[: size[0], : size[1]]


def energies(plane, full):
    """Mean square of the details in each block; the first two of every four rows count, odd ends twice."""
    detail = plane - expanded(reduced_once(plane), plane.shape)
    squares = (100 * detail / full) ** 2
    squares = np.pad(squares, [(0, side % 2) for side in squares.shape], mode="edge")
    rows = [y for y in range(squares.shape[0]) if y % 4 < 2]
    high, wide = (-(-side // BLOCK_PX) for side in plane.shape)
    found = np.empty((high, wide))
    for y in range(high):
        own = [row for row in rows if row // BLOCK_PX == y]
        for x in range(wide):
            found[y, x] = squares[own, x * BLOCK_PX : (x + 1) * BLOCK_PX].mean()
    return found


def as_code(energy):
    return np.clip(np.floor(16 * (np.log2(energy + 1e-6) + 6) + 1.5), 1, 255)


def of_bits(plane, bits):
    return (plane, 255.0) if bits == 8 else (plane.astype(np.uint16) * 128 + 37, FULL_16)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", ["gravel", "camera"])
def test_blocks_hold_the_energy_of_a_laplacian_level(name, size, bits):
    plane, full = of_bits(
        np.ascontiguousarray(photograph(name)[90 : 90 + size[0], 40 : 40 + size[1], 1]), bits
    )
    kept = plane.copy()
    codes, expected = block_detail(plane, full), energies(plane, full)
    assert (codes.dtype, codes.shape) == (np.uint8, expected.shape)
    # a code may fall to the other side of its border
    assert np.max(np.abs(codes - as_code(expected))) <= 1
    assert np.mean(codes == as_code(expected)) > 0.9 or codes.size < 20
    np.testing.assert_array_equal(plane, kept)


@given(st.integers(1, 40), st.integers(1, 40), st.floats(0, 1), st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=40)
def test_codes_give_the_energy_back(height, width, contrast, seed):
    """To half a step, a 32nd of an octave, within their range."""
    noise = np.random.default_rng(seed).normal(128, 60 * contrast, (height, width))
    plane = np.clip(np.rint(noise), 0, 255).astype(np.uint8)
    expected = energies(plane, 255.0)
    found = energy_of(block_detail(plane, 255.0))
    assert found.dtype == np.float32
    inside = (expected > 2**-5.9) & (expected < 2**9.87)
    np.testing.assert_allclose(found[inside], expected[inside], rtol=2 ** (1 / 32) - 1 + 1e-3)
    assert np.all(found[expected <= 2**-5.9] <= 2**-5.8)
    assert np.all(found[expected >= 2**9.87] > 2**9.8)


def test_every_code_has_its_energy():
    """Sixteen codes an octave from 2^-6; nothing seen has none."""
    codes = np.arange(256, dtype=np.uint8)
    found = energy_of(codes).astype(np.float64)
    assert found[0] == 0
    np.testing.assert_allclose(found[1:], 2 ** ((codes[1:].astype(float) - 1) / 16 - 6), rtol=1e-5)
    np.testing.assert_array_equal(as_code(found[2:]), codes[2:])
    assert energy_of(codes.reshape(16, 16)).shape == (16, 16)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("size", SIZES)
def test_flat_pictures_have_the_least_code_but_never_none(size, bits):
    plane, full = of_bits(np.full(size, 200, np.uint8), bits)
    assert np.all(block_detail(plane, full) == 1)


def test_eight_and_sixteen_bits_agree():
    """Eight bits round the coarser level to whole codes, which matters where there is hardly any detail."""
    plane = np.ascontiguousarray(photograph("gravel")[..., 1])
    codes = [block_detail(*of_bits(plane, bits)).astype(int) for bits in (8, 16)]
    assert np.max(np.abs(codes[0] - codes[1])) <= 2
    assert np.mean(np.abs(codes[0] - codes[1])) < 0.2


def test_detail_stays_in_its_block():
    plane = np.full((64, 80), 100, np.uint8)
    plane[28:30, 36:38] = [[200, 0], [0, 200]]
    codes = block_detail(plane, 255.0)
    assert np.unravel_index(np.argmax(codes), codes.shape) == (3, 4)
    codes[2:5, 3:6] = 1
    assert np.all(codes == 1)


def test_blur_lowers_it():
    plane = (luma(photograph("gravel")) * 255).astype(np.uint8)
    means = [
        float(np.mean(energy_of(block_detail(cv2.GaussianBlur(plane, (0, 0), sigma), 255.0))))
        for sigma in (0.3, 0.7, 1.4, 2.8)
    ]
    assert means == sorted(means, reverse=True)
    assert means[0] > 10 * means[-1]


@given(st.integers(1, 12), st.integers(1, 12), st.booleans(), st.booleans(), st.data())
@settings(deadline=None)
def test_any_part_of_an_expanded_row(rows, columns, odd_height, odd_width, data):
    """Parts begin at even samples."""
    size = (2 * rows - odd_height, 2 * columns - odd_width)
    coarse = np.random.default_rng(rows * 31 + columns).integers(0, 65536, (rows, columns)).astype(np.uint16)
    y = data.draw(st.integers(0, size[0] - 1))
    start = 2 * data.draw(st.integers(0, (size[1] - 1) // 2))
    out = np.empty(data.draw(st.integers(1, size[1] - start)), np.float32)
    upsampled_row(coarse, y, start, out, np.empty(len(out) // 2 + 3, np.float32))
    expected = expanded(coarse.astype(np.float64), size)[y, start : start + len(out)]
    np.testing.assert_allclose(out, expected, atol=0.05)
