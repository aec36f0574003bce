"""The pair and its anaglyph as one stage leaves them to the next."""

import numpy as np
import pytest

from nearpair.colour.glasses import GLASSES
from nearpair.frames.write import write_tiff
from nearpair.outputs.anaglyph import anaglyph
from nearpair.shoot.decisions import ColourDecisions
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.shown import MountedPair

DECIDED = ColourDecisions(glasses="red-cyan", method="half-colour")


@pytest.fixture
def shoot(tmp_path):
    shoot = ShootFolder(tmp_path)
    shoot.left.parent.mkdir()
    random = np.random.default_rng(4)
    for path in (shoot.left, shoot.right):
        write_tiff(path, random.integers(0, 256, (20, 30, 3), np.uint8), None)
    return shoot


def test_the_decided_anaglyph_is_mixed_once(shoot):
    shown = MountedPair(shoot, (0, 0), DECIDED)
    left, right = shown.pair()
    found = shown.anaglyph(GLASSES["red-cyan"], "half-colour")
    assert np.array_equal(found, anaglyph(left, right, GLASSES["red-cyan"], "half-colour"))
    assert shown.anaglyph(GLASSES["red-cyan"], "half-colour") is found
    assert shown.bare_anaglyph() is found
    grey = shown.anaglyph(GLASSES["red-cyan"], "grey")
    assert np.array_equal(grey, anaglyph(left, right, GLASSES["red-cyan"], "grey"))
    blue = shown.anaglyph(GLASSES["amber-blue"], "half-colour")
    assert np.array_equal(blue, anaglyph(left, right, GLASSES["amber-blue"], "half-colour"))


def test_masks_are_published_and_not_measured(shoot):
    shown = MountedPair(shoot, (3, 2), DECIDED)
    left, right = shown.published()
    assert not left[:, :3].any()
    assert not right[:, -2:].any()
    assert shown.pair()[0][:, :3].any()
    published = shown.anaglyph(shown.glasses, shown.method)
    assert np.array_equal(published, anaglyph(left, right, shown.glasses, shown.method))
    assert np.array_equal(shown.bare_anaglyph(), anaglyph(*shown.pair(), shown.glasses, shown.method))
    assert not np.array_equal(shown.bare_anaglyph(), published)
