"""Depth and relief: percentiles, layered against flat subjects, texture."""

import numpy as np
import pytest

from nearpair.optics.viewing import Viewing, px_to_arcmin
from nearpair.proof.depth import depth, textured_share

VIEWING = Viewing(screen_width_mm=200, distance_mm=600)


def _measure(lab, parallax):
    left, _ = lab.shifted_pair(lab.layered_parallax())
    return depth(parallax, left, VIEWING)


def test_near_and_far_are_the_percentiles_of_what_is_known():
    parallax = np.full((100, 100), np.nan, np.float32)
    parallax[:50] = np.linspace(-20, 30, 5000, dtype=np.float32).reshape(50, 100)
    left = np.zeros((100, 100, 3), np.uint8)
    measured = depth(parallax, left, VIEWING)
    assert measured.near_px == pytest.approx(-19.5, abs=0.02)
    assert measured.far_px == pytest.approx(29.5, abs=0.02)
    assert measured.deviation_px == pytest.approx(49, abs=0.03)
    assert measured.deviation_fraction_of_width == pytest.approx(0.49, abs=0.001)
    assert measured.known_share == 0.5


def test_single_wrong_matches_do_not_count(lab):
    parallax = lab.layered_parallax()
    clean = _measure(lab, parallax)
    parallax[::20, ::20] = 300
    assert _measure(lab, parallax).far_px == clean.far_px


def test_layers_a_slope_and_a_flat_wall_are_told_apart(lab):
    layered = _measure(lab, lab.layered_parallax(-6, 10)).relief
    columns = np.linspace(-6, 10, lab.width, dtype=np.float32)
    slope = _measure(lab, np.repeat(columns[None], lab.height, axis=0)).relief
    flat = _measure(lab, np.full((lab.height, lab.width), 1.0, np.float32)).relief
    assert layered.score > 1.3 * slope.score > 10 * max(flat.score, 1)
    assert flat.score == 0
    assert (layered.jumps, slope.jumps, flat.jumps) == (1, 0, 0)
    # the outline of the 80 x 120 px square, in heights of 200 px, both ways
    assert layered.jump_length_heights == pytest.approx(2 * (80 + 120) / 200, rel=0.1)
    assert layered.layers == pytest.approx(np.exp(-(0.15 * np.log(0.15) + 0.85 * np.log(0.85))), rel=1e-6)


def test_score_follows_the_stated_formula(lab):
    found = _measure(lab, lab.layered_parallax(-6, 10)).relief
    seen = px_to_arcmin(VIEWING, 10, lab.width) - px_to_arcmin(VIEWING, -6, lab.width)
    jumps = min(1, found.jump_length_heights)
    expected = 100 * min(1, seen / 60) * (0.5 + 0.25 * found.textured_share + 0.25 * jumps)
    assert found.range_arcmin == pytest.approx(seen)
    assert found.score == pytest.approx(expected)
    assert found.acuity_steps == pytest.approx(seen * 60 / 40)


def test_half_occluded_bands_do_not_hide_jumps(lab):
    parallax = lab.layered_parallax()
    parallax[60:140, 84:100] = np.nan  # the band beside the square that only one eye sees
    assert _measure(lab, parallax).relief.jumps == 1


def test_texture_is_the_share_of_tiles_with_contrast():
    picture = np.full((80, 160, 3), 100, np.uint8)
    picture[:, :80:2] += 20
    assert textured_share(picture) == pytest.approx(0.5)
    assert textured_share(picture.astype(np.uint16) * 257) == pytest.approx(0.5)


def test_texture_does_not_depend_on_the_number_of_pixels():
    rng = np.random.default_rng(8)
    picture = np.full((360, 1440, 3), 100, np.uint8)
    picture[:, ::2] += rng.integers(0, 16, (360, 720, 1), dtype=np.uint8)
    larger = np.repeat(np.repeat(picture, 3, axis=0), 3, axis=1)
    assert 0.1 < textured_share(picture) < 0.98
    # many of these tiles lie at the threshold itself, where float32 sums of more pixels round differently
    assert textured_share(larger) == pytest.approx(textured_share(picture), abs=0.01)


def test_unknown_depth_is_null(lab):
    measured = _measure(lab, np.full((lab.height, lab.width), np.nan, np.float32))
    assert measured.near_px is None
    assert measured.relief.score is None
    assert measured.known_share == 0


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (3, 2), (9, 1)])
def test_tiny_pictures_are_measured(shape):
    measured = depth(np.zeros(shape, np.float32), np.zeros((*shape, 3), np.uint8), VIEWING)
    assert measured.deviation_px == 0
