"""Local desaturation: only what both eyes could not agree on becomes paler, and only as far as needed."""

import numpy as np
import pytest

from nearpair.colour.glasses import GLASSES
from nearpair.colour.light import LUMINANCE_WEIGHTS, decode_srgb
from nearpair.outputs.anaglyph import anaglyph
from nearpair.outputs.desaturation import LEAST_RATIO, paler


def brightness(light, channels):
    """Through an ideal filter: Rec. ITU-R BT.709-6 weights."""
    weights = np.array(LUMINANCE_WEIGHTS)[list(channels)]
    return light[..., list(channels)] @ (weights / weights.sum())


@pytest.mark.parametrize("glasses", GLASSES.values(), ids=GLASSES)
def test_both_eyes_see_at_least_half_and_colours_that_do_are_untouched(glasses):
    light = (np.random.default_rng(4).random((4000, 3)) ** 2).astype(np.float32)
    eyes = [brightness(light, c) for c in (glasses.left_channels, glasses.right_channels)]
    fine = np.minimum(*eyes) >= LEAST_RATIO * np.maximum(*eyes)
    made = paler(light, glasses)
    np.testing.assert_array_equal(made[fine], light[fine])
    now = [brightness(made, c) for c in (glasses.left_channels, glasses.right_channels)]
    assert (np.minimum(*now) >= (LEAST_RATIO - 1e-3) * np.maximum(*now)).all()
    assert not np.allclose(made[~fine], light[~fine])
    np.testing.assert_allclose(made @ LUMINANCE_WEIGHTS, light @ LUMINANCE_WEIGHTS, atol=1e-5)


def test_the_red_part_changes_and_the_rest_is_the_colour_anaglyph():
    picture = np.full((10, 40, 3), (120, 140, 130), np.uint8)
    picture[:, :20] = (220, 25, 20)
    plain, calm = (
        anaglyph(picture, picture, GLASSES["red-cyan"], m) for m in ("colour", "local-desaturation")
    )
    assert (plain[:, 20:] == calm[:, 20:]).all()
    red = decode_srgb(calm)[0, 0].astype(float)
    left, right = brightness(red, (0,)), brightness(red, (1, 2))
    assert right == pytest.approx(LEAST_RATIO * left, rel=0.02)
    assert red[0] > red[1]  # still reddish
