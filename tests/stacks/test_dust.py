"""Dust on the sensor, on stacks of a grainy plane whose focus and scale run on."""

import cv2
import numpy as np
import pytest

from nearpair.geometry.transforms import Similarity
from nearpair.stacks.dust import Speck, in_both, specks

SIZE = (96, 144)
PLACES = ((20, 24), (110, 30), (36, 70), (118, 76))
"""x, y at half the size of the small pictures, away from the centre."""


def _stack(seed, *, dusty, frames=21, step=0.01):
    """Keyframes of a grainy, tilted plane that grows by `step` a frame, and how each lies on the first."""
    rng = np.random.default_rng(seed)
    height, width = SIZE
    grain = cv2.GaussianBlur(rng.normal(0, 1, (2 * height, 2 * width)).astype(np.float32), (0, 0), 1.0)
    plane = 0.3 * np.exp(0.9 * grain).astype(np.float32)
    speck = np.ones(SIZE, np.float32)
    for x, y in PLACES if dusty else ():
        speck[y, x] = 0.7
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    keyframes, to_first = [], []
    for number in range(frames):
        scale = 1 + step * number
        place = np.array([[scale, 0, 0], [0, scale, 0]])
        place[:, 2] = centre - scale * (2 * centre + 0.5)
        blur = 0.3 + 0.15 * abs(number - frames // 2)
        seen = cv2.warpAffine(cv2.GaussianBlur(plane, (0, 0), blur), place, (width, height))
        keyframes.append((number, np.asarray(seen * speck * rng.normal(1, 0.005, SIZE), np.float32)))
        to_first.append(Similarity.about(tuple(2 * centre + 0.5), scale=1 / scale))
    return keyframes, to_first


@pytest.fixture(scope="module")
def found():
    return {dusty: [specks(*_stack(seed, dusty=dusty)) for seed in (1, 2)] for dusty in (False, True)}


def test_specks_that_stay_while_the_subject_grows_are_dust(found):
    small = (2 * SIZE[0], 2 * SIZE[1])
    told = in_both(*found[True], small, small)
    assert {(round((s.x_px - 0.5) / 2), round((s.y_px - 0.5) / 2)) for s in told} == set(PLACES)
    assert all(s.share > 0.9 for s in told)


def test_a_grainy_subject_alone_has_none(found):
    small = (2 * SIZE[0], 2 * SIZE[1])
    assert in_both(*found[False], small, small) == ()


def test_dust_of_one_station_only_is_not_told(found):
    small = (2 * SIZE[0], 2 * SIZE[1])
    assert in_both(found[True][0], found[False][1], small, small) == ()


def test_frames_that_do_not_move_and_short_stacks_tell_nothing():
    assert specks(*_stack(1, dusty=True, step=0.0)) == ()
    assert specks(*_stack(1, dusty=True, frames=11)) == ()


def test_many_doubtful_specks_do_not_meet_by_chance():
    rng = np.random.default_rng(4)
    one, other = (
        [Speck(float(x), float(y), 0.76) for x, y in rng.uniform((100, 0), (288, 192), (300, 2))]
        for _ in range(2)
    )
    sure = Speck(40.5, 60.5, 0.96)
    size = (192, 288)
    assert in_both([*one, sure], [*other, sure], size, size) == (sure,)
    assert in_both([sure], [sure], size, (192, 300)) == ()


def test_a_line_that_stays_in_place_is_no_dust():
    """The rim of a mask, as a row of specks in both stacks."""
    size = (192, 288)
    row = [Speck(40.5 + 8 * n, 60.5, 1.0) for n in range(12)]
    assert in_both(row, row, size, size) == ()
    assert len(in_both(row[:2], row[:2], size, size)) == 2
