"""Depth and focus maps over the picture of the desk, with legends."""

import numpy as np


def test_keys_lay_maps_over_the_picture_and_legends_say_what_they_mean(desk):
    desk.rest()
    desk.page.focus("#canvas")
    desk.page.keyboard.press("8")
    desk.wait("desk.picture.atRest")
    words = desk.page.inner_text("#legend-ends")
    assert "Far, frame 1" in words
    assert "left, 6 frames" in words
    assert "Near, frame 6" in words
    whole = desk.pixels()
    desk.page.fill("#legend-over", "0.5")
    desk.wait("desk.picture.atRest")
    assert np.abs(whole.astype(int) - desk.pixels()).mean() > 5
    desk.page.focus("#canvas")
    desk.page.keyboard.press("7")
    assert "Near" in desk.page.inner_text("#legend-ends")
    assert "px" in desk.page.inner_text("#legend-ends")
    desk.page.click("#look-glasses")
    assert not desk.page.is_visible("#legend")
    assert desk.said == []


def test_the_frame_under_the_pointer_is_named(desk):
    desk.page.click("#look-focus")
    desk.rest()
    box = desk.page.locator("#canvas").bounding_box()
    said = set()
    for share in np.linspace(0.3, 0.7, 9):
        desk.page.mouse.move(box["x"] + box["width"] * share, box["y"] + box["height"] * 0.6)
        said.add(desk.page.inner_text("#legend-here"))
    assert any("sharpest in frame" in words and ".jpg" in words.lower() for words in said), said
    assert len(said) > 2
