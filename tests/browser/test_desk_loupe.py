"""The loupe of the desk: both eyes pixel by pixel at one place, moved by pointer and by keys."""

import numpy as np
import pytest

from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.shown import pair_as_seen

DRAWN = "desk.loupe.picture.complete && !desk.loupe.picture.wanted"


@pytest.fixture
def loupe(desk):
    desk.rest()
    desk.page.focus("#canvas")
    desk.page.keyboard.press("l")
    desk.wait(f"document.activeElement.id === 'loupe-canvas' && {DRAWN}")
    return desk


def seen(desk, eye):
    """The pixels of one eye's half around the middle of the loupe, and the place in the middle."""
    pixels = desk.pixels("loupe-canvas")
    half = pixels.shape[1] // 2
    return pixels[:, eye * half : (eye + 1) * half]


def test_each_eye_is_shown_pixel_by_pixel(loupe, shoot):
    loupe.page.uncheck("#loupe-same")
    loupe.page.click("#loupe-zoom-2")
    loupe.wait(DRAWN)
    view, room = loupe.tell("desk.loupe.picture.view"), loupe.tell("desk.loupe.picture.room")
    x, y, width, height = loupe.tell("desk.state.pair.mounting.crop_px")
    start, top = round((x - view["x"]) * 2 + room[0] / 2), round((y - view["y"]) * 2 + room[1] / 2)
    columns = (np.arange(room[0]) - start) // 2
    inside = (columns >= 0) & (columns < width)
    assert inside.sum() > 200
    for eye, picture in enumerate(pair_as_seen(ShootFolder(shoot))):
        row = top + height  # the middle one
        found = seen(loupe, eye)[row, : room[0]][inside]
        np.testing.assert_array_equal(found, picture[height // 2, columns[inside]])


def test_the_same_point_is_in_the_middle_for_both_eyes(loupe):
    """Beyond a pixel of rest, nothing of the parallax at that place is left."""
    loupe.page.keyboard.press("ArrowLeft")
    hand = loupe.tell("desk.loupe.picture.hand.shift_px")
    x, y = loupe.tell("desk.loupe.place")
    assert hand == round(-loupe.tell(f"desk.picture.parallaxAt([{x}, {y}])"))
    loupe.page.uncheck("#loupe-same")
    assert loupe.tell("desk.loupe.picture.hand.shift_px") == 0


def test_keys_move_it_and_close_it(loupe):
    x, y = loupe.tell("desk.loupe.place")
    loupe.page.keyboard.press("ArrowRight")
    loupe.page.keyboard.press("Shift+ArrowUp")
    assert loupe.tell("desk.loupe.place") == [x + 10, y - 1]
    assert loupe.tell("desk.state.decisions.adjust.shift_px") == 0  # the window stays
    loupe.page.keyboard.press("+")
    assert loupe.tell("desk.loupe.picture.view.zoom") == 4
    loupe.page.keyboard.press("Escape")
    assert loupe.tell("[document.getElementById('loupe').hidden, document.activeElement.id]") == [
        True,
        "canvas",
    ]


def test_it_follows_the_pointer_and_stands_beside_it(loupe):
    box = loupe.page.locator("#canvas").bounding_box()
    for share in (0.3, 0.7):
        loupe.page.mouse.move(box["x"] + box["width"] * 0.98, box["y"] + 40)
        loupe.page.keyboard.press("Escape")
        loupe.page.mouse.move(box["x"] + box["width"] * share, box["y"] + box["height"] / 2)
        loupe.page.keyboard.press("l")
        middle = loupe.tell("desk.picture.placeOf([desk.picture.room[0] / 2, 0])[0]")
        place = loupe.tell("desk.loupe.place[0]")
        assert (place - middle) * (share - 0.5) > 0
        own = loupe.page.locator("#loupe").bounding_box()
        assert (own["x"] > box["x"] + box["width"] / 2 - 5) == (share < 0.5)
