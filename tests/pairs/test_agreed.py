"""What both eyes agree on: planes of focus found from parallax, and near things that stay solid.

The stacks are drawn: grainy ground, a smooth bar in front, each blurred by a disc that grows with distance
from the plane of focus (thin lens, common practice, no source), the bar laid over it by its blurred coverage.
Frame k is focused where k says; the truth is which frame that is at each place.
"""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pairs.agreed import Planes, Sharpest, agreed, detail, planes_of, sharpest

FRAMES, NEAR, FAR = 13, 10, 2
HEIGHT, WIDTH, BAR_PX = 120, 180, 14
PX_PER_FRAME, FAR_PX = 1.5, 5.0


def disc(radius_px):
    reach = int(np.ceil(radius_px)) + 1
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    shape = np.clip(radius_px + 0.5 - np.hypot(x, y), 0, 1)
    return shape / shape.sum()


def disparity_of(frame):
    return FAR_PX + PX_PER_FRAME * (frame - FAR)


def grain():
    rng = np.random.default_rng(7)
    return cv2.GaussianBlur(rng.normal(0, 1, (HEIGHT, WIDTH + 60)), (0, 0), 1.0) * 60 + 120


def bar_mask(left_px):
    mask = np.zeros((HEIGHT, WIDTH))
    mask[:, left_px : left_px + BAR_PX] = 1
    return mask


def stem_mask(middle_px):
    """A stem of 4 px that leans."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    return np.clip(2.5 - np.abs(x - middle_px - 0.2 * (y - HEIGHT / 2)), 0, 1)


def stack(moved, order=1, thing=bar_mask, light=150):
    """One eye, `moved` bases to the right (0 or 1); frames from far to near, or the other way."""
    shift_far, shift_near = (round(moved * disparity_of(k)) for k in (FAR, NEAR))
    ground = grain()[:, 30 + shift_far : 30 + shift_far + WIDTH]
    bar = thing(80 - shift_near)
    frames = []
    for k in range(FRAMES):
        blurred = cv2.filter2D(ground, -1, disc(0.9 * abs(k - FAR)), borderType=cv2.BORDER_REFLECT)
        cover = cv2.filter2D(bar, -1, disc(0.9 * abs(k - NEAR)), borderType=cv2.BORDER_REFLECT)
        frames.append(np.rint(np.clip(cover * light + (1 - cover) * blurred, 0, 255)).astype(np.uint8))
    return np.stack(frames[::order])


def planes(order=1):
    frames = np.arange(FRAMES)[::order]
    return Planes(
        np.asarray([disparity_of(k) for k in frames], float), np.arange(FRAMES, dtype=float), order == 1
    )


def chosen(fits, order=1):
    """The frame that fits best, counted from far to near."""
    best = fits.argmax(axis=0)
    return best if order == 1 else FRAMES - 1 - best


@pytest.mark.parametrize("order", [1, -1])
def test_grain_seen_through_a_near_thing_does_not_win(order):
    """Focus alone gives most of a smooth bar to the ground's frame; both eyes give it to near ones."""
    left, right = stack(0, order), stack(1, order)
    bar, ground = np.s_[10:-10, 81:93], np.s_[10:-10, 20:60]
    by_focus = np.stack([detail(frame.astype(np.float32) / 255) for frame in left[::order]]).argmax(axis=0)
    fits = agreed(left, right, planes(order))
    by_both = chosen(fits, order)
    nearer_than = (NEAR + FAR) / 2
    assert np.mean(by_focus[bar] > nearer_than) < 0.5
    assert np.mean(by_both[bar] > nearer_than) > 0.9
    assert np.mean(by_both[ground] == FAR) > 0.97
    # nothing is put in doubt that is sharp: its own frame and the next ones keep their say
    assert np.mean(fits[::order][FAR][ground]) > 250
    assert np.mean(fits[::order][NEAR][ground]) < 60


def test_the_other_eye_agrees_on_its_own_picture():
    left, right = stack(0), stack(1)
    by_both = chosen(agreed(right, left, planes().reversed(FRAMES)))
    bar = np.s_[10:-10, 80 - round(disparity_of(NEAR)) + 1 : 93 - round(disparity_of(NEAR))]
    assert np.mean(by_both[bar] > (NEAR + FAR) / 2) > 0.9


def test_without_the_parallax_the_grain_wins():
    """The same with a wrong course, all planes where the ground is: it is parallax that tells."""
    left, right = stack(0), stack(1)
    flat = Planes(np.full(FRAMES, disparity_of(FAR)), np.arange(FRAMES, dtype=float), True)
    bar = np.s_[10:-10, 81:93]
    assert np.mean(chosen(agreed(left, right, flat))[bar] > (NEAR + FAR) / 2) < 0.8


@pytest.mark.parametrize("order", [1, -1])
def test_the_ground_is_ruled_out_where_a_stem_hides_it(order):
    """Its grain is far stronger than the stem, which is too thin for what is around it to decide."""
    left, right = (stack(moved, order, stem_mask, 135) for moved in (0, 1))
    stem = (stem_mask(80) == 1) & inner()
    beside = (cv2.dilate(stem_mask(80), np.ones((9, 9))) == 0) & inner()
    fits = agreed(left, right, planes(order))[::order]
    grainier = np.stack([detail(frame.astype(np.float32) / 255) for frame in left[::order]])
    assert np.mean(grainier[FAR][stem] > grainier[NEAR][stem]) > 0.9
    assert np.mean(fits[FAR][stem] == 0) > 0.85
    assert np.mean(fits[FAR][beside] == 0) < 0.01
    # what is nearer is never ruled out, nor is every frame
    assert fits[NEAR:].min() > 0


@pytest.mark.parametrize("wrong", [FAR, NEAR - 4])
def test_nothing_is_ruled_out_where_the_eyes_do_not_agree(wrong):
    """The same stem, with planes of focus that are not where the parallax has them."""
    left, right = (stack(moved, 1, stem_mask, 135) for moved in (0, 1))
    flat = Planes(np.full(FRAMES, disparity_of(wrong)), np.arange(FRAMES, dtype=float), True)
    assert np.mean(agreed(left, right, flat) == 0) < 0.002


def inner():
    mask = np.zeros((HEIGHT, WIDTH), bool)
    mask[10:-10, 20:-10] = True
    return mask


def test_frames_are_not_changed_and_the_result_is_the_same_again():
    left, right = stack(0), stack(1)
    kept = left.copy(), right.copy()
    one, two = (agreed(left, right, planes()) for _ in range(2))
    np.testing.assert_array_equal(one, two)
    np.testing.assert_array_equal(left, kept[0])
    np.testing.assert_array_equal(right, kept[1])
    assert one.max(axis=0).min() == 255


def looks(index, clear=True):
    return Sharpest(np.zeros(index.shape, np.float32), index.astype(np.int16), np.full(index.shape, clear))


@settings(deadline=None, max_examples=30)
@given(
    per_frame=st.floats(0.3, 3),
    bend=st.floats(-0.2, 0.2),
    backwards=st.booleans(),
    shift=st.integers(-30, 30),
    seed=st.integers(0, 99),
)
def test_the_course_of_the_planes_is_found(per_frame, bend, backwards, shift, seed):
    """A tilted ground, a fifth of it wrong; the other eye shot in the same order or the opposite one."""
    rng = np.random.default_rng(seed)
    index = np.repeat(np.linspace(0, FRAMES - 0.01, 200).astype(int)[:, None], 150, axis=1)
    middle = (FRAMES - 1) / 2
    true = shift + per_frame * (np.arange(FRAMES) - middle) * (
        1 + bend * (np.arange(FRAMES) - middle) / middle
    )
    disparity = (true[index] + rng.normal(0, 0.2, index.shape)).astype(np.float32)
    wrong = rng.random(index.shape) < 0.2
    disparity[wrong] = rng.uniform(shift - 40, shift + 40, wrong.sum())
    there = FRAMES - 1 - index if backwards else index
    found = planes_of(looks(index), looks(there), disparity, (FRAMES, FRAMES))
    assert found is not None
    assert found.near_last
    np.testing.assert_allclose(found.moved_px, true, atol=0.25)
    expected = np.arange(FRAMES)[::-1] if backwards else np.arange(FRAMES)
    np.testing.assert_allclose(found.partner, expected, atol=0.3)
    back = found.reversed(FRAMES)
    assert back.near_last != backwards
    np.testing.assert_allclose(back.moved_px, -true[expected], atol=0.5)


def test_nothing_is_agreed_on_where_nothing_is_told():
    index = np.repeat(np.linspace(0, FRAMES - 0.01, 200).astype(int)[:, None], 150, axis=1)
    rng = np.random.default_rng(3)
    counts = (FRAMES, FRAMES)
    course = (2.0 * index).astype(np.float32)
    assert planes_of(looks(index), looks(index), course, counts) is not None
    assert planes_of(looks(index, clear=False), looks(index), course, counts) is None
    assert planes_of(looks(index), looks(index, clear=False), course, counts) is None
    assert planes_of(looks(index), looks(index), np.full_like(course, np.nan), counts) is None
    assert planes_of(looks(index), looks(index), np.full_like(course, 3.0), counts) is None
    scattered = rng.uniform(-40, 40, course.shape).astype(np.float32)
    assert planes_of(looks(index), looks(index), scattered, counts) is None
    assert planes_of(looks(index // 5), looks(index // 5), course, counts) is None


def test_the_sharpest_of_a_stack_shows_both():
    found = sharpest(stack(0))
    assert np.median(found.index[:, 20:60]) == FAR
    assert np.mean(found.clear[:, 20:60]) > 0.9
    # the bar's sides
    assert np.median(found.index[10:-10, 79:82]) == NEAR
