"""How much lighter one view is than the other: planted factors come back, other differences lead nowhere."""

import numpy as np
import pytest

from nearpair.colour.balance import balance, balance_by_parts
from nearpair.colour.match import Grid

FACTORS = np.array([1.15, 1.0, 0.9]) * 2**-0.3


def coloured(number, seed=1):
    """Light of a subject with shadows and lights, (n, 3)."""
    rng = np.random.default_rng(seed)
    return (rng.uniform(0.02, 0.7, (number, 1)) * rng.uniform(0.4, 1, (number, 3))).astype(np.float32)


def noisy(light, seed):
    """Shot noise and noise of reading, as a camera's (common practice, no source)."""
    rng = np.random.default_rng(seed)
    return (light + rng.normal(0, 1, light.shape) * np.sqrt(2e-5 * light + 4e-7)).astype(np.float32)


def stops(found, expected=FACTORS):
    """How far a balance is off, in stops, at its worst channel."""
    return np.abs(np.log2(np.array(found.factors) / expected)).max()


def test_planted_factors_come_back():
    """In stops by definition: 0.3 stops less light are a factor of 2^-0.3."""
    light = coloured(20000)
    found = balance(noisy(light, 2), noisy(light * FACTORS, 3))
    assert stops(found) < 0.002
    # red +15 % against green, blue -10 %
    assert found.shift == pytest.approx(0.15, abs=0.002)
    weights = np.array([0.2126, 0.7152, 0.0722]) * light.mean(axis=0)  # Rec. ITU-R BT.709
    assert found.luminance == pytest.approx((weights * FACTORS).sum() / weights.sum(), rel=0.002)


def test_a_red_thing_that_one_eye_sees_in_place_of_the_ground_leads_nowhere():
    """A quarter of the points is red for one eye only: the mean of their light is off by half a stop."""
    light = coloured(20000)
    left, right = light.copy(), (light * FACTORS).astype(np.float32)
    left[:5000] = noisy(np.broadcast_to(np.float32([0.6, 0.03, 0.02]), (5000, 3)), 4)
    means = right.mean(axis=0) / left.mean(axis=0)
    assert np.abs(np.log2(means / FACTORS)).max() > 0.4
    assert stops(balance(left, right)) < 0.01


def test_what_is_clipped_or_black_says_nothing():
    assert balance(np.ones((400, 3), np.float32), np.ones((400, 3), np.float32)) is None
    light = coloured(4000)
    left = np.minimum(light * 2.5, 1)  # a third is blown out
    assert stops(balance(left, light), 1 / 2.5) < 0.002


def picture(height=40, width=60):
    return coloured(height * width).reshape(height, width, 3), Grid(1, np.zeros((height, width), np.float32))


def test_a_difference_of_the_cameras_is_the_same_everywhere_and_one_of_the_light_is_not():
    light, on = picture()
    whole = balance_by_parts(light, light * np.float32(0.8), on)
    assert whole.sure
    assert whole.agreeing_share == 1
    # a lamp that moved: one side lighter by half a stop, the other darker
    lamp = 2 ** np.linspace(-0.5, 0.2, 60, dtype=np.float32)[:, None]
    found = balance_by_parts(light, light * lamp, on)
    assert found.noted or abs(found.stops) < 0.2
    assert not found.sure


def test_parts_that_show_nothing_have_no_say():
    light, on = picture()
    light[:, 20:] = 0
    found = balance_by_parts(light, light * np.float32(0.8), on)
    assert found.sure
    light[:, 8:] = 0
    alone = balance_by_parts(light, light * np.float32(0.8), on)
    assert alone.agreeing_share in (None, 1.0)
