"""The simulated stacks behave like a lens: checked against elementary optics before they judge anything."""

import numpy as np
import pytest

from support.pairs import aloe, cones, fill, motorcycle, seen_from_right
from support.simulate import Lens, cut_layers, disc, expose, focus_planes, focus_stack, to_encoded, to_linear

STILL = Lens(frames=5, flicker=0.0, noise=0.0)


def near_square():
    """A dark square of disparity 20 in front of a bright plane of disparity 0."""
    light = np.full((96, 96, 3), 0.8, dtype=np.float32)
    light[32:64, 32:64] = 0.05
    disparity_px = np.zeros((96, 96), dtype=np.float32)
    disparity_px[32:64, 32:64] = 20
    return cut_layers(light, disparity_px, 20), light


@pytest.mark.parametrize("diameter_px", [2.5, 4.0, 7.0, 14.0])
def test_a_disc_has_the_spread_of_a_disc(diameter_px):
    # variance along one axis of a uniform disc: r²/4 (second moment of area, elementary)
    kernel = disc(diameter_px)
    reach = kernel.shape[0] // 2
    variance = (kernel.sum(axis=0) * np.arange(-reach, reach + 1) ** 2).sum()
    # seen through square pixels: 1/12 px² more (variance of a unit box)
    assert variance == pytest.approx(diameter_px**2 / 16 + 1 / 12, abs=0.04)
    assert kernel.sum() == pytest.approx(1)


def test_light_survives_encoding():
    every = np.arange(256, dtype=np.uint8)
    assert np.array_equal(to_encoded(to_linear(every)), every)


def test_a_blurred_near_edge_spreads_over_what_is_behind():
    layers, light = near_square()
    frame = expose(layers, 0.0, 0.5)[48, :, 0]
    # ten pixels of blur: half the light at the edge, nothing changed six pixels away
    assert (frame[31] + frame[32]) / 2 == pytest.approx((0.8 + 0.05) / 2, abs=0.03)
    assert frame[29] < 0.8 - 0.05
    assert np.allclose(frame[:26], light[48, :26, 0], atol=1e-4)


def test_a_sharp_near_edge_is_not_touched_by_the_blurred_distance():
    layers, light = near_square()
    frame = expose(layers, layers[-1].disparity_px, 0.5)
    assert np.allclose(frame, light, atol=1e-4)


def test_no_near_colour_leaks_into_the_distance():
    # the bright plane stays exactly as bright outside the near square's own blur, however it is focused
    layers, _ = near_square()
    for focus_px in (0.0, 10.0, 20.0):
        assert expose(layers, focus_px, 0.5)[:, :20].min() == pytest.approx(0.8, abs=1e-4)


def test_an_even_picture_stays_even():
    grey = np.full((60, 90, 3), 140, dtype=np.uint8)
    slope = np.tile(np.linspace(5, 30, 90, dtype=np.float32), (60, 1))
    for frame in focus_stack(grey, slope, STILL):
        assert np.array_equal(frame, grey)


def test_each_depth_is_sharpest_in_its_own_frame():
    pair = cones()
    planes = focus_planes(pair.disparity_left_px, STILL.frames)
    frames = focus_stack(pair.left, pair.disparity_left_px, STILL, planes)
    error = np.stack([np.abs(frame.astype(int) - pair.left).mean(axis=2) for frame in frames])
    for index, plane in enumerate(planes):
        there = np.abs(pair.disparity_left_px - plane) < 0.75
        assert error[:, there].mean(axis=1).argmin() == index


def test_breathing_enlarges_about_the_centre():
    lens = Lens(frames=2, blur_px=0.1, breathing=0.1, flicker=0.0, noise=0.0)
    picture = np.zeros((101, 101, 3), dtype=np.uint8)
    picture[50:53, 88:93] = 255
    slope = np.tile(np.linspace(5, 30, 101, dtype=np.float32), (101, 1))
    far, near = focus_stack(picture, slope, lens)
    middle = [(frame[51, :, 0] * np.arange(101.0)).sum() / frame[51, :, 0].sum() for frame in (far, near)]
    assert middle[0] == pytest.approx(90, abs=0.01)
    assert middle[1] == pytest.approx(50 + 1.1 * 40, abs=0.1)


@pytest.mark.parametrize("make", [cones, aloe, motorcycle])
def test_measured_disparity_brings_the_eyes_together(make):
    # x_left − x_right as the publishers define it: the right picture, moved by it, is the left one
    pair = make()
    height, width = pair.known_left.shape
    rows, columns = np.mgrid[0:height, 0:width]

    def difference(shift_px):
        source = np.rint(columns - pair.disparity_left_px + shift_px).astype(int)
        inside = pair.known_left & (source >= 0) & (source < width)
        seen = pair.right[rows[inside], source[inside]].astype(int)
        return np.median(np.abs(seen - pair.left[inside]))

    assert difference(0) < min(difference(-2), difference(2))


def test_the_right_eyes_disparity_from_the_left_is_the_measured_one():
    # Cones (Scharstein & Szeliski 2003) carries both
    pair = cones()
    derived = seen_from_right(pair.disparity_left_px)
    error = np.abs(derived - pair.disparity_right_px)
    assert np.median(error) <= 0.5
    assert (error > 2).mean() < 0.08


def test_holes_are_filled_with_what_is_behind():
    row = np.array([[9.0, 0.0, 0.0, 3.0, 3.0]] * 5)
    assert np.array_equal(fill(row, row > 0)[2], np.array([9, 3, 3, 3, 3], dtype=np.float32))


def test_in_a_mirror_nearer_things_keep_the_larger_disparity():
    pair = cones().mirrored()
    rows, columns = np.mgrid[0:375, 0:450]
    source = np.clip(np.rint(columns - pair.disparity_left_px).astype(int), 0, 449)
    seen = pair.right[rows, source].astype(int)
    assert np.median(np.abs(seen - pair.left)[pair.known_left]) < 12
