"""Interleaved pictures: every sample of each eye comes out of its own place again, exactly.

Arrangements: ITU-T H.264 Annex D, frame packing arrangement (checkerboard, column, row, top-bottom), with
the left view as frame 0, which has the first sample.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from nearpair.errors import PairError
from nearpair.outputs.interlace import (
    checkerboard,
    column_interleaved,
    row_interleaved,
    side_by_side,
    top_bottom,
)

kinds = st.sampled_from([np.uint8, np.uint16])


@st.composite
def pairs(draw):
    shape = (draw(st.integers(1, 9)), draw(st.integers(1, 9)), 3)
    kind = draw(kinds)
    return draw(hnp.arrays(kind, shape)), draw(hnp.arrays(kind, shape))


def eyes_of(mixed, of_left):
    """What a screen sends to each eye: the samples of its places, all others NaN."""
    shown = mixed.astype(float)
    return np.where(of_left[..., None], shown, np.nan), np.where(of_left[..., None], np.nan, shown)


PLACES = {
    row_interleaved: lambda y, x: y % 2 == 0,
    column_interleaved: lambda y, x: x % 2 == 0,
    checkerboard: lambda y, x: (x + y) % 2 == 0,
}


@pytest.mark.parametrize("mix", PLACES)
@given(pair=pairs())
def test_each_eye_gets_its_own_samples_back(mix, pair):
    left, right = pair
    before = left.copy(), right.copy()
    mixed = mix(left, right)
    assert (mixed.shape, mixed.dtype) == (left.shape, left.dtype)
    of_left = PLACES[mix](*np.indices(left.shape[:2]))
    for seen, own, places in zip(eyes_of(mixed, of_left), pair, (of_left, ~of_left), strict=True):
        assert (seen[places] == own[places]).all()
        assert np.isnan(seen[~places]).all()
    assert (left == before[0]).all()
    assert (right == before[1]).all()


@given(pair=pairs())
def test_top_bottom_comes_apart_again(pair):
    mixed = top_bottom(*pair)
    height = len(pair[0])
    assert (mixed[:height] == pair[0]).all()
    assert (mixed[height:] == pair[1]).all()


def test_side_by_side_halves_the_width():
    left = np.repeat(np.arange(40, dtype=np.uint8)[None, :, None] // 2 * 6, 3, axis=2).repeat(8, axis=0)
    mixed = side_by_side(left, 255 - left)
    assert mixed.shape == left.shape
    assert (mixed[:, :20] == left[:, ::2]).all()
    assert (mixed[:, 20:] == 255 - left[:, ::2]).all()


def test_pictures_of_different_size_are_refused():
    with pytest.raises(PairError, match="must be alike"):
        checkerboard(np.zeros((4, 4, 3), np.uint8), np.zeros((4, 5, 3), np.uint8))
