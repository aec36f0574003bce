"""Rivalry, ghosting and differences between the views, on colours and ratios that are known."""

from dataclasses import replace

import numpy as np
import pytest

from nearpair.colour.calibration import calibrated
from nearpair.colour.glasses import GLASSES
from nearpair.colour.light import decode_srgb, encode_srgb
from nearpair.colour.match import Grid, Matched, block_light, grid, matched
from nearpair.outputs.anaglyph import anaglyph
from nearpair.proof.capture import capture
from nearpair.proof.rivalry import eyes, ghost_contrast, ghosting, ghosts_of, rivalry, through

RED_CYAN = GLASSES["red-cyan"]
SANDERS_Y = (2.70972, 0.50201, 0.0250529), (0.448214, 6.31551, 1.35757)
"""Y of R, G, B through the left and the right filter: Sanders & McAllister (2003)."""


def _seen(left, right, method="colour", parallax=0.0, glasses=RED_CYAN):
    on = grid(np.full(left.shape[:2], parallax, np.float32))
    return through(block_light(anaglyph(left, right, glasses, method), on), on, glasses)


def _half_red(other=(120, 120, 120)):
    picture = np.full((20, 40, 3), other, np.uint8)
    picture[:, :20] = (230, 20, 15)
    return picture


def test_brightness_through_a_filter_is_one_for_white_and_follows_the_luminance_weights():
    # Rec. ITU-R BT.709: green carries 0.7152 of the 0.7874 that cyan passes.
    for glasses in GLASSES.values():
        assert [eye.sum() for eye in eyes(glasses)] == pytest.approx([1, 1], abs=1e-6)
    ideal = replace(RED_CYAN, display=None)
    np.testing.assert_allclose(eyes(ideal), [[1, 0, 0], [0, 0.7152 / 0.7874, 0.0722 / 0.7874]], atol=1e-6)
    # Sanders & McAllister (2003): Y of R, G, B through the left filter, over that of white
    assert eyes(RED_CYAN)[0] == pytest.approx(np.array(SANDERS_Y[0]) / sum(SANDERS_Y[0]), abs=1e-6)


def test_red_is_in_rivalry_through_red_cyan_and_grey_mixing_cures_it():
    # Saturated red through red-cyan glasses is the classic case (common practice, no source).
    picture = _half_red()
    as_colour = rivalry(_seen(picture, picture), RED_CYAN)
    assert as_colour.rivalry_share == pytest.approx(0.5)
    assert as_colour.saturated_share == pytest.approx(0.5)
    for method in ("grey", "half-colour", "least-squares"):
        better = rivalry(_seen(picture, picture, method), RED_CYAN)
        assert better.saturated_share < as_colour.saturated_share or method == "half-colour"
    assert rivalry(_seen(picture, picture, "grey"), RED_CYAN).rivalry_share == 0


def test_greys_are_never_in_rivalry_and_the_ratio_is_the_filters_own():
    grey = np.full((10, 10, 3), 128, np.uint8)
    for glasses in GLASSES.values():
        found = rivalry(_seen(grey, grey, "grey", glasses=glasses), glasses)
        assert found.rivalry_share == 0
        assert found.luminance_ratio == pytest.approx(found.filter_ratio, rel=1e-4)
    ratio = rivalry(_seen(grey, grey), RED_CYAN).filter_ratio
    assert ratio == pytest.approx(sum(SANDERS_Y[1]) / sum(SANDERS_Y[0]), rel=1e-6)
    ideal = replace(RED_CYAN, display=None)
    ratio = rivalry(_seen(grey, grey, glasses=ideal), ideal).filter_ratio
    assert ratio == pytest.approx(0.7874 / 0.2126, rel=1e-6)  # Rec. ITU-R BT.709


def test_filters_that_leak_let_the_other_eye_see_red_too():
    """By hand from BT.709: an orange is 0.21 through ideal cyan, 0.26 through cyan that lets red pass."""
    light = np.array([0.6, 0.23, 0.0])
    orange = np.broadcast_to(encode_srgb(light.astype(np.float32), np.dtype(np.uint8)), (10, 10, 3)).copy()
    ideal, leaky = (_own(right_red=share) for share in (0.0, 0.3))
    found = [rivalry(_seen(orange, orange, glasses=mine), mine).rivalry_share for mine in (ideal, leaky)]
    through_cyan = [
        (0.2126 * red * 0.6 + 0.7152 * 0.23) / (0.2126 * red + 0.7152 + 0.0722) for red in (0.0, 0.6)
    ]
    assert [share < 0.4 * 0.6 for share in through_cyan] == [True, False]
    assert found == [1, 0]


def _own(right_red):
    return calibrated(
        {
            "version": 1,
            "kind": "red-cyan",
            "left": {"red": 0.8, "green": 0.0, "blue": 0.0},
            "right": {"red": right_red, "green": 0.5, "blue": 0.5},
        }
    )


def test_darkness_is_not_compared():
    black = np.zeros((10, 10, 3), np.uint8)
    found = rivalry(_seen(black, black), RED_CYAN)
    assert found.rivalry_share is None
    assert found.luminance_ratio is None


def test_published_leaks_follow_from_the_published_luminance_rows():
    grey = np.full((10, 10, 3), 128, np.uint8)
    found, (left, right) = ghosting(_seen(grey, grey), RED_CYAN), SANDERS_Y
    assert found.left_leak == pytest.approx((left[1] + left[2]) / left[0], abs=5e-5)
    assert found.right_leak == pytest.approx(right[0] / (right[1] + right[2]), abs=5e-5)


def test_ghosts_need_parallax_and_contrast():
    bar = np.full((20, 60, 3), 30, np.uint8)
    bar[:, 20:40] = 220
    moved = np.roll(bar, 6, axis=1)
    at_window = ghosting(_seen(bar, bar), RED_CYAN)
    in_depth = ghosting(_seen(bar, moved, parallax=6.0), RED_CYAN)
    plain = np.full((20, 60, 3), 128, np.uint8)
    assert (at_window.left_share, at_window.right_share, at_window.worst_contrast) == (0, 0, 0)
    assert in_depth.left_share == pytest.approx(12 / 54, abs=0.02)  # two bands as wide as the parallax
    assert in_depth.left_share >= in_depth.right_share
    assert ghosting(_seen(plain, plain, parallax=6.0), RED_CYAN).worst_contrast == pytest.approx(0, abs=1e-6)


def test_ghost_contrast_formula():
    # an eye's own 0.5, beside it 1.0 instead of 0.2 of the other's picture, of which a tenth leaks through
    assert ghost_contrast(np.float32([0.6]), np.float32([0.52]))[0] == pytest.approx(0.1 * 0.8 / 0.6)
    assert ghost_contrast(np.float32([0.01]), np.float32([0.0]))[0] == pytest.approx(0.01 / 0.02)


def test_ghosts_follow_from_the_leak():
    """Without parallax the other eye's bar lies on the own one; 6 px aside its leak lies on dark ground."""
    bar = np.full((20, 60, 3), 90, np.uint8)
    bar[:, 20:40] = 140
    seen = _seen(bar, np.roll(bar, 6, axis=1), "grey", parallax=6.0)
    dark, bright = decode_srgb(np.array([90, 140], np.uint8))
    leak = (SANDERS_Y[0][1] + SANDERS_Y[0][2]) / SANDERS_Y[0][0]
    worst = leak * (bright - dark) / (dark + leak * bright)
    assert ghosting(seen, RED_CYAN).worst_contrast == pytest.approx(worst, rel=1e-3)


def _ghosts(method, bar=140, ground=90):
    left = np.full((20, 60, 3), ground, np.uint8)
    left[:, 20:40] = bar
    on = grid(np.full(left.shape[:2], 6.0, np.float32))
    views = block_light(left, on), block_light(np.roll(left, 6, axis=1), on)

    def mix(one, other):
        return anaglyph(one, other, RED_CYAN, method)

    return ghosting(ghosts_of(*views, on, RED_CYAN, mix), RED_CYAN)


def test_light_that_matched_takes_back_is_no_ghost():
    """Of the anaglyph as it is exported; a method that takes nothing back has what the leaks alone say."""
    plain, matched_ = _ghosts("grey"), _ghosts("matched")
    bar = np.full((20, 60, 3), 90, np.uint8)
    bar[:, 20:40] = 140
    by_leaks = ghosting(_seen(bar, np.roll(bar, 6, axis=1), "grey", parallax=6.0), RED_CYAN)
    assert plain.worst_contrast == pytest.approx(by_leaks.worst_contrast, rel=0.02)
    assert plain.left_share == pytest.approx(by_leaks.left_share, abs=0.02)
    assert matched_.worst_contrast < 0.6 * plain.worst_contrast


def test_ghosting_of_other_glasses_is_not_known():
    grey = np.full((10, 10, 3), 128, np.uint8)
    found = ghosting(_seen(grey, grey, glasses=GLASSES["amber-blue"]), GLASSES["amber-blue"])
    assert not found.known
    assert found.left_share is None


@pytest.mark.parametrize("stops", [-1.0, -0.25, 0.0, 0.5])
def test_exposure_is_measured_in_stops(stops):
    light = np.random.default_rng(1).uniform(0.05, 0.4, (30, 50, 3)).astype(np.float32)
    left, right = encode_srgb(light, np.uint16), encode_srgb(light * np.float32(2**stops), np.uint16)
    on = grid(np.zeros((30, 50), np.float32))
    found = capture(matched(block_light(left, on), block_light(right, on), on), [])
    assert found.exposure_stops == pytest.approx(stops, abs=0.002)
    assert found.white_balance_shift == pytest.approx(0, abs=0.002)


def test_white_balance_is_red_and_blue_against_green():
    light = np.random.default_rng(1).uniform(0.1, 0.4, (400, 3)).astype(np.float32)
    found = capture(Matched(light, light * np.float32([1.1, 1.0, 0.8]), 1.0), [])
    assert found.white_balance_shift == pytest.approx(0.2, abs=1e-4)


def test_clipped_points_say_nothing():
    white = np.ones((400, 3), np.float32)
    assert capture(Matched(white, white, 1.0), []).exposure_ratio is None


def test_partners_lie_at_x_plus_parallax():
    left = np.random.default_rng(4).integers(0, 256, (12, 30, 3), dtype=np.uint8)
    right = np.roll(left, 5, axis=1)
    on = grid(np.full((12, 30), 5.0, np.float32))
    points = matched(block_light(left, on), block_light(right, on), on)
    np.testing.assert_allclose(points.left, points.right, atol=1e-6)
    assert points.share == pytest.approx(25 / 30)


def test_blocks_average_light_in_strips_as_in_one_piece(monkeypatch):
    picture = np.random.default_rng(4).integers(0, 65536, (64, 40, 3), dtype=np.uint16)
    on = Grid(4, np.zeros((16, 10), np.float32))
    whole = block_light(picture, on)
    monkeypatch.setattr("nearpair.colour.match._STRIP_PX", 200)
    np.testing.assert_array_equal(block_light(picture, on), whole)


def test_ghosting_through_measured_glasses_follows_their_file():
    mine = calibrated(
        {
            "version": 1,
            "kind": "red-cyan",
            "left": {"red": 0.5, "green": 0.05, "blue": 0.0},
            "right": {"red": 0.0, "green": 0.5, "blue": 0.5},
        }
    )
    grey = np.full((10, 10, 3), 128, np.uint8)
    found = ghosting(_seen(grey, grey, glasses=mine), mine)
    assert found.known
    # by hand from the luminance of BT.709: 0.7152·0.05 / (0.2126·0.5)
    assert found.left_leak == pytest.approx(0.3364, abs=5e-5)
    assert found.right_leak == 0
