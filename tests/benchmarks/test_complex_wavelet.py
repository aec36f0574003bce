"""The complex-wavelet reference is what its literature says it is."""

import cv2
import numpy as np
import pytest
from benchmarks.complex_wavelet import (
    agree_across_bands,
    agree_in_window,
    coloured,
    daubechies_symmetric_6,
    inverse,
    join,
    split,
    transform,
    wavelet_merge,
)
from benchmarks.judge import psnr_db
from skimage.data import astronaut


@pytest.fixture(scope="module")
def sharp():
    return astronaut()[60:360, 80:480]


def test_the_filter_is_orthonormal():
    # definition of an orthonormal filter bank (Daubechies 1988): <h, h shifted by 2m> = 1 for m = 0, else 0
    taps = daubechies_symmetric_6()
    for shift, expected in ((0, 1), (2, 0), (4, 0)):
        assert np.vdot(taps[: 6 - shift], taps[shift:]) == pytest.approx(expected, abs=1e-15)
    assert taps.sum() == pytest.approx(np.sqrt(2), abs=1e-15)


def test_the_filter_is_symmetric_complex_and_has_three_zeros_at_minus_one():
    # Lina & Mayrand 1995 (from memory); no real orthonormal filter longer than 2 is symmetric
    taps = daubechies_symmetric_6()
    assert np.array_equal(taps, taps[::-1])
    assert np.abs(taps.imag).max() > 0.1
    for moment in range(3):
        assert abs(((-1.0) ** np.arange(6) * np.arange(6) ** moment) @ taps) < 1e-13


def test_the_filter_is_a_factor_of_the_half_band_polynomial():
    # Daubechies 1988: every filter of length 6 with three zeros at -1 has this autocorrelation (from memory)
    taps = daubechies_symmetric_6()
    product = np.convolve(taps, taps[::-1].conj())
    assert product * 256 == pytest.approx([3, 0, -25, 0, 150, 256, 150, 0, -25, 0, 3], abs=1e-12)


def test_splitting_and_joining_give_the_rows_back():
    random = np.random.default_rng(3)
    rows = random.normal(size=(10, 7)).astype(np.float32)
    low, high = split(rows)
    assert low.shape == high.shape == (5, 7)
    assert np.allclose(join(low, high), rows, atol=1e-6)


def test_a_straight_line_has_no_detail_inside():
    # three zeros at -1: polynomials up to the second degree vanish in the high band (Daubechies 1988)
    parabola = (np.arange(32, dtype=np.float32) / 8) ** 2
    assert np.abs(split(parabola[:, None])[1][1:-1]).max() < 1e-5


def test_the_transform_gives_the_picture_back_and_keeps_its_energy(sharp):
    plane = sharp[:288, :384, 1].astype(np.float32)
    scales, rest = transform(plane, 4)
    back = inverse(scales, rest)
    assert np.abs(back.real - plane).max() < 1e-3
    assert np.abs(back.imag).max() < 1e-3
    # orthonormal but for the borders, where samples are mirrored (Parseval)
    energy = sum((np.abs(band) ** 2).sum() for scale in scales for band in scale) + (np.abs(rest) ** 2).sum()
    assert energy == pytest.approx((plane**2).sum(), rel=0.02)


def test_two_sub_bands_overrule_the_third():
    one = np.array([[1, 1, 5, 1]], dtype=np.uint8)
    two = np.array([[1, 7, 4, 2]], dtype=np.uint8)
    three = np.array([[3, 7, 5, 4]], dtype=np.uint8)
    checked = agree_across_bands([one, two, three])
    assert [band.tolist() for band in checked] == [[[1, 7, 5, 1]], [[1, 7, 5, 2]], [[1, 7, 5, 4]]]


def test_a_majority_of_the_window_overrules_the_middle():
    chosen = np.full((7, 7), 2, dtype=np.uint8)
    chosen[3, 3] = 9
    chosen[:, :2] = 4
    checked = agree_in_window(chosen, 10)
    assert checked[3, 3] == 2
    assert np.array_equal(checked[:, :2], chosen[:, :2])
    assert chosen[3, 3] == 9


def test_colour_comes_whole_from_the_frame_of_nearest_luma():
    frames = [np.full((2, 2, 3), value, dtype=np.uint8) for value in ((10, 20, 30), (200, 90, 40))]
    wanted = np.array([[0, 60], [90, 255]], dtype=np.float32)
    assert coloured(frames, wanted)[..., 0].tolist() == [[10, 10], [200, 200]]


def test_merging_equal_frames_changes_nothing(sharp):
    assert np.array_equal(wavelet_merge([sharp] * 3), sharp)


def test_each_side_comes_from_the_frame_that_is_sharp_there(sharp):
    blurred = cv2.GaussianBlur(sharp, (0, 0), 4).astype(float)
    left = np.clip((np.arange(400) - 180) / 40, 0, 1)[None, :, None]
    halves = [np.rint(mix * blurred + (1 - mix) * sharp).astype(np.uint8) for mix in (left, 1 - left)]
    kept = [half.copy() for half in halves]
    assert psnr_db(wavelet_merge(halves), sharp) > max(psnr_db(half, sharp) for half in halves) + 6
    assert all(np.array_equal(half, before) for half, before in zip(halves, kept, strict=True))
