"""Dense disparity against measured pairs and against OpenCV's semi-global matcher in the same test.

Metrics: Middlebury stereo evaluation, version 3 (shared check values, section 8.1; definitions from memory).
Sources of the pairs: tests/support/pairs.py.
"""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import pytest
from benchmarks.semi_global import usual_matcher
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pairs.disparity import match_rows
from nearpair.pixels.luma import luma
from support.cores import check_any_number_of_cores
from support.pairs import aloe, cones, motorcycle

PAIRS = {"cones": cones, "motorcycle": motorcycle, "aloe": aloe}


@dataclass(frozen=True)
class Errors:
    """|d − truth| (px) of the evaluated pixels."""

    px: np.ndarray

    def bad(self, threshold_px):
        """Per cent of pixels farther from the truth than this."""
        return 100 * float(np.mean(self.px > threshold_px))

    @property
    def average(self):
        return float(np.mean(self.px))

    @property
    def rms(self):
        return float(np.sqrt(np.mean(self.px**2)))


def test_the_metric_itself():
    """Shared check values, section 8.1 (computed from the definitions)."""
    errors = Errors(np.array([0.5, 1.5, 2.5, 5.0]))
    assert [errors.bad(t) for t in (0.5, 1, 2, 4)] == [75, 75, 50, 25]
    assert errors.average == 2.375
    assert errors.rms == pytest.approx(2.9047, abs=5e-5)
    assert np.median(errors.px) == 2.0


def search_range(pair):
    known = pair.disparity_left_px[pair.known_left]
    return int(known.min()) - 2, int(np.ceil(known.max())) + 2


@cache
def ours(name):
    pair = PAIRS[name]()
    return match_rows(luma(pair.left), luma(pair.right), *search_range(pair))


@cache
def baseline(name):
    """StereoSGBM with the penalties that OpenCV's documentation gives; NaN where it gives nothing."""
    pair = PAIRS[name]()
    lowest, highest = search_range(pair)
    usual, _ = usual_matcher(lowest, highest)
    grey = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) for picture in (pair.left, pair.right)]
    found = usual.compute(*grey).astype(np.float32) / 16
    return np.where(found < lowest, np.nan, found)


def errors_of(found, pair, where):
    return Errors(np.abs(found - pair.disparity_left_px)[where & pair.known_left])


@pytest.mark.parametrize("name", PAIRS)
def test_no_worse_than_the_usual_matcher(name):
    pair, found, usual = PAIRS[name](), ours(name).px, baseline(name)
    mine = errors_of(found, pair, np.isfinite(found))
    theirs = errors_of(usual, pair, np.isfinite(usual))
    assert len(mine.px) > len(theirs.px)
    assert mine.average < theirs.average
    for threshold_px in (0.5, 1.0, 2.0):
        assert mine.bad(threshold_px) < theirs.bad(threshold_px)
    # with what is missing counted as wrong
    everywhere = np.ones(found.shape, bool)
    complete = [errors_of(np.nan_to_num(d, nan=1e6), pair, everywhere) for d in (found, usual)]
    for threshold_px in (0.5, 1.0, 2.0):
        assert complete[0].bad(threshold_px) < complete[1].bad(threshold_px)


# per cent bad beyond 1 and 2 px, average error (px), share of measured pixels with an answer
BOUNDS = {"cones": (6, 4.5, 0.5, 0.85), "motorcycle": (6.5, 4.5, 0.7, 0.86), "aloe": (5, 2.5, 0.6, 0.8)}


@pytest.mark.parametrize("name", PAIRS)
def test_errors_by_the_middlebury_measures(name):
    pair, found = PAIRS[name](), ours(name).px
    bad_1, bad_2, average, least_known = BOUNDS[name]
    errors = errors_of(found, pair, np.isfinite(found))
    assert 0.5 < errors.bad(1.0) < bad_1
    assert errors.bad(2.0) < bad_2
    assert errors.average < average
    assert len(errors.px) / pair.known_left.sum() > least_known


def seen_by_one_eye(pair):
    """Pixels of the left picture whose counterpart the right eye measures elsewhere, or not at all."""
    height, width = pair.disparity_left_px.shape
    rows, columns = np.mgrid[0:height, 0:width]
    there = np.rint(columns - pair.disparity_left_px).astype(int)
    inside = (there >= 0) & (there < width)
    back = pair.disparity_right_px[rows, np.clip(there, 0, width - 1)]
    return ~inside | (np.abs(back - pair.disparity_left_px) > 1.5)


def test_what_one_eye_sees_alone_is_marked():
    """Cones carries measured disparity of both eyes (Scharstein & Szeliski, CVPR 2003)."""
    pair, found = cones(), ours("cones")
    hidden = seen_by_one_eye(pair)
    assert 0.05 < hidden.mean() < 0.2
    assert found.occluded[hidden].mean() > 0.65
    assert found.occluded[~hidden].mean() < 0.06
    assert np.isnan(found.px[found.occluded]).all()


def texture(seed, shape=(60, 260), blur_px=1.5):
    """Invented: smooth random texture, luma about 0.5."""
    noise = np.random.default_rng(seed).standard_normal(shape).astype(np.float32)
    smooth = cv2.GaussianBlur(noise, (0, 0), blur_px)
    return (0.5 + 0.12 * smooth / smooth.std()).astype(np.float32)


def moved_right(plane, shift_px):
    """By the Fourier shift theorem, row by row."""
    phase = np.exp(-2j * np.pi * np.fft.rfftfreq(plane.shape[1]) * shift_px)
    return np.fft.irfft(np.fft.rfft(plane, axis=1) * phase, plane.shape[1], axis=1).astype(np.float32)


def test_a_shift_of_3_37_px():
    second = texture(1)
    found = match_rows(moved_right(second, 3.37), second, -4, 12).px[8:-8, 20:-20]
    assert np.isfinite(found).mean() > 0.99
    assert np.median(found) == pytest.approx(3.37, abs=0.02)
    assert np.percentile(np.abs(found - 3.37), 95) < 0.05


@settings(deadline=None, max_examples=12)
@given(st.floats(-6, 6), st.integers(0, 1000), st.floats(0.8, 1.2), st.floats(-0.1, 0.1))
def test_any_shift_and_any_exposure(shift_px, seed, gain, offset):
    """Sub-pixel, either sign; one eye may be darker or flatter than the other."""
    second = texture(seed)
    first = moved_right(second, shift_px) * np.float32(gain) + np.float32(offset)
    found = match_rows(first, second, -9, 9).px[8:-8, 20:-20]
    assert np.isfinite(found).mean() > 0.97
    assert np.median(found) == pytest.approx(shift_px, abs=0.05)


def test_a_step_in_depth_stays_a_step():
    """Behind (2 px) on the left, in front (10 px) on the right: no depth in between is invented."""
    far, near = texture(5), texture(6)
    columns = np.arange(far.shape[1])
    second = np.where(columns >= 120, near, far)
    first = np.where(columns >= 130, np.roll(near, 10, axis=1), np.roll(far, 2, axis=1))
    found = match_rows(first, second, -2, 14).px[8:-8, 20:-20]
    known = found[np.isfinite(found)]
    assert np.mean((np.abs(known - 2) < 0.3) | (np.abs(known - 10) < 0.3)) > 0.98


def test_nothing_is_told_of_a_flat_picture():
    flat = np.full((40, 80), 0.5, np.float32)
    assert not np.isfinite(match_rows(flat, flat, 0, 8).px).any()


def on_black(picture, disparity_px):
    """The near part of a picture before a background without any texture, as of black velvet."""
    near = cv2.GaussianBlur((disparity_px > 25).astype(np.float32), (0, 0), 1)
    return np.rint(255 * (luma(picture) * near + 0.02 * (1 - near))).astype(np.float32) / np.float32(255)


def test_a_black_background_is_given_no_depth():
    """Else the depth of the whole pair would reach to where the search ends."""
    pair = motorcycle()
    first, second = on_black(pair.left, pair.disparity_left_px), on_black(pair.right, pair.disparity_right_px)
    found = match_rows(first, second, 18, 66).px
    subject = (pair.disparity_left_px > 25).astype(np.uint8)
    assert np.isfinite(found[subject == 1]).mean() > 0.8
    assert np.isfinite(found[cv2.dilate(subject, np.ones((31, 31))) == 0]).mean() < 0.02
    measured = pair.disparity_left_px[pair.known_left & (subject == 1)]
    for percentile in (1, 99):
        assert np.nanpercentile(found, percentile) == pytest.approx(
            np.percentile(measured, percentile), abs=0.5
        )


def test_pictures_stay_and_the_number_of_cores_changes_nothing(monkeypatch):
    lumas = luma(cones().left)[:150, :200], luma(cones().right)[:150, :200]
    check_any_number_of_cores(
        monkeypatch, lambda *two: match_rows(*two, 0, 60), lumas, ("px", "occluded", "margin")
    )


def test_a_deep_pair_is_matched_at_half_size_without_losing_its_ends() -> None:
    """One texture, moved by 30 px above and by 230 px below: a range of more than 160 px."""
    texture = cv2.GaussianBlur(np.random.default_rng(3).random((260, 900), dtype=np.float32), (0, 0), 1.5)
    texture = (texture - texture.min()) / np.ptp(texture)
    first = np.ascontiguousarray(texture[:, 300:670])
    second = np.concatenate([texture[:130, 330:700], texture[130:, 530:900]])
    found = match_rows(first, second, 20, 240)
    assert np.nanmedian(found.px[20:110, 260:360]) == pytest.approx(30, abs=0.5)
    assert np.nanmedian(found.px[150:240, 260:360]) == pytest.approx(230, abs=0.5)
