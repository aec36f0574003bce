"""Masks: what is worked on holds what is looked at, and what is needed holds all that the work reads."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.detail import BLOCK_PX
from nearpair.views.masks import EVERYWHERE, level_masks
from nearpair.views.merge import Merger
from nearpair.views.worth import Worth
from support.merging import merge, planes_of
from support.textures import photograph


def blocks_of(size):
    return tuple(-(-side // BLOCK_PX) for side in size)


def test_without_a_mask_everything_is_needed():
    assert level_masks(None) == (EVERYWHERE, EVERYWHERE)
    assert EVERYWHERE.needed.shape[0] == EVERYWHERE.worked_on.shape[0] == 0


@given(st.integers(1, 30), st.integers(1, 40), st.floats(0, 1), st.integers(0, 2**32 - 1))
@settings(deadline=None)
def test_what_is_worked_on(rows, columns, share, seed):
    """All that is looked at, and nothing if nothing is; needed has a margin of a block around it."""
    looked_at = np.random.default_rng(seed).random((rows, columns)) < share
    fine, coarse = level_masks(looked_at)
    assert fine.worked_on.shape == coarse.worked_on.shape == looked_at.shape
    assert np.all(fine.worked_on >= looked_at)
    assert np.all(coarse.worked_on >= looked_at)
    # in samples of their own: 4 px, so half a block of the finest and a whole one of the next
    assert fine.needed.shape == (2 * rows, 2 * columns)
    assert coarse.needed.shape == (rows, columns)
    around = np.pad(fine.worked_on.repeat(2, axis=0).repeat(2, axis=1), 1)
    for y in range(3):
        for x in range(3):
            assert np.all(fine.needed >= around[y : y + 2 * rows, x : x + 2 * columns])
    if not looked_at.any():
        assert not any(mask.any() for mask in (fine.worked_on, fine.needed, coarse.worked_on, coarse.needed))


def test_a_single_block_leaves_most_of_the_frame_alone():
    looked_at = np.zeros((40, 60), np.bool_)
    looked_at[20, 30] = True
    fine, coarse = level_masks(looked_at)
    assert fine.worked_on.sum() <= 4
    assert fine.needed.sum() <= 24
    assert coarse.needed.sum() <= 30


class Poisoned(Merger):
    """Before every frame, all that is kept from frame to frame is filled with something extreme."""

    def __init__(self, size, poison, **settings):
        super().__init__(size, **settings)
        self._poison = poison

    def add(self, *given, **known):
        self._wait()
        for level in self._moved[0]:
            for plane in level.planes:
                plane.fill(self._poison)
            for energies in (level.energies, level.passed):
                energies.fill(1e9 if self._poison else 0.0)
        super().add(*given, **known)


def cut_out(name, size):
    """A photograph, beside itself as often as it takes."""
    return np.ascontiguousarray(np.tile(photograph(name)[60:], (1, 3, 1))[: size[0], 90 : 90 + size[1]])


def places(draw, count):
    """The first frame lies as the view does."""
    near = st.floats(-9, 9)
    scale, roll = st.floats(0.95, 1.05), st.floats(-1, 1)
    moved = [
        Similarity.about((80, 70), draw(scale), draw(roll), (draw(near), draw(near)))
        for _ in range(count - 1)
    ]
    return [Similarity(), *moved]


def masked(draw, size, everything):
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    share = 1.1 if everything else draw(st.sampled_from([0.0, 0.01, 0.1, 0.5]))
    energy = rng.uniform(0, 50, blocks_of(size)).astype(np.float32)
    return Worth(rng.random(blocks_of(size)) < share, energy)


@pytest.mark.parametrize("chroma_halved", [False, True])
@given(data=st.data())
@settings(deadline=None, max_examples=25)
def test_no_sample_is_used_that_was_not_filled(data, chroma_halved):
    """Whatever stands where nothing was moved to, the view is the same."""
    draw = data.draw
    tall, wide = (st.integers(50, 290), st.integers(50, 180)), (st.just(100), st.integers(1000, 1100))
    size = tuple(map(draw, draw(st.sampled_from([tall, tall, wide]))))
    frames = [cut_out(name, size) for name in ("coffee", "astronaut", "coffee")]
    where = places(draw, len(frames))
    worth = [masked(draw, size, everything=number == 0) for number in range(len(frames))]
    views = []
    for poison in (0, 65535):
        merger = Poisoned(size, poison, chroma_halved=chroma_halved)
        for frame, place, own in zip(frames, where, worth, strict=True):
            merger.add(planes_of(frame, chroma_halved), place, worth=own)
        views.append(merger.finish())
    np.testing.assert_array_equal(views[0].rgb, views[1].rgb)
    np.testing.assert_array_equal(views[0].focus, views[1].focus)


def test_the_poison_works():
    """A frame that is moved nowhere is seen to be used."""
    frame = cut_out("coffee", (100, 110))
    views = []
    for poison in (0, 65535):
        merger = Poisoned(frame.shape[:2], poison)
        merger._move = lambda *_: None
        merger.add(planes_of(frame), Similarity())
        views.append(merger.finish().rgb)
    assert np.all(views[0] != views[1])


@pytest.mark.parametrize("size", [(100, 1001), (203, 130), (150, 222)])
def test_energies_of_quarters_give_the_same_view(size, monkeypatch):
    """Large frames pass on means of energies only: the same view, and the focus map of those means."""
    rng = np.random.default_rng(size)
    frames = [cut_out(name, size) for name in ("coffee", "astronaut", "coffee", "astronaut")]
    where = [Similarity(shift_x_px=0.3 * number) for number in range(4)]
    energies = rng.uniform(0, 50, (4, *blocks_of(size))).astype(np.float32)
    worth = [Worth(rng.random(blocks_of(size)) < 0.3, energy) for energy in energies]
    worth[0].looked_at[:] = True
    views = []
    for large in (False, True):
        monkeypatch.setattr("nearpair.views.merge._LARGE_PX", 60 if large else 10_000)
        views.append(merge(frames, where, worth=worth))
    np.testing.assert_array_equal(views[0].rgb, views[1].rgb)
    assert views[1].focus.shape == size
    both = np.isfinite(views[0].focus) & np.isfinite(views[1].focus)
    assert both.mean() > 0.2
    assert np.median(np.abs(views[0].focus - views[1].focus)[both]) < 0.5
