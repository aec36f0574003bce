"""Strips that one eye sees alone: to whom they belong.

Geometry: Nakayama & Shimojo, Vision Research 30, 1990 (from memory): the left eye sees more of what is behind
on the left of a near thing, the right eye on its right.
"""

import numpy as np
import pytest

from nearpair.pairs.disparity import Disparity
from nearpair.pairs.evidence import SmallView, compare
from nearpair.pairs.eyes import strips_log_odds
from nearpair.pairs.halfhidden import Strips, strips
from nearpair.pixels.luma import luma
from support.pairs import cones, motorcycle

WIDTH = 60


def row(before_px, after_px, hidden=(25, 31), seen=(0.0, 0.0, 1.0)):
    """One row: disparity on both sides of a hidden strip, and a feature before it, in it, after it."""
    px = np.full((1, WIDTH), np.float32(before_px))
    px[:, hidden[1] :] = after_px
    px[:, hidden[0] : hidden[1]] = np.nan
    occluded = np.zeros((1, WIDTH), bool)
    occluded[:, hidden[0] : hidden[1]] = True
    features = np.full((1, WIDTH, 1), np.float32(seen[0]))
    features[:, hidden[0] : hidden[1]] = seen[1]
    features[:, hidden[1] :] = seen[2]
    return Disparity(px, occluded, np.ones_like(px)), features


@pytest.mark.parametrize(
    ("case", "votes"),
    [
        # disparity jumps up from left to right: a strip of the view's own
        ({"before_px": 2, "after_px": 10, "seen": (0, 0, 1)}, (1, 0)),
        ({"before_px": 2, "after_px": 10, "seen": (0, 1, 1)}, (0, 1)),
        # falling or too small a jump cannot hide anything
        ({"before_px": 10, "after_px": 2}, (0, 0)),
        ({"before_px": 2, "after_px": 3.5}, (0, 0)),
        # like both neighbours, or like neither more than the other
        ({"before_px": 2, "after_px": 10, "seen": (0, 0, 0.2)}, (0, 0)),
        ({"before_px": 2, "after_px": 10, "seen": (0, 0.5, 1)}, (0, 0)),
        # one pixel is no strip, nor is half the picture, nor what lies at the frame
        ({"before_px": 2, "after_px": 10, "hidden": (25, 26)}, (0, 0)),
        ({"before_px": 2, "after_px": 10, "hidden": (9, 50)}, (0, 0)),
        ({"before_px": 2, "after_px": 10, "hidden": (0, 8)}, (0, 0)),
        ({"before_px": 2, "after_px": 10, "hidden": (52, 60)}, (0, 0)),
        # nothing known beside it
        ({"before_px": np.nan, "after_px": 10}, (0, 0)),
        ({"before_px": 2, "after_px": np.nan}, (0, 0)),
    ],
)
def test_one_strip(case, votes):
    found = strips(*row(**case))
    assert (found.left, found.right) == votes


def test_every_second_row_is_asked_and_votes_add_up():
    disparity, features = row(2, 10)
    tall = Disparity(
        *(np.repeat(part, 7, axis=0) for part in (disparity.px, disparity.occluded, disparity.margin))
    )
    assert strips(tall, np.repeat(features, 7, axis=0)) == Strips(4, 0)
    assert Strips(1, 2).plus(Strips(3, 4)) == Strips(4, 6)


@pytest.mark.parametrize("mirrored", [False, True], ids=["as-shot", "mirrored"])
@pytest.mark.parametrize("swapped", [False, True], ids=["left-first", "right-first"])
@pytest.mark.parametrize("pair", [cones, motorcycle])
def test_strips_tell_the_eyes_of_real_pairs(pair, swapped, mirrored):
    """Colour alone, without any focus. Sources of the pairs: tests/support/pairs.py."""
    pair = pair().mirrored() if mirrored else pair()
    eyes = [luma(picture)[-260:, -400:] for picture in (pair.left, pair.right)]
    first, second = reversed(eyes) if swapped else eyes
    found = compare(SmallView(first, None, 1), SmallView(second, None, 1), ("a", "b")).evidence
    odds = strips_log_odds(found.strips_first, found.strips_second)
    assert (odds < 0) == swapped
    assert abs(odds) > 1.0
    # neither view alone votes against it; one of them, so small, may not decide
    for votes, own_left in ((found.strips_first, not swapped), (found.strips_second, swapped)):
        assert votes.left == votes.right or (votes.left > votes.right) == own_left
