"""A pair on a 16:9 screen: where each eye's picture lies, and that nothing is stretched."""

import numpy as np
import pytest

from nearpair.outputs.clip import PACKINGS, SCREENS, card, fitted, on_screen

LEFT = np.full((40, 60, 3), 200, np.uint8)
RIGHT = np.full((40, 60, 3), 90, np.uint8)
SCREEN = (90, 160)


def test_screens_are_16_to_9():
    assert all(9 * width == 16 * height for height, width in SCREENS.values())


def test_a_picture_keeps_its_shape_in_the_middle():
    shown = fitted(LEFT, SCREEN)
    rows, columns = (np.flatnonzero((shown[..., 0] > 100).any(axis)) for axis in (1, 0))
    assert (len(rows), len(columns)) == (90, 135)
    assert abs(columns[0] - (159 - columns[-1])) <= 1


@pytest.mark.parametrize(
    ("packing", "left_half", "right_half", "axis"),
    [
        ("side-by-side", 200, 90, 1),
        ("parallel", 200, 90, 1),
        ("crossed", 90, 200, 1),
        ("top-bottom", 200, 90, 0),
        ("flat", 200, 200, 1),
    ],
)
def test_each_half_shows_its_eye(packing, left_half, right_half, axis):
    shown = on_screen(LEFT, RIGHT, packing, SCREEN)
    assert shown.shape == (*SCREEN, 3)
    halves = np.array_split(shown, 2, axis=axis)
    for half, level in zip(halves, (left_half, right_half), strict=True):
        assert half.max() == level
    assert set(PACKINGS) == {"side-by-side", "parallel", "crossed", "top-bottom", "flat"}


def test_a_card_has_its_words_in_the_middle_and_never_glares():
    shown = card("Glasses on", (108, 192)).mean(axis=2)
    rows = np.flatnonzero((shown > 120).any(axis=1))
    assert abs((rows[0] + rows[-1]) / 2 - 54) < 4
    assert shown.max() < 220
