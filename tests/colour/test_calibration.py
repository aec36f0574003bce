"""Calibration files of one's own glasses, and what is worked out from matched patches."""

import numpy as np
import pytest

from nearpair.colour.calibration import calibrated, own_colour, shares_passed
from nearpair.colour.glasses import GLASSES
from nearpair.colour.light import LUMINANCE_WEIGHTS
from nearpair.errors import NearpairError


def _raw(**changes):
    raw = {
        "version": 1,
        "kind": "red-cyan",
        "left": {"red": 0.7, "green": 0.012, "blue": 0.004},
        "right": {"red": 0.02, "green": 0.55, "blue": 0.6},
    }
    return {**raw, **changes}


def test_a_file_becomes_glasses():
    made = calibrated(_raw())
    assert (made.name, made.left_channels, made.right_channels) == ("red-cyan-measured", (0,), (1, 2))
    assert made.filters == "own"
    np.testing.assert_allclose(made.display.left[1] / made.display.bare[1], [0.7, 0.012, 0.004])
    np.testing.assert_allclose(made.least_squares.sum(axis=1), 1)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"version": 2}, r"^version: expected 1, the only version.*found 2"),
        ({"kind": "pink"}, r"^kind: expected one of red-cyan.*found 'pink'"),
        ({"left": {"red": 0.7, "green": 0.01}}, r"^\[left\] blue: this key is missing"),
        ({"left": {"red": 1.2, "green": 0.01, "blue": 0}}, r"^\[left\] red: expected a share.*found 1.2"),
        ({"right": {"red": 0, "green": "much", "blue": 1}}, r"^\[right\] green: expected a share.*'much'"),
        ({"right": {"red": float("nan"), "green": 0.5, "blue": 0.5}}, r"^\[right\] red: expected a share"),
        (
            {"right": {"red": 0, "green": 0.5, "blue": 0.5, "tint": 1}},
            r"^\[right\] tint: there is no such key",
        ),
        ({"right": 3}, r"^right: expected a table \[right\], found 3"),
        ({"colour": 3}, r"^colour: there is no such key"),
    ],
)
def test_what_is_wrong_is_named(changes, text):
    with pytest.raises(NearpairError, match=text) as failed:
        calibrated(_raw(**changes))
    assert "nearpair glasses" in failed.value.remedy


def test_glasses_worn_the_wrong_way_round_are_refused():
    with pytest.raises(
        NearpairError, match=r"^\[left\] red: expected .*The red filter belongs before the left"
    ):
        calibrated(_raw(left=_raw()["right"], right=_raw()["left"]))


@pytest.mark.parametrize(
    ("kind", "own"), [("red-cyan", (0, 1)), ("green-magenta", (1, 0)), ("amber-blue", (1, 2))]
)
def test_the_brightest_colour_is_the_own_one(kind, own):
    glasses = GLASSES[kind]
    assert (own_colour(glasses.left_channels), own_colour(glasses.right_channels)) == own


def test_matches_made_by_a_perfect_eye_give_the_filter_back():
    passed = np.array([0.02, 0.55, 0.61])
    brightness = passed * LUMINANCE_WEIGHTS
    matches = tuple(brightness / brightness[1])
    np.testing.assert_allclose(shares_passed(1, 0.55, matches), passed)
    assert shares_passed(1, 0.9, (9.0, 1.0, 1.0))[0] == 1.0
