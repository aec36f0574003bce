"""Measures of likeness have the values that their papers' formulas give."""

import cv2
import numpy as np
import pytest
from benchmarks.similarity import edges_kept, edges_kept_of_all, likeness, near_jumps, ssim_map
from skimage.data import astronaut


@pytest.fixture(scope="module")
def sharp():
    return np.clip(astronaut()[60:360, 80:480], 40, 200)


def ramp(across, down=0.0):
    """A plane whose Sobel gradient is (8·across, 8·down) everywhere but at the border."""
    return np.add.outer(down * np.arange(9.0), across * np.arange(9.0))


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    # Wang et al. 2004, eq. 13, by hand for flat pictures: (2ab + 6.5025) / (a² + b² + 6.5025)
    [(100, 110, 0.995476), (50, 200, 0.470669), (128, 128, 1.0), (0, 255, 0.000100)],
)
def test_ssim_of_flat_pictures(first, second, expected):
    found = ssim_map(np.full((20, 20), float(first)), np.full((20, 20), float(second)))
    assert found == pytest.approx(expected, abs=1e-6)


def test_a_perfect_copy_keeps_its_edges_as_the_constants_have_it():
    # set 1 of Xydeas & Petrovic: .9994/(1 + e^-7.5) · .9879/(1 + e^-4.4) = .998848 · .975918 = .974794
    kept, weight = edges_kept(ramp(3, 2), ramp(3, 2))
    assert kept == pytest.approx(0.974794, abs=1e-6)
    assert weight[4, 4] == pytest.approx(8 * np.hypot(3, 2))


def test_half_the_edge_strength():
    # G = .5 is the middle of the sigmoid: .9994/2 = .49970
    for source, merged in ((4, 2), (2, 4)):
        kept, _ = edges_kept(ramp(source), ramp(merged))
        assert kept[4, 4] == pytest.approx(0.49970 * 0.975918, abs=1e-6)


def test_an_edge_turned_by_a_fifth_of_a_right_angle():
    # A = 1 - 18°/90° = .8 is the middle of the other: .9879/2 = .49395
    turned = np.deg2rad(18)
    kept, _ = edges_kept(ramp(1), ramp(np.cos(turned), np.sin(turned)))
    assert kept[4, 4] == pytest.approx(0.998848 * 0.49395, abs=1e-6)


def test_an_edge_and_its_negative_are_the_same_edge():
    kept, _ = edges_kept(ramp(-3, 2), ramp(3, -2))
    assert kept[4, 4] == pytest.approx(0.974794, abs=1e-6)


def test_nearly_upright_edges_on_either_side_of_a_quarter_turn_are_alike():
    kept, _ = edges_kept(ramp(0.01, 1), ramp(-0.01, 1))
    assert kept[4, 4] > 0.97


def test_edges_of_all_inputs_are_weighted_by_their_strength(sharp):
    flat = np.full_like(sharp, 128)
    assert edges_kept_of_all([sharp, sharp], sharp) == pytest.approx(0.974794, abs=1e-6)
    # a flat input has no edges, so no weight; its loss is not counted
    assert edges_kept_of_all([sharp, flat], sharp) == pytest.approx(0.974794, abs=1e-6)
    blurred = cv2.GaussianBlur(sharp, (0, 0), 3)
    assert edges_kept_of_all([sharp, blurred], blurred) < edges_kept_of_all([sharp, blurred], sharp) < 0.974


def test_near_jumps_are_within_twelve_pixels_of_more_than_two_steps():
    depth_mm = np.full((50, 50), 300.0)
    depth_mm[:, 25:] = 297.0
    # columns 24 and 25 of the half-size depth are columns 48 to 51 of the picture
    near = near_jumps(depth_mm, 1.4, (100, 100))
    assert np.flatnonzero(near[40]).tolist() == list(range(48 - 12, 51 + 12 + 1))
    assert not near_jumps(depth_mm, 1.5, (100, 100)).any()


def test_likeness_tells_the_parts_apart(sharp):
    near = np.zeros(sharp.shape[:2], dtype=bool)
    near[:, :200] = True
    sign = np.random.default_rng(5).choice([-5, 5], size=sharp.shape)
    spoilt = np.where(near[..., None], sharp + sign, sharp).astype(np.uint8)
    found = likeness(spoilt, sharp, near)
    # MSE 25 is 34.15 dB, half of it 37.16 (20·log10(255) - 10·log10(MSE), definition)
    assert found.psnr_db[:2] == pytest.approx((37.16, 34.15), abs=0.1)
    assert found.psnr_db[2] > 60
    assert found.ssim[1] < found.ssim[0] < found.ssim[2]
    assert found.ssim[2] > 0.99


def test_a_scene_without_jumps_has_no_figure_near_them(sharp):
    found = likeness(sharp, sharp, np.zeros(sharp.shape[:2], dtype=bool))
    assert np.isnan(found.psnr_db[1])
    assert np.isnan(found.ssim[1])
    assert found.ssim[2] == pytest.approx(1)
