"""Which blocks of which frame are looked at: no place is left without, and no blurred frame with."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.detail import BLOCK_PX, energy_of
from nearpair.views.worth import Worths

SHARP, BLURRED = 200, 100
SIZE = (160, 240)
BLOCKS = (20, 30)
STILL = Similarity()


def judge(codes, places=None, size=SIZE, reference=0, expected=None):
    places = places or [STILL] * len(codes)
    fits = expected or [None] * len(codes)
    worths = Worths(size, places, reference)
    for number, given_ in enumerate(codes):
        worths.take(number, given_, fits[number])
    return [worths.of(number, given_, fits[number]) for number, given_ in enumerate(codes)]


def halves():
    """Two frames, sharp in the left and in the right half."""
    left = np.full(BLOCKS, BLURRED, np.uint8)
    left[:, :15] = SHARP
    return [left, left[:, ::-1].copy()]


@st.composite
def stacks(draw):
    """Sizes, codes, places and the reference of any stack, with frames that see only a part."""
    size = (draw(st.integers(8, 200)), draw(st.integers(8, 200)))
    count = draw(st.integers(1, 5))
    reference = draw(st.integers(0, count - 1))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    blocks = tuple(-(-side // BLOCK_PX) for side in size)
    spread = draw(st.sampled_from([1, 30, 200]))
    codes = [rng.integers(255 - spread, 256, blocks).astype(np.uint8) for _ in range(count)]
    fits = None
    if draw(st.booleans()):
        fits = [rng.integers(0, 256, (rng.integers(1, 40), rng.integers(1, 40)), np.uint8) for _ in codes]
    far = st.floats(-60, 60)
    places = [
        STILL
        if number == reference
        else Similarity.about(
            (size[1] / 2, size[0] / 2), draw(st.floats(0.8, 1.25)), 1.0, (draw(far), draw(far))
        )
        for number in range(count)
    ]
    return codes, places, size, reference, fits


@given(stacks())
@settings(deadline=None, max_examples=150)
def test_every_block_is_looked_at_in_a_frame_that_sees_it(stack):
    found = judge(*stack)
    covered = np.zeros(found[0].looked_at.shape, np.bool_)
    for worth in found:
        assert worth.looked_at.dtype == np.bool_
        assert worth.looked_at.shape == worth.energy.shape == covered.shape
        covered |= worth.looked_at & (worth.energy > 0)
    assert np.all(covered)


def test_frames_that_are_far_less_sharp_are_left_out():
    """Each is looked at where it is sharp, with the blocks beside that."""
    first, second = judge(halves())
    assert np.all(first.looked_at[:, :15])
    assert not np.any(first.looked_at[:, 17:])
    assert np.all(second.looked_at[:, 15:])
    assert not np.any(second.looked_at[:, :13])


def test_frames_that_are_alike_are_all_looked_at():
    """Where nothing stands out, a mean of all has least noise."""
    codes = [np.full(BLOCKS, BLURRED, np.uint8)] * 4
    assert all(worth.looked_at.all() for worth in judge(codes))


def test_a_single_sharp_block_is_found():
    codes = [np.full(BLOCKS, BLURRED, np.uint8) for _ in range(3)]
    codes[1][7, 9] = SHARP
    first, second, third = judge(codes)
    assert np.all(second.looked_at[6:9, 8:11])
    for other in (first, third):
        assert not other.looked_at[7, 9]
        assert other.looked_at[0, 0]


def test_energies_are_those_of_the_codes_where_they_lie():
    """A frame 24 px farther right: its blocks three farther right, nothing in the first three."""
    codes = [np.arange(1, 31, dtype=np.uint8)[None].repeat(20, axis=0) * 8 for _ in range(2)]
    still, moved = judge(codes, [STILL, Similarity(shift_x_px=24.0)])
    np.testing.assert_array_equal(still.energy, energy_of(codes[0]))
    # the block at the border may be seen in part, if places were a little off
    np.testing.assert_array_equal(moved.energy[:, 4:], energy_of(codes[1])[:, 1:-3])
    assert not np.any(moved.energy[:, :4])


def test_a_frame_counts_for_nothing_where_it_sees_nothing():
    """It is by far the sharpest, but begins at column 80 of the view: left of that the other is needed."""
    codes = [np.full(BLOCKS, BLURRED, np.uint8), np.full(BLOCKS, SHARP, np.uint8)]
    reference, beside = judge(codes, [STILL, Similarity(shift_x_px=80.0)])
    assert np.all(reference.looked_at[:, :11])
    assert not np.any(reference.looked_at[:, 13:])
    assert np.all(beside.looked_at[:, 11:])
    assert not np.any(beside.looked_at[:, :9])
    assert not np.any(beside.energy[:, :10])


@pytest.mark.parametrize("number", [0, 1])
def test_what_does_not_fit_is_left_out(number):
    """Two frames as sharp, of which one does not belong there; what it passes on is its own energy still."""
    codes = [np.full(BLOCKS, SHARP, np.uint8)] * 2
    fits = [np.full((5, 7), 255 * (k == number), np.uint8) for k in range(2)]
    found = judge(codes, expected=fits)
    assert [bool(worth.looked_at.any()) for worth in found] == [number == 0, number == 1]
    assert found[number].looked_at.all()
    for worth in found:
        np.testing.assert_array_equal(worth.energy, energy_of(codes[0]))


def test_expecting_all_alike_changes_nothing():
    alike = [np.full((5, 7), 255, np.uint8)] * 2
    for given_, plain in zip(judge(halves(), expected=alike), judge(halves()), strict=True):
        np.testing.assert_array_equal(given_.looked_at, plain.looked_at)
