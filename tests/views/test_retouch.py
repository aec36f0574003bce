"""Putting a frame into an area of a view: exact inside, exact outside, and no seam where they compete."""

import cv2
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from nearpair.geometry.strokes import Stroke
from nearpair.geometry.transforms import Similarity
from nearpair.views import retouch
from nearpair.views.merge import View
from nearpair.views.retouch import Source, area_of, crop_of, put_in, room_px

SIZE = (160, 200)
MIDDLE = (100.0, 80.0)


def textured(seed=0, size=SIZE):
    noise = np.random.default_rng(seed).uniform(0, 255, (*size, 3)).astype(np.float32)
    coarse = cv2.GaussianBlur(noise, (0, 0), 3)
    return np.clip(128 + 6 * (coarse - coarse.mean()) + 0.3 * (noise - 128), 20, 235)


TRUE = textured()
BLURRED = cv2.GaussianBlur(TRUE, (0, 0), 4)


def view_of(picture, number=3.0, kind=np.uint8):
    scale = 1 if kind == np.uint8 else 257
    return View(np.rint(picture * scale).astype(kind), np.full(picture.shape[:2], number, np.float32))


def placed(picture, number=7.0, brightness=1.0, to_view=None, kind=np.uint8):
    scale = 1 if kind == np.uint8 else 257
    codes = np.clip(np.rint(picture * scale), 0, np.iinfo(kind).max).astype(kind)
    return Source(codes, to_view or Similarity(), brightness, number)


def distance(points, radius):
    stroke = Stroke(points, radius)
    rows, columns = np.mgrid[: SIZE[0], : SIZE[1]]
    return stroke.distance_px(np.dstack([columns, rows]).astype(np.float32)), stroke


def psnr(picture, where):
    return 10 * np.log10(255**2 / np.mean((picture.astype(float) - TRUE)[where] ** 2))


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_the_middle_is_the_frame_and_beyond_the_rim_every_byte_stays(kind):
    away, stroke = distance((MIDDLE, (130.0, 90.0)), 25.0)
    view = view_of(BLURRED, kind=kind)
    made = put_in(view, area_of(stroke, SIZE), placed(TRUE, kind=kind))
    assert made.rgb.dtype == kind
    inner = away < 4
    np.testing.assert_allclose(
        made.rgb[inner], view_of(TRUE, kind=kind).rgb[inner], atol=2 if kind == np.uint8 else 300
    )
    outer = away > 25 + room_px(25)
    np.testing.assert_array_equal(made.rgb[outer], view.rgb[outer])
    assert (made.focus[away < 15] == 7).all()
    assert (made.focus[away > 25] == 3).all()
    np.testing.assert_array_equal(view.rgb, view_of(BLURRED, kind=kind).rgb)


@given(
    st.tuples(st.floats(-20, 220), st.floats(-20, 180)),
    st.floats(0.5, 60),
    st.floats(0.9, 1.1),
    st.floats(-2, 2),
)
@example((0.0, 0.0), 19.0, 1.09765625, 0.0)
@settings(deadline=None, max_examples=25)
def test_the_same_picture_put_into_itself_changes_nothing(point, radius, brightness, shift):
    """Wherever the brush is and however the frame lies, what is right stays right."""
    area = area_of(Stroke((point,), radius), SIZE)
    picture = 0.9 * TRUE  # so that no highlight of a brighter frame is cut off: that would be another picture
    view = view_of(picture)
    if area is None:
        return
    whole = Similarity(shift_x_px=float(round(shift)))
    moved = np.roll(picture, -round(shift), axis=1)
    made = put_in(view, area, placed(moved * brightness, 3.0, brightness, whole))
    inside = np.abs(made.rgb.astype(int) - view.rgb) <= 2
    inside[:, :3] = inside[:, -3:] = True  # rolled around
    assert inside.all()
    assert (made.focus == 3).all()


def test_a_wrong_area_is_put_right():
    away, _ = distance((MIDDLE,), 20.0)
    wrong = np.where((away < 20)[..., None], BLURRED, TRUE)
    area = area_of(Stroke((MIDDLE,), 28.0), SIZE)
    made = put_in(view_of(wrong), area, placed(TRUE))
    assert psnr(made.rgb, away < 20) > psnr(wrong, away < 20) + 15


def test_a_brush_that_reached_too_far_takes_no_blur_in():
    """The frame is sharp on the left only, the view on the right: the textbook's soft edge mixes both."""
    columns = np.broadcast_to(np.arange(SIZE[1])[None, :, None], TRUE.shape)
    view, frame = np.where(columns < 100, BLURRED, TRUE), np.where(columns < 100, TRUE, BLURRED)
    away, stroke = distance(((70.0, 80.0),), 40.0)
    made = put_in(view_of(view), area_of(stroke, SIZE), placed(frame)).rgb
    share = np.clip((40 - away) / 12, 0, 1)[..., None]
    mixed = view + share * (frame - view)
    rim = (away < 40) & (away > 28)
    assert psnr(made, rim) > psnr(mixed, rim) + 3
    assert psnr(made, rim & (columns[..., 0] > 102)) > 30


def test_a_step_of_brightness_is_spread_over_the_rim():
    flat = np.full((*SIZE, 3), 100.0)
    away, stroke = distance((MIDDLE,), 40.0)
    made = put_in(view_of(flat), area_of(stroke, SIZE), placed(flat + 12)).rgb.astype(int)
    assert (made[away < 20] >= 110).all()
    steps = np.abs(np.diff(made[80, :, 0]))
    assert steps.max() <= 3  # hard edge: 12


def test_where_the_frame_shows_nothing_the_view_stays():
    right_part = Similarity(shift_x_px=110.0)
    area = area_of(Stroke((MIDDLE,), 40.0), SIZE)
    made = put_in(view_of(BLURRED), area, placed(TRUE, to_view=right_part))
    assert (made.focus[:, :105] == 3).all()
    np.testing.assert_array_equal(made.rgb[:, :80], view_of(BLURRED).rgb[:, :80])


def test_a_focus_map_that_names_the_frame_keeps_its_fractions():
    view = view_of(BLURRED)
    view.focus[:] = np.linspace(6, 8, SIZE[1], dtype=np.float32)
    view.focus[70:72] = np.nan
    away, stroke = distance((MIDDLE,), 60.0)
    focus = put_in(view, area_of(stroke, SIZE), placed(TRUE)).focus
    near = (away < 40) & (np.abs(view.focus - 7) <= 0.5)
    np.testing.assert_array_equal(focus[near], view.focus[near])
    assert (focus[(away < 40) & ~(np.abs(view.focus - 7) <= 0.5)] == 7).all()


def test_pieces_join(monkeypatch):
    """A long brush is worked on in pieces, which meet without a seam, to the code."""
    stroke = Stroke(((20.0, 30.0), (180.0, 130.0)), 14.0)
    area = area_of(stroke, SIZE)
    whole = put_in(view_of(BLURRED), area, placed(TRUE))
    monkeypatch.setattr(retouch, "_PIECE_PX", 48)
    pieces = put_in(view_of(BLURRED), area, placed(TRUE))
    assert np.abs(pieces.rgb.astype(int) - whole.rgb).max() <= 1
    np.testing.assert_array_equal(pieces.focus, whole.focus)


def test_a_crop_shows_the_frame_as_it_lies():
    shifted = Similarity(shift_x_px=-4.0, shift_y_px=2.0)
    shown, seen = crop_of(placed(TRUE, to_view=shifted), (50, 60, 30, 20))
    np.testing.assert_allclose(shown, np.rint(TRUE)[58:78, 54:84], atol=1)
    assert seen.all()
    _, seen = crop_of(placed(TRUE, to_view=shifted), (SIZE[1] - 10, 0, 10, 10))
    assert not seen[:, 6:].any()
    assert not seen[:2].any()


def test_nothing_is_put_in_outside_the_view():
    assert area_of(Stroke(((-200.0, 5.0),), 20.0), SIZE) is None
