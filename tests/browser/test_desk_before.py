"""Before and after of a change on the desk."""

import numpy as np


def moved(desk, shift):
    desk.page.fill("#shift_px", str(shift))
    desk.page.press("#shift_px", "Enter")
    desk.wait(f"desk.state.pair.adjust.shift_px === {shift}").rest()


def test_the_picture_before_the_last_change_is_shown_while_a_key_is_held(desk):
    desk.rest()
    first = desk.pixels()
    assert desk.page.is_disabled("#before")
    moved(desk, 2)
    second = desk.pixels()
    assert np.abs(first.astype(int) - second).mean() > 1
    desk.page.focus("#canvas")
    desk.page.keyboard.down("b")
    desk.wait("desk.before.held && desk.picture.atRest")
    np.testing.assert_array_equal(desk.pixels(), first)
    words = desk.page.inner_text("#before-words")
    assert words.startswith("This is before.")
    assert "moved by hand, px 0, now 2" in words
    desk.page.keyboard.up("b")
    desk.wait("!desk.before.held && desk.picture.atRest")
    np.testing.assert_array_equal(desk.pixels(), second)
    assert desk.page.inner_text("#before-words") == ""
    assert "Last change: " in desk.page.get_attribute("#before", "title")
    desk.page.click("#before")  # and by a button that stays pressed
    desk.wait("desk.before.held && desk.picture.atRest")
    np.testing.assert_array_equal(desk.pixels(), first)
    desk.page.click("#before")
    assert desk.said == []


def test_the_colours_before_are_exact_too(desk):
    desk.rest()
    first = desk.pixels()
    desk.page.select_option("#method", "cielab")
    desk.wait("desk.state.decisions.colour.method === 'cielab'").rest()
    assert np.any(desk.pixels() != first)
    desk.page.click("#before")
    desk.wait("desk.before.held && desk.picture.atRest")
    np.testing.assert_array_equal(desk.pixels(), first)
    assert "method matched, now cielab" in desk.page.inner_text("#before-words")


def test_while_a_hand_moves_before_is_what_is_mounted(desk):
    desk.rest()
    desk.tell("() => { document.getElementById('shift_px').value = 5; desk.preview(); }")
    assert desk.tell("desk.picture.hand.shift_px") == 5
    desk.page.focus("#canvas")
    desk.page.keyboard.down("b")
    assert desk.tell("desk.picture.hand.shift_px") == 0
    desk.page.keyboard.up("b")
    assert desk.tell("desk.picture.hand.shift_px") == 5
