"""Encoded and linear light against IEC 61966-2-1 and Rec. ITU-R BT.709."""

import hypothesis.extra.numpy as hnp
import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings

from nearpair.colour import light
from nearpair.errors import NearpairError


def decode_formula(encoded):
    """The two-part curve of IEC 61966-2-1:1999, written out again in double precision."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def encode_formula(linear):
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


# Computed from the formula of IEC 61966-2-1:1999
CODES_TO_LIGHT = [
    (0, 0.0),
    (1, 0.0003035),
    (10, 0.0030353),
    (11, 0.0033465),
    (64, 0.0512695),
    (127, 0.2122308),
    (128, 0.2158605),
    (188, 0.5028865),
    (192, 0.5271151),
    (254, 0.9911021),
    (255, 1.0),
]
# same source
LIGHT_TO_CODES = [
    (0.001, 3.295),
    (0.01, 25.462),
    (0.18, 117.646),
    (0.2140411, 127.5),
    (0.5, 187.516),
    (0.9, 243.445),
]


@pytest.mark.parametrize(("code", "linear"), CODES_TO_LIGHT)
def test_eight_bit_codes_decode_to_the_standards_light(code, linear):
    assert light.decode_srgb(np.array([code], np.uint8))[0] == pytest.approx(linear, abs=5e-8)


@pytest.mark.parametrize(("code", "linear"), CODES_TO_LIGHT)
def test_float_codes_decode_like_eight_bit_codes(code, linear):
    decoded = light.decode_srgb(np.array([code / 255], np.float32))
    assert decoded.dtype == np.float32
    assert decoded[0] == pytest.approx(linear, abs=5e-7)


@pytest.mark.parametrize(("linear", "code"), LIGHT_TO_CODES)
def test_light_encodes_to_the_standards_code(linear, code):
    assert light.encode_srgb(np.array([linear]), np.float32)[0] * 255 == pytest.approx(code, abs=6e-4)


@pytest.mark.parametrize(("linear", "code"), [(0.001, 3), (0.01, 25), (0.18, 118), (0.5, 188), (0.9, 243)])
def test_eight_bit_codes_are_rounded_to_the_nearest(linear, code):
    assert light.encode_srgb(np.array([linear]), np.uint8)[0] == code


def test_sixteen_bit_table_is_the_formula():
    codes = np.arange(65536, dtype=np.uint16)
    np.testing.assert_array_equal(light.decode_srgb(codes), decode_formula(codes / 65535).astype(np.float32))


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_every_code_survives_the_round_trip(dtype):
    codes = np.arange(np.iinfo(dtype).max + 1, dtype=dtype)
    np.testing.assert_array_equal(light.encode_srgb(light.decode_srgb(codes), dtype), codes)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_cell_of_the_encoding_table_holds_at_most_one_change_of_code(dtype):
    steps = np.diff(light._CODE_TABLES[np.dtype(dtype)].first_code.astype(np.int64))
    assert set(np.unique(steps)) == {0, 1}


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_encoding_is_exact_at_and_around_every_change_of_code(dtype):
    highest = np.iinfo(dtype).max
    middle = decode_formula((np.arange(highest) + 0.5) / highest).astype(np.float32)
    below, above = np.nextafter(middle, np.float32(-1)), np.nextafter(middle, np.float32(2))
    for linear in (
        np.nextafter(below, np.float32(-1)),
        below,
        middle,
        above,
        np.nextafter(above, np.float32(2)),
    ):
        expected = np.floor(encode_formula(linear.astype(np.float64)) * highest + 0.5)
        np.testing.assert_array_equal(light.encode_srgb(linear, dtype), expected)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_encoding_is_exact_on_a_fine_grid(dtype):
    linear = np.linspace(0, 1, 1_000_003, dtype=np.float32)
    expected = np.floor(encode_formula(linear.astype(np.float64)) * np.iinfo(dtype).max + 0.5)
    np.testing.assert_array_equal(light.encode_srgb(linear, dtype), expected)


@given(hnp.arrays(np.float32, hnp.array_shapes(max_dims=3), elements=st.floats(0, 1, width=32)))
@settings(deadline=None)
def test_encoding_then_decoding_floats_is_the_identity(linear):
    there = light.encode_srgb(linear, np.float32)
    assert there.shape == linear.shape
    np.testing.assert_allclose(light.decode_srgb(there), linear, atol=1e-6)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_light_outside_the_range_is_clipped(dtype):
    top = 1 if dtype is np.float32 else np.iinfo(dtype).max
    strange = np.array([-0.33, -np.inf, np.nan, 1.26, np.inf], np.float32)
    np.testing.assert_allclose(light.encode_srgb(strange, dtype), [0, 0, 0, top, top], rtol=1e-6)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_arrays_longer_than_a_chunk_and_not_contiguous_keep_their_place(dtype):
    codes = np.random.default_rng(3).integers(0, np.iinfo(dtype).max + 1, (301, 503, 4), dtype=dtype)[
        ::2, ::-1, :3
    ]
    before = codes.copy()
    linear = light.decode_srgb(codes)
    np.testing.assert_array_equal(linear, decode_formula(codes / np.iinfo(dtype).max).astype(np.float32))
    np.testing.assert_array_equal(light.encode_srgb(linear, dtype), codes)
    np.testing.assert_array_equal(codes, before)


def test_other_types_are_refused_with_what_to_do():
    with pytest.raises(NearpairError, match="encoded must hold uint8, uint16 or float32 values, found int64"):
        light.decode_srgb(np.array([1]))
    with pytest.raises(NearpairError, match=r"dtype must hold .* found int16.*Convert"):
        light.encode_srgb(np.zeros(3, np.float32), np.int16)


# Rec. ITU-R BT.709-6 (2015) weights; grey and orange computed with the sRGB curve
@pytest.mark.parametrize(
    ("rgb", "expected"),
    [
        ((255, 0, 0), 0.2126),
        ((0, 255, 0), 0.7152),
        ((0, 0, 255), 0.0722),
        ((128, 128, 128), 0.21586),
        ((255, 128, 0), 0.36698),
        ((255, 255, 255), 1.0),
    ],
)
def test_luminance_of_known_colours(rgb, expected):
    measured = light.luminance(light.decode_srgb(np.array([[rgb]], np.uint8)))
    assert measured.shape == (1, 1)
    assert measured.dtype == np.float32
    assert measured[0, 0] == pytest.approx(expected, abs=5e-6)


@pytest.mark.parametrize("shape", [(4, 4), (), (2, 2, 4)])
def test_luminance_wants_three_channels(shape):
    with pytest.raises(NearpairError, match="three channels"):
        light.luminance(np.zeros(shape, np.float32))
