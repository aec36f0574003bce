"""The mounting desk in a real Chromium: pixels, window point, keyboard, and a whole job from a card."""

import time

import numpy as np
import pytest

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from nearpair.outputs.anaglyph import METHODS, anaglyph
from nearpair.shoot.decisions import load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import glasses_named
from nearpair.shoot.shown import pair_as_seen
from support.desk_page import Desk


def test_every_method_shows_what_export_writes(desk, shoot):
    """Within 1 of 255, at every pixel of the crop, for each method (issue: the desk)."""
    left, right = pair_as_seen(ShootFolder(shoot))
    desk.page.click("#pixels")
    for method in METHODS:
        desk.page.select_option("#method", method)
        desk.wait(f"desk.state.decisions.colour.method === '{method}'").rest()
        colour = load(shoot / "shoot.toml").colour
        assert colour.method == method
        expected = anaglyph(left, right, glasses_named(colour.glasses), method)
        found = desk.crop()
        assert found.shape == expected.shape
        assert np.abs(found.astype(int) - expected).max() <= 1, method
    assert desk.said == []


MEASURED = """version = 1
kind = "red-cyan"
[left]
red = 0.72
green = 0.012
blue = 0.004
[right]
red = 0.016
green = 0.55
blue = 0.61
"""


def test_own_glasses_are_brought_in_and_shown_as_export_mixes_for_them(desk, shoot, tmp_path):
    left, right = pair_as_seen(ShootFolder(shoot))
    mine = tmp_path / "mine.toml"
    mine.write_text("version = 1\nkind = 'red-cyan'\n")
    desk.page.set_input_files("#glasses-file", mine)
    desk.wait("document.getElementById('said').textContent.includes('mine.toml: left: this key is missing')")
    assert not (shoot / "glasses").exists()
    mine.write_text(MEASURED)
    desk.page.set_input_files("#glasses-file", mine)
    desk.wait("desk.state.decisions.colour.glasses.endsWith('mine.toml')").rest()
    assert (shoot / "glasses" / "mine.toml").read_text() == MEASURED
    assert 'glasses = "glasses/mine.toml"' in (shoot / "shoot.toml").read_text()
    assert desk.page.inner_text("#glasses option:checked") == "mine, measured"
    desk.page.click("#pixels")
    for method in ("matched", "least-squares"):
        desk.page.select_option("#method", method)
        desk.wait(f"desk.state.decisions.colour.method === '{method}'").rest()
        glasses = glasses_named(load(shoot / "shoot.toml").colour.glasses)
        assert glasses.filters == "own"
        expected = anaglyph(left, right, glasses, method)
        assert np.abs(desk.crop().astype(int) - expected).max() <= 1, method
    while desk.tell("desk.state.decisions.colour.glasses") != "red-cyan":
        desk.page.click("#undo")
        desk.rest()
    desk.page.click("#redo")
    desk.wait("desk.state.decisions.colour.glasses.endsWith('mine.toml')")


@pytest.mark.parametrize(("look", "eye"), [("left", 0), ("right", 1)])
def test_one_eye_is_that_eyes_picture(desk, shoot, look, eye):
    desk.page.click("#pixels")
    desk.page.click(f"#look-{look}")
    desk.rest()
    np.testing.assert_array_equal(desk.crop(), pair_as_seen(ShootFolder(shoot))[eye])


def parallax_at(desk, x, y):
    return desk.tell(f"desk.picture.parallaxAt([{x} + 0.5, {y} + 0.5])")


def clicked(desk, x, y):
    """Click a place of the left view."""
    box = desk.page.locator("#canvas").bounding_box()
    view = desk.tell("desk.picture.view")
    at_x = box["x"] + box["width"] / 2 + (x + 0.5 - view["x"]) * view["zoom"]
    at_y = box["y"] + box["height"] / 2 + (y + 0.5 - view["y"]) * view["zoom"]
    desk.page.mouse.click(at_x, at_y)


def test_a_point_that_is_clicked_ends_at_the_window(desk, shoot):
    x, y = 150, 100
    before = parallax_at(desk, x, y)
    assert abs(before) > 1
    key = desk.tell("desk.state.pair.key")
    clicked(desk, x, y)
    # at once, before anything is mounted
    assert abs(parallax_at(desk, x, y)) < 0.01
    desk.wait(f"desk.state.pair.key !== '{key}'").rest()
    point = load(shoot / "shoot.toml").mounting.window
    assert point == pytest.approx((x, y), abs=1)
    assert abs(parallax_at(desk, x, y)) < 0.5
    assert desk.tell("desk.state.pair.mounting.window_point_px") == pytest.approx([x, y], abs=1)


def test_keys_move_the_window_and_take_it_back(desk, shoot):
    first = (shoot / "shoot.toml").read_text()
    desk.page.focus("#canvas")
    desk.page.keyboard.press("?")
    assert desk.page.is_visible("#keys")
    desk.page.keyboard.press("ArrowRight")  # moves nothing behind the sheet
    desk.page.keyboard.press("Escape")
    assert not desk.page.is_visible("#keys")
    desk.page.focus("#canvas")
    # all three before the hand rests, however slow the machine: they are one decision
    desk.page.evaluate(
        """() => [["ArrowRight", false], ["ArrowRight", false], ["ArrowLeft", true]].forEach(
            ([key, shiftKey]) => document.activeElement.dispatchEvent(
                new KeyboardEvent("keydown", { key, shiftKey, bubbles: true })))"""
    )
    assert desk.tell("desk.picture.hand.shift_px") == pytest.approx(1.9)
    desk.wait("Math.abs(desk.state.pair.adjust.shift_px - 1.9) < 1e-6").rest()
    assert load(shoot / "shoot.toml").adjust.shift_px == pytest.approx(1.9)
    desk.page.keyboard.press("Control+z")
    desk.wait("desk.state.pair.adjust.shift_px === 0").rest()
    assert (shoot / "shoot.toml").read_text() == first
    desk.page.keyboard.press("Control+Shift+z")
    desk.wait("Math.abs(desk.state.pair.adjust.shift_px - 1.9) < 1e-6").rest()


def test_a_key_just_after_a_click_counts(desk, shoot):
    """The click's answer comes while the key has moved on: both are kept, and taken back one by one."""
    desk.page.evaluate(
        """() => { const ask = window.fetch;  // every decision takes a while
            window.fetch = async (path, ...more) => {
              if (path === '/decide') await new Promise((go) => setTimeout(go, 150));
              return ask(path, ...more); }; }"""
    )
    desk.page.focus("#canvas")
    desk.page.keyboard.press("ArrowLeft")  # not sent yet, and dropped by the click
    x, y = 150, 100
    clicked(desk, x, y)
    desk.page.keyboard.press("ArrowRight")
    assert desk.tell("document.getElementById('shift_px').value") == "1"
    assert abs(parallax_at(desk, x, y) - 1) < 0.01
    time.sleep(0.2)  # the click is answered, the key is not sent
    assert desk.tell("document.getElementById('shift_px').value") == "1"
    desk.page.keyboard.press("ArrowRight")
    assert abs(parallax_at(desk, x, y) - 2) < 0.5
    desk.wait("desk.state.pair.adjust.shift_px === 2 && desk.state.pair.mounting.window_point_px").rest()
    decided = load(shoot / "shoot.toml")
    assert decided.mounting.window == pytest.approx((x, y), abs=1)
    assert decided.adjust.shift_px == 2
    assert abs(parallax_at(desk, x, y) - 2) < 0.5
    desk.page.keyboard.press("ArrowRight")
    desk.page.keyboard.press("Control+z")  # what is not sent yet is taken back, and no more
    desk.rest().wait("desk.state.decisions.adjust.shift_px === 2").rest()
    assert load(shoot / "shoot.toml").mounting.window == decided.mounting.window
    for _ in range(3):  # the key, a moment later the key before, and the click
        desk.page.keyboard.press("Control+z")
        desk.rest()
    assert load(shoot / "shoot.toml").mounting.window == "auto"
    assert desk.said == []


def test_what_is_moved_looks_so_before_it_is_mounted(desk):
    """The picture under the hand is the picture that is mounted then, but for resampling."""
    desk.page.click("#pixels")
    desk.page.click("summary:has-text('by hand')")
    desk.page.select_option("#method", "half-colour")
    desk.wait("desk.state.decisions.colour.method === 'half-colour'").rest()
    desk.page.fill("#raise_px", "2")
    desk.page.fill("#shift_px", "3")
    time.sleep(0.2)
    before = desk.pixels()
    desk.page.press("#shift_px", "Enter")
    desk.wait("desk.state.pair.adjust.shift_px === 3 && desk.state.pair.adjust.raise_px === 2").rest()
    after = desk.pixels()
    middle = (slice(340, 440), slice(350, 500))
    assert np.abs(before[middle].astype(int) - after[middle]).mean() < 3


def test_an_edit_by_hand_is_taken_up(desk, shoot):
    text = (shoot / "shoot.toml").read_text()
    (shoot / "shoot.toml").write_text(text.replace('glasses = "red-cyan"', 'glasses = "amber-blue"'))
    desk.wait("document.getElementById('glasses').value === 'amber-blue'", 20)


def test_two_pages_on_one_shoot_do_not_fight(desk, browser):
    other = Desk(browser, desk.address)
    other.wait("window.desk?.picture?.first > 0")
    desk.page.select_option("#method", "grey")
    other.wait("document.getElementById('method').value === 'grey'", 20)
    other.page.select_option("#method", "colour")
    desk.wait("document.getElementById('method').value === 'colour'", 20)
    other.context.close()


def test_nothing_comes_from_elsewhere(desk):
    desk.rest()
    assert {url.split("/")[2] for url in desk.asked if url.startswith("http")} == {desk.address.split("/")[2]}


def test_rocking_stands_still_for_those_who_ask_for_it(browser, shoot):
    with serving(Session(shoot)) as address:
        desk = Desk(browser, address, motion="reduce")
        desk.wait("window.desk?.picture?.first > 0")
        desk.page.click("#look-rocking")
        seen = set()
        for _ in range(12):
            seen.add(desk.tell("desk.picture.rock"))
            time.sleep(0.15)
        assert len(seen) == 1
        desk.context.close()


def flashes(times):
    """Most changes of the picture that begin within any second."""
    return max((sum(start <= t < start + 1000 for t in times) for start in times), default=0)


def test_rocking_never_flashes_more_often_than_allowed(desk):
    # WCAG 2.2, 2.3.1: not more than three flashes, which are pairs of changes, in any second
    desk.tell(
        "() => { window.changes = []; let last = 0; setInterval(() => { const now = desk.picture.rock;"
        " if (now !== last) { window.changes.push(performance.now()); last = now; } }, 10); }"
    )
    desk.page.click("#look-rocking")
    time.sleep(2.5)
    changes = desk.tell("window.changes")
    assert len(changes) >= 2
    assert flashes(changes) <= 3


def luminance(colour):
    light = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (c / 255 for c in colour)]
    return 0.2126 * light[0] + 0.7152 * light[1] + 0.0722 * light[2]


STYLES = """() => [...document.querySelectorAll('button, input, select, label, p, h1, h2, legend, a')]
  .filter((n) => n.offsetParent && !n.disabled).map((n) => { let b = n; let ground;
    do { ground = getComputedStyle(b).backgroundColor; b = b.parentElement; }
    while (b && /, 0\\)$/.test(ground));
    return [n.tagName + '#' + n.id, getComputedStyle(n).color, ground]; })"""


def test_controls_are_grey_and_can_be_read(desk):
    """Contrast of WCAG 2.2, 1.4.3 (AA): 4.5 to 1; and greys only, which read alike through either filter."""
    import re

    for name, ink, ground in desk.tell(STYLES):
        one, other = ([float(v) for v in re.findall(r"[\d.]+", text)][:3] for text in (ink, ground))
        assert max(one) - min(one) <= 3, (name, ink)
        assert max(other) - min(other) <= 3, (name, ground)
        high, low = sorted((luminance(one), luminance(other)), reverse=True)
        assert (high + 0.05) / (low + 0.05) >= 4.5, (name, ink, ground)


@pytest.mark.parametrize("width", [390, 1400])
def test_nothing_is_wider_than_the_screen(browser, shoot, width):
    with serving(Session(shoot)) as address:
        desk = Desk(browser, address, size=(width, 844))
        desk.wait("window.desk?.picture?.first > 0")
        assert desk.tell("document.documentElement.scrollWidth") <= width
        controls = "button, select, input:not([type=checkbox]), .form, summary"
        small = desk.tell(
            f"() => [...document.querySelectorAll('{controls}')].filter((n) => n.offsetParent)"
            ".map((n) => Math.min(n.offsetHeight, n.offsetWidth)).filter((v) => v < 43)"
        )
        assert small == []
        desk.context.close()


def test_a_whole_job_from_a_card_by_keyboard(browser, card, tmp_path):
    target = tmp_path / "new"
    with serving(Session(target, card)) as address:
        desk = Desk(browser, address)
        desk.wait("!document.getElementById('begin').disabled")
        assert "2 stations" in desk.page.inner_text("#card-words")
        assert not target.exists()
        desk.page.focus("#begin")
        desk.page.keyboard.press("Enter")
        desk.wait("window.desk?.picture?.first > 0", 90)
        desk.wait("desk.state.proof !== null", 90).rest()
        desk.page.focus("#canvas")
        desk.page.keyboard.press("ArrowRight")
        desk.wait("desk.state.pair.adjust.shift_px === 1").rest()
        desk.page.focus("#export")
        desk.page.keyboard.press("Enter")
        desk.wait("document.getElementById('said').textContent === 'Exported.'").rest()
        with desk.page.expect_download() as download:
            desk.page.click("#results a[download]")
        name = download.value.suggested_filename
        assert download.value.path().read_bytes() == (target / "out" / name).read_bytes()
        assert desk.said == []
        desk.context.close()


def test_long_work_can_be_stopped_and_taken_up(browser, card, tmp_path):
    with serving(Session(tmp_path / "new", card)) as address:
        desk = Desk(browser, address)
        desk.wait("!document.getElementById('begin').disabled")
        desk.page.click("#begin")
        desk.wait("desk.state.job.state === 'running' || desk.state.begun")
        desk.tell(
            "fetch('/stop', { method: 'POST', headers: { 'content-type': 'application/json' }, body: '{}' })"
        )
        desk.wait("desk.state.job.state === 'stopped'")
        desk.wait("document.getElementById('said').textContent.includes('Nothing is lost')")
        desk.context.close()
