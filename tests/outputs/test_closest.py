"""Closest colours: against a general optimiser, on greys, on saturated subjects and on leaks."""

import numpy as np
import pytest
from scipy.optimize import minimize

from nearpair.colour import seen
from nearpair.colour.closest_kernels import looked_up
from nearpair.colour.glasses import GLASSES
from nearpair.colour.light import decode_srgb
from nearpair.outputs import closest
from nearpair.outputs.anaglyph import METHODS, anaglyph

RED_CYAN = GLASSES["red-cyan"]
CORAL = (200, 40, 25)


def _flat(colour, shape=(4, 6)):
    return np.full((*shape, 3), colour, np.uint8)


def _brightness(picture, glasses=RED_CYAN):
    light = decode_srgb(picture).astype(np.float64)
    return tuple(light @ eye for eye in seen.brightness(glasses.display))


def _cost(comparison, shown, both):
    difference = seen.lab_root(shown @ comparison.shown.T) - seen.lab_root(both @ comparison.wanted.T)
    return np.einsum("...i,ij,...j", difference, comparison.weights, difference)


@pytest.mark.parametrize("glasses", GLASSES.values(), ids=GLASSES)
@pytest.mark.parametrize("method", ["cielab", "matched"])
def test_greys_stay_what_they_are(glasses, method):
    grey = np.repeat(np.arange(0, 256, 5, dtype=np.uint8)[None, :, None], 3, axis=2)
    made = anaglyph(grey, grey, glasses, method).astype(int)
    for channel in glasses.channels:
        np.testing.assert_allclose(made[..., channel], grey[..., channel], atol=1)


# scipy's L-BFGS-B from several starts, as an independent solver of the same bounded problem
@pytest.mark.parametrize("glasses", ["red-cyan", "amber-blue"])
@pytest.mark.parametrize("kind", ["per eye", "matched"])
def test_no_general_optimiser_finds_a_closer_colour(glasses, kind):
    chosen = GLASSES[glasses]
    comparison = seen.per_eye(chosen.display) if kind == "per eye" else seen.matched(chosen.display, 4.0)
    rng = np.random.default_rng(3)
    both = (np.repeat(rng.random((20, 3)), 2, axis=0).reshape(20, 6) ** 2).astype(np.float32)
    found = closest._closest(chosen, comparison, both).astype(np.float64)
    for point, ours in zip(both.astype(np.float64), found, strict=True):
        best = min(
            minimize(lambda p, c=point: _cost(comparison, p, c), start, bounds=[(0, 1)] * 3).fun
            for start in (np.full(3, 0.5), point[:3], ours)
        )
        assert _cost(comparison, ours, point) <= best * 1.03 + 0.5


def test_a_saturated_red_is_seen_by_both_eyes_and_stays_reddish():
    coral = _flat(CORAL)
    ratio, hue = {}, {}
    for method in METHODS:
        made = anaglyph(coral, coral, RED_CYAN, method)
        left, right = (float(eye.mean()) for eye in _brightness(made))
        ratio[method] = min(left, right) / max(left, right)
        together = decode_srgb(made)[0, 0] @ seen.fused(RED_CYAN.display).T
        hue[method] = seen.lab(together)[1]  # a*: how red it looks, fused
    # 0.40: depth is kept up to luminance differences of 60 % (Boydstun et al., from their abstract)
    assert ratio["colour"] < 0.20
    assert ratio["half-colour"] < 0.40
    assert ratio["matched"] >= 0.40
    assert hue["matched"] > hue["least-squares"] + 5


@pytest.mark.parametrize("glasses", GLASSES.values(), ids=GLASSES)
def test_rivalry_is_never_worse_than_with_half_colour(glasses):
    rng = np.random.default_rng(8)
    for colours in (rng.integers(0, 256, (40, 50, 3)), rng.integers(0, 256, 3) + np.zeros((9, 9, 3))):
        picture = colours.astype(np.uint8)
        apart = {}
        for method in ("matched", "half-colour"):
            left, right = (
                seen.lightness(eye)
                for eye in _brightness(anaglyph(picture, picture, glasses, method), glasses)
            )
            apart[method] = np.sqrt(np.mean((left - right) ** 2))
        assert apart["matched"] <= apart["half-colour"] + 0.3


def test_leaked_light_is_taken_back_where_there_is_room():
    # The left eye's picture is an even grey; a bar in the right one must not show before the left eye
    left, right = _flat((150, 150, 150), (4, 30)), _flat((90, 90, 90), (4, 30))
    right[:, 10:20] = 220
    contrast = {}
    for method in ("least-squares", "grey", "matched"):
        seen_left, _ = _brightness(anaglyph(left, right, RED_CYAN, method))
        contrast[method] = seen_left.max() / seen_left.min() - 1
    assert contrast["grey"] > 0.1
    assert contrast["least-squares"] > 0.1
    assert contrast["matched"] < 0.55 * min(contrast["grey"], contrast["least-squares"])


def test_light_keeps_its_brightness_where_there_is_no_room_for_its_leak():
    left, right = _flat((0, 0, 0), (4, 30)), _flat((0, 0, 0), (4, 30))
    right[:, 10:20] = 255
    seen_left, seen_right = _brightness(anaglyph(left, right, RED_CYAN, "matched"))
    # the leak of the published measurement, (0.50201 + 0.0250529) / 3.2367829, and nothing to take it from
    whole = 0.1628
    assert 0.7 * whole < seen_left.max() < whole
    assert seen.lightness(seen_right.max()) > 88  # of 98 with the other methods


def test_the_table_is_read_as_it_was_made():
    table = closest._table(RED_CYAN, 4.0)
    out = np.empty(3)
    looked_up(table, *(np.array([3, 32, 17]) / 32), out)
    np.testing.assert_allclose(out, table[3, 32, 17].astype(float) ** 2, atol=1e-6)


def test_neighbouring_colours_stay_neighbours():
    ramp = np.zeros((1, 256, 3), np.uint8)
    ramp[0, :, 0] = np.arange(256)
    made = anaglyph(ramp, ramp, RED_CYAN, "matched").astype(int)
    assert np.abs(np.diff(made, axis=1)).max() <= 4
