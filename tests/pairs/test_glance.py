"""The quick look at two stations: a measured pair (tests/support/pairs.py) in either order, and re-aimed."""

from dataclasses import replace

import numpy as np
import pytest

from nearpair.pairs import glance as module
from nearpair.pairs.evidence import SmallView
from nearpair.pairs.eyes import StackEvidence
from nearpair.pairs.glance import glance
from nearpair.pairs.matches import Matches, match
from nearpair.pairs.rectify import NotRectified
from nearpair.pixels.luma import luma
from support.pairs import cones

NAMES = ("a", "b")


def views(aside_px=0):
    """Cones, the right picture moved to the right as by a camera that was re-aimed."""
    pair = cones()
    right = np.roll(pair.right, aside_px, axis=1)
    return tuple(SmallView(luma(picture), None, 1) for picture in (pair.left, right))


def looked(first, second, names=NAMES):
    stacks = tuple(StackEvidence(name, 1) for name in names)
    return glance(first, second, match(first.luma, second.luma), stacks)


@pytest.fixture
def fits(monkeypatch):
    done = []

    def counted(*given):
        done.append(given)
        return real(*given)

    real = module.rectify
    monkeypatch.setattr(module, "rectify", counted)
    return done


def test_in_either_order_the_views_are_fitted_once_and_tell_the_same(fits):
    left, right = views()
    straight = looked(left, right)
    assert len(fits) == 1
    exchanged = looked(right, left, NAMES[::-1])
    assert len(fits) == 2
    assert straight.found.first_is_left
    assert not exchanged.found.first_is_left
    assert straight.shift_px > 20
    assert exchanged.shift_px == pytest.approx(-straight.shift_px, abs=0.5)
    assert exchanged.found.confidence == pytest.approx(straight.found.confidence, abs=0.05)
    known = np.isfinite(straight.disparity) & np.isfinite(exchanged.disparity)
    assert known.mean() > 0.8
    assert np.median(np.abs(straight.disparity - exchanged.disparity)[known]) < 0.05


def test_a_camera_that_was_re_aimed_costs_a_second_fit(fits):
    """The whole picture lies to the other side by a little, and only the names tell the eyes."""
    left, right = views(38)
    found = looked(left, right, ("left", "right"))
    assert found.shift_px < 0
    assert found.found.first_is_left
    assert len(fits) == 2
    truth = cones()
    off = found.disparity - (truth.disparity_left_px - 38)
    assert np.nanmedian(np.abs(off)[truth.known_left]) < 0.5


def test_views_without_common_points_do_not_fit():
    left, right = views()
    stacks = tuple(StackEvidence(name, 1) for name in NAMES)
    nothing = Matches(np.zeros((0, 2)), np.zeros((0, 2)))
    assert isinstance(glance(left, right, nothing, stacks), NotRectified)
    flat = replace(left, luma=np.zeros_like(left.luma))
    assert isinstance(looked(flat, flat), NotRectified)
