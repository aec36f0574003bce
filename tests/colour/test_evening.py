"""Evening light: half the way for each view, nothing newly clipped, and taken back by the inverse."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nearpair.colour.evening import UNCHANGED, evened_light, evening_tables, gains, through_tables
from nearpair.colour.light import decode_srgb, encode_srgb

GAINS = st.floats(0.2, 5.0)
LIGHT = np.linspace(0, 1, 2001)


def test_each_view_goes_half_the_way():
    """A stop is a factor of two: 0.3 stops less are met by +0.15 and -0.15."""
    left, right = gains((2**-0.3, 1.0, 2**0.3))
    assert left == pytest.approx((2**-0.15, 1, 2**0.15))
    assert right == pytest.approx((2**0.15, 1, 2**-0.15))


def test_what_differs_by_rounding_is_left_alone():
    assert gains((1.003, 0.998, 1.0)) == (UNCHANGED, UNCHANGED)


@given(GAINS)
def test_light_rises_from_black_to_white_and_nothing_is_clipped(gain):
    out = evened_light(LIGHT, gain)
    assert (out[0], out[-1]) == pytest.approx((0, 1))
    assert (np.diff(out) > 0).all()
    below = 0.8 / max(gain, 1) >= LIGHT
    np.testing.assert_allclose(out[below], gain * LIGHT[below])


@given(GAINS)
def test_the_inverse_gain_takes_it_back(gain):
    np.testing.assert_allclose(evened_light(evened_light(LIGHT, gain), 1 / gain), LIGHT, atol=1e-9)


@given(GAINS)
def test_there_is_no_kink(gain):
    begins = 0.8 / max(gain, 1)
    near = np.array([begins - 1e-6, begins, begins + 1e-6])
    first, second = np.diff(evened_light(near, gain))
    assert second == pytest.approx(first, rel=1e-3)


@pytest.mark.parametrize("levels", [256, 65536])
def test_codes_follow_the_light_to_the_nearest_one(levels):
    kind = np.uint8 if levels == 256 else np.uint16
    decoded = decode_srgb(np.arange(levels, dtype=kind))
    factors = (0.8, 1.0, 1.3)
    picture = np.random.default_rng(2).integers(0, levels, (30, 40, 3)).astype(kind)
    out = through_tables(picture, evening_tables(factors, decoded))
    assert out.dtype == kind
    for channel, factor in enumerate(factors):
        light = evened_light(decode_srgb(picture[..., channel]), factor).astype(np.float32)
        expected = encode_srgb(light, kind).astype(int)
        assert np.abs(out[..., channel] - expected).max() <= 1
    np.testing.assert_array_equal(out[..., 1], picture[..., 1])
