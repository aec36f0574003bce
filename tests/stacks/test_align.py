"""Registration of one frame on another, against movements made and measured by scikit-image and OpenCV.

Pictures: photographs that scikit-image carries; `support.textures` moves them with scikit-image's own
similarity transforms, which are the truth here.
"""

from itertools import permutations

import cv2
import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import reduced
from nearpair.stacks.align import align, structures
from support.textures import NAMES, SIZE_PX, about_centre, cut, rms_px, texture

# Rolled and larger, as between frames of a stack but more of everything
MOVED = about_centre(SIZE_PX, scale=1.0123, roll_deg=0.31, shift_px=(1.37, -2.21))


def found_between(fixed, moving, start=None):
    return align(structures(fixed), structures(moving), start)


@pytest.mark.parametrize("name", NAMES)
def test_a_known_similarity_is_found(name):
    found = found_between(cut(texture(name)), cut(texture(name), MOVED))
    assert found.related
    assert rms_px(found.transform, MOVED) < 0.02
    assert found.transform.scale == pytest.approx(MOVED.scale, abs=1e-4)
    assert found.transform.roll_deg == pytest.approx(np.degrees(MOVED.rotation), abs=0.01)


@pytest.mark.parametrize("shift_px", [0.03, 0.1, 0.3, 0.5, 0.8])
def test_small_movements_come_out_neither_larger_nor_smaller(shift_px):
    """Steps of an evenly driven stack are alike, so an error of each adds up along the stack."""
    moved = about_centre(SIZE_PX, shift_px=(shift_px, -shift_px / 2))
    found = found_between(cut(texture("gravel")), cut(texture("gravel"), moved))
    middle = ((SIZE_PX[1] - 1) / 2, (SIZE_PX[0] - 1) / 2)
    assert found.transform.shift_at(middle) == pytest.approx((shift_px, -shift_px / 2), abs=0.0015)


# A Gaussian of 1.5 px has the second moment of a blur disc of 6 px (σ² = diameter²/16, elementary): more than
# neighbours of a stack ever differ
@pytest.mark.parametrize("name", NAMES)
def test_other_focus_does_not_read_as_movement(name):
    blurred = cv2.GaussianBlur(cut(texture(name), MOVED), (0, 0), 1.5)
    assert rms_px(found_between(cut(texture(name)), blurred).transform, MOVED) < 0.05


@pytest.mark.parametrize("name", NAMES)
def test_a_sharper_frame_on_a_blurred_one(name):
    blurred = cv2.GaussianBlur(cut(texture(name)), (0, 0), 1.5)
    assert rms_px(found_between(blurred, cut(texture(name), MOVED)).transform, MOVED) < 0.05


@pytest.mark.parametrize("name", NAMES)
def test_brightness_does_not_read_as_movement(name):
    dimmed = (0.7 * cut(texture(name), MOVED) + 0.02).astype(np.float32)
    assert rms_px(found_between(cut(texture(name)), dimmed).transform, MOVED) < 0.02


@pytest.mark.parametrize("name", NAMES)
def test_noise_costs_little(name):
    # 2.5 steps of 255, independent in both: common practice for a good camera at base sensitivity, no source
    rng = np.random.default_rng(20)
    noisy = [
        (cut(texture(name), moved) + rng.normal(0, 0.01, SIZE_PX)).astype(np.float32)
        for moved in (None, MOVED)
    ]
    assert rms_px(found_between(*noisy).transform, MOVED) < 0.05


@pytest.mark.parametrize("shift", [(12.3, -9.4), (25.3, 17.6), (-40.2, 30.1), (60.3, -40.4), (100.3, 0.2)])
@pytest.mark.parametrize("name", ["brick", "coffee", "astronaut", "moon", "gravel"])
def test_a_knocked_frame_is_found(name, shift):
    """Bricks repeat and the cup is smooth: a wrong place near the start looks good there, but is not best."""
    moved = about_centre(SIZE_PX, shift_px=shift)
    found = found_between(cut(texture(name)), cut(texture(name), moved))
    assert found.related
    assert rms_px(found.transform, moved) < 0.05


def test_a_good_start_is_taken():
    moved = about_centre(SIZE_PX, scale=1.08, roll_deg=3, shift_px=(30, 20))
    start = Similarity.about((159.5, 119.5), 1.07, 2.8, (28, 21))
    found = found_between(cut(texture("gravel")), cut(texture("gravel"), moved), start)
    assert found.related
    assert rms_px(found.transform, moved) < 0.05


@pytest.mark.parametrize("name", ["gravel", "grass", "chelsea", "coffee", "astronaut", "camera", "rocket"])
def test_pure_shifts_agree_with_phase_correlation(name):
    """scikit-image's phase_cross_correlation; content that enters at the borders costs it up to 0.1 px."""
    moved = about_centre(SIZE_PX, shift_px=(6.3, -4.6))
    fixed, moving = cut(texture(name)), cut(texture(name), moved)
    down, across = phase_cross_correlation(moving, fixed, upsample_factor=50)[0]
    found = found_between(fixed, moving).transform
    assert found.shift_at((159.5, 119.5)) == pytest.approx((across, down), abs=0.12)


@pytest.mark.parametrize("name", ["gravel", "chelsea", "camera"])
def test_similarities_agree_with_enhanced_correlation(name):
    """OpenCV's findTransformECC (Evangelidis & Psarakis, IEEE PAMI 30(10), 2008), a free affine map."""
    fixed, moving = cut(texture(name)), cut(texture(name), MOVED)
    _, affine = cv2.findTransformECC(fixed, moving, np.eye(2, 3, dtype=np.float32), cv2.MOTION_AFFINE)
    ours = found_between(fixed, moving).transform.matrix()
    corners = np.array([[0.0, 0, 1], [319, 0, 1], [0, 239, 1], [319, 239, 1], [160, 120, 1]])
    np.testing.assert_allclose(corners @ ours.T, corners @ affine.T, atol=0.1)


def test_unrelated_pictures_are_told_apart():
    views = {name: structures(cut(texture(name))) for name in NAMES}
    for one, other in permutations(NAMES, 2):
        found = align(views[one], views[other])
        assert not found.related, (one, other)
        assert found.correlation < 0.3
        assert found.sigma_px == (np.inf,) * 4


def test_small_unrelated_pictures_are_told_apart():
    views = {name: structures(reduced(cut(texture(name)), 2)) for name in NAMES}
    assert not any(align(views[one], views[other]).related for one, other in permutations(NAMES, 2))


@pytest.mark.parametrize("size", [(1, 1), (3, 200), (8, 8), (16, 16), (30, 30), (240, 320)])
def test_pictures_without_structure_are_not_related(size):
    blank = np.full(size, 0.5, np.float32)
    found = found_between(blank, blank)
    assert not found.related
    assert found.transform == Similarity()
    speck = blank.copy()
    speck[0, 0] = 1
    assert not found_between(blank, speck).related


def test_a_picture_lies_on_itself():
    fixed = structures(cut(texture("gravel")))
    found = align(fixed, fixed)
    assert found.related
    assert found.correlation == pytest.approx(1)
    # the filter to spline coefficients is cut off where it has fallen to 1e-4
    assert rms_px(found.transform, about_centre(SIZE_PX)) < 5e-5


def test_nothing_is_changed_and_nothing_remembered():
    """Structures are used twice, with both neighbours: what one comparison did must not reach the next."""
    planes = [cut(texture("gravel")), cut(texture("gravel"), about_centre(SIZE_PX, shift_px=(60, 0)))]
    kept = [plane.copy() for plane in planes]
    views = [structures(plane) for plane in planes]
    arrays = [
        [getattr(level, field).copy() for field in ("band", "points", "values", "gradients", "laplacian")]
        for view in views
        for level in view
    ]
    first = align(*views)
    assert align(*views) == first
    assert align(structures(planes[0]), structures(planes[1])) == first
    after = [
        [getattr(level, field) for field in ("band", "points", "values", "gradients", "laplacian")]
        for view in views
        for level in view
    ]
    for before, now in zip(arrays, after, strict=True):
        for one, other in zip(before, now, strict=True):
            np.testing.assert_array_equal(one, other)
    for before, now in zip(kept, planes, strict=True):
        np.testing.assert_array_equal(before, now)


def test_standard_errors_match_the_scatter_under_noise():
    """Only noise between two pictures: errors over standard errors have a root mean square of about 1."""
    rng = np.random.default_rng(21)
    plane = cut(texture("gravel"))
    pulls = []
    for _ in range(12):
        one, other = ((plane + rng.normal(0, 0.02, SIZE_PX)).astype(np.float32) for _ in range(2))
        found = found_between(one, other)
        errors = (
            (found.transform.scale - 1) * 159.5,
            np.radians(found.transform.roll_deg) * 159.5,
            *found.transform.shift_at((159.5, 119.5)),
        )
        pulls.append(np.array(errors) / found.sigma_px)
    assert 0.5 < np.sqrt(np.mean(np.square(pulls))) < 2.5


def test_what_stripes_cannot_tell_is_uncertain():
    stripes = np.tile(np.sin(np.arange(320) / 3) * 0.3 + 0.5, (240, 1)).astype(np.float32)
    found = found_between(stripes, np.roll(stripes, 1, axis=1))
    _, _, across, along = found.sigma_px
    assert found.transform.shift_x_px == pytest.approx(1, abs=0.01)
    assert along > 1000 * across
