"""Focus and depth maps of the desk, and the small pair that it shows at once."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from nearpair.desk.maps import focus_piece
from nearpair.desk.pictures import Pictures
from nearpair.frames.write import read_tiff
from nearpair.proof.pictures import depth_picture
from nearpair.shoot import preview
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.preview import Lying, keep_preview, read_preview
from nearpair.shoot.run import run
from nearpair.shoot.showing import mounted_last, shown_small
from nearpair.shoot.showing_focus import FocusShown

AS_IT_IS = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


@pytest.fixture
def state(visitor):
    return visitor.enter().json("/state")[1]


def test_the_focus_map_of_the_page_is_that_of_the_left_view(state, visitor, shoot):
    """The left view of this shoot is only cropped, so that its map can be compared px by px."""
    folder = ShootFolder(shoot)
    mounted = mounted_last(folder)
    assert mounted.left_matrix == AS_IT_IS
    x, y, width, height = state["pair"]["mounting"]["crop_px"]
    data = visitor.ask(f"/map/{state['pair']['key']}/focus")[2]
    found = np.frombuffer(data, "<f4").reshape(height, width)
    expected = read_tiff(folder.focus(mounted.stations[0]))[y : y + height, x : x + width]
    np.testing.assert_array_equal(found, expected)
    assert np.isfinite(found).mean() > 0.5


def test_its_colours_are_those_of_the_legend(state, visitor):
    key, told = state["pair"]["key"], state["legends"]["focus"]
    status, _, data = visitor.ask(f"/picture/{key}/focus/0/0-0.png")
    assert status == 200
    picture = np.asarray(Image.open(io.BytesIO(data)))
    assert list(picture.shape[:2]) == state["pair"]["size_px"]
    assert len(told["frames"]) == 6
    # the left stack was shot from far to near: its last frame is the near one, and light
    assert told["order"] == "far-to-near"
    ends = [told["stops"][end] for end in (0, -1)]
    assert [frame for frame, _ in ends] == [0, 5]
    light = [sum(bytes.fromhex(colour[1:])) for _, colour in ends]
    assert light[0] < light[1]
    x, y, width, height = state["pair"]["mounting"]["crop_px"]
    frames = np.frombuffer(visitor.ask(f"/map/{key}/focus")[2], "<f4").reshape(height, width)
    inside = picture[y : y + height, x : x + width]
    known = np.isfinite(frames)
    assert np.array_equal(inside[known], depth_picture(-frames, -5, 0)[known])


def test_steps_that_are_known_are_told_in_mm(visitor, shoot):
    run(shoot, "mount", Overrides(step_mm=0.4))
    assert visitor.enter().json("/state")[1]["legends"]["focus"]["step_mm"] == pytest.approx(0.4)


def test_a_turned_view_has_its_map_turned_with_it():
    plane = np.arange(60, dtype=np.float32).reshape(6, 10)
    turned = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 5.0]])  # lying (x, y) is the view's (y, 5 - x)
    focus = FocusShown("", plane, 1, turned)
    np.testing.assert_array_equal(focus.piece((0, 0), 1, (10, 6)), plane[::-1].T)
    halves = FocusShown("", plane[::2, ::2], 2, np.eye(3)[:2])
    assert halves.piece((0.5, 0.5), 2, (3, 5)).tolist() == plane[::2, ::2].tolist()


@pytest.mark.parametrize(("order", "near"), [("near-to-far", 0), ("far-to-near", 4), ("unknown", 4)])
def test_near_is_light_whichever_way_the_stack_was_shot(order, near):
    focus = FocusShown("", np.array([[0, 4]], np.float32), 1, np.eye(3)[:2])
    first, last = focus_piece(focus, 5, order, 0, (0, 0), (1, 2))[0].sum(axis=-1).tolist()
    assert (last > first) == (near == 4)


@pytest.fixture
def kept(tmp_path):
    """A pair of 240 x 160 px, kept at a quarter of it; its right view lies 8 px to the right, 4 px down."""
    random = np.random.default_rng(5)
    view = cv2.GaussianBlur(random.integers(0, 255, (160, 240, 3)).astype(np.uint8), (0, 0), 6)
    moved = ((1.0, 0.0, 8.0), (0.0, 1.0, 4.0), (0.0, 0.0, 1.0))
    parallax = np.linspace(-3, 9, 160 * 240, dtype=np.float32).reshape(160, 240)
    eyes = [Lying(preview.halved(view, 2), 2, where) for where in (AS_IT_IS, moved)]
    keep_preview(tmp_path / "small.npz", "this", eyes, (160, 240), parallax)
    return view, parallax, tmp_path / "small.npz"


def test_a_small_pair_lies_as_the_large_one(kept):
    view, parallax, path = kept
    found = read_preview(path, "this")
    small = preview.halved(view, 2)
    np.testing.assert_array_equal(found.left, small)
    np.testing.assert_array_equal(found.right[1:, 2:], small[:-1, :-2])
    assert found.size_px == (160, 240)
    assert (found.map.near_px, found.map.far_px) == pytest.approx(tuple(np.percentile(parallax, [1, 99])))
    assert read_preview(path, "another") is None


def test_a_small_pair_that_is_spoilt_is_none(kept):
    path = kept[2]
    path.write_bytes(path.read_bytes()[:900])
    assert read_preview(path, "this") is None


def test_a_large_pair_is_there_at_once_and_then_in_full(shoot, monkeypatch):
    monkeypatch.setattr(preview, "_LONG_SIDE_PX", 160)
    run(shoot, "mount", Overrides(raise_px=0.25))
    folder = ShootFolder(shoot)
    small = shown_small(folder, mounted_last(folder))
    assert small.finest == 1
    pictures = Pictures(lambda: folder)
    at_once = pictures.at_once()
    whole = pictures.whole()
    assert (at_once.finest, whole.finest) == (1, 0)
    assert (at_once.key, at_once.size_px, at_once.levels) == (whole.key, whole.size_px, whole.levels)
    for eye in ("left", "right"):
        near, far = (pair.held(eye, 1).astype(float) for pair in (at_once, whole))
        assert near.shape == far.shape
        apart = [np.abs(near - np.roll(far, by, (0, 1))).mean() for by in ((0, 0), (0, 1), (1, 0))]
        assert apart[0] < 0.33 * min(apart[1:])  # it lies right to a small part of a pixel
    assert pictures.piece(whole.key, "left", 0, 0, 0) is not None
    assert pictures.at_once() is whole


def test_the_pair_before_stays_to_be_compared(shoot):
    folder = ShootFolder(shoot)
    pictures = Pictures(lambda: folder)
    first = pictures.whole()
    run(shoot, "mount", Overrides(shift_px=2.0))
    second = pictures.whole()
    assert first.key != second.key
    for key in (first.key, second.key):
        assert pictures.piece(key, "right", 0, 0, 0) is not None
    assert pictures.piece(first.key, "right", 0, 0, 0) != pictures.piece(second.key, "right", 0, 0, 0)
    run(shoot, "mount", Overrides(shift_px=4.0))
    pictures.whole()
    assert pictures.piece(first.key, "right", 0, 0, 0) is None
