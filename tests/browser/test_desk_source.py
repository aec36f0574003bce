"""Frames at a place, on the desk, in a real Chromium: looked at, stepped through, brushed in, taken back."""

import pytest

from nearpair.shoot.decisions import load

LOADED = """desk.source.found
    && [...document.querySelectorAll('#source .strip img')].every((i) => i.naturalWidth === 128)"""


@pytest.fixture
def source(desk):
    desk.page.click("#source-open")
    return desk.wait(LOADED)


def on_page(desk, x, y):
    """Where a place of the left picture is on the page."""
    box, view = desk.page.locator("#canvas").bounding_box(), desk.tell("desk.picture.view")
    return (
        box["x"] + box["width"] / 2 + (x - view["x"]) * view["zoom"],
        box["y"] + box["height"] / 2 + (y - view["y"]) * view["zoom"],
    )


def test_frames_are_seen_stepped_through_and_brushed_in_for_both_eyes(source, shoot):
    desk = source
    before = (shoot / "shoot.toml").read_text()
    desk.page.mouse.click(*on_page(desk, 190.5, 120.5))
    desk.wait("Math.abs(desk.source.found?.left?.point_px[0] - 190) < 1.5").wait(LOADED)
    frames = desk.tell("desk.source.found.left.frames")
    used = round(desk.tell("desk.source.found.left.number"))
    assert desk.tell("desk.source.chosen") == used
    assert frames[used] in desk.page.inner_text("#source p")
    key, other = (",", used - 1) if used else (".", 1)
    desk.page.keyboard.press(key)
    assert desk.tell("desk.source.chosen") == other
    desk.wait(LOADED)
    mounted = desk.tell("desk.state.pair.key")
    desk.page.click("#source-brush")
    desk.page.fill("#source-radius", "9")
    desk.page.mouse.move(*on_page(desk, 180, 120))
    desk.page.mouse.down()
    desk.page.mouse.move(*on_page(desk, 190, 121), steps=4)
    desk.page.mouse.move(*on_page(desk, 205, 130), steps=4)
    desk.page.mouse.up()
    desk.page.click("#source-put")
    desk.wait(f"desk.state.pair.key !== '{mounted}'").rest().wait("desk.source.found.done.length === 1")
    one = load(shoot / "shoot.toml").retouches[0]
    assert (one.station, one.frame, one.radius_px, one.eyes) == ("left", frames[other], 9, "both")
    assert one.points[0] == pytest.approx((179.5, 119.5), abs=1)
    assert one.points[-1] == pytest.approx((204.5, 129.5), abs=1.5)
    assert desk.tell("desk.source.found.left.number") == other
    done = desk.tell("desk.source.found.done[0]")
    assert done["other_frame"] in desk.page.inner_text("#source-list")
    desk.page.click("#undo")
    desk.wait(f"desk.state.pair.key === '{mounted}'").rest()
    assert (shoot / "shoot.toml").read_text() == before
    assert desk.said == []


def test_by_keyboard_alone(source, shoot):
    desk = source
    press = desk.page.keyboard.press
    start = desk.tell("desk.source.place")
    press("ArrowRight")
    press("Shift+ArrowDown")
    moved = desk.tell("desk.source.place")
    assert moved[0] > start[0]
    assert moved[1] == start[1] + 1
    desk.wait("Math.abs(desk.source.found?.left?.point_px[1] - desk.source.place[1] + 0.5) < 0.6").wait(
        LOADED
    )
    chosen = desk.tell("desk.source.chosen")
    press("." if chosen < 3 else ",")
    mounted = desk.tell("desk.state.pair.key")
    press("Space")
    press("ArrowRight")
    press("Space")
    press("Enter")
    desk.wait(f"desk.state.pair.key !== '{mounted}'").rest()
    assert len(load(shoot / "shoot.toml").retouches[0].points) == 2
    press("Escape")
    assert not desk.page.is_visible("#source")


def test_the_panel_can_be_hit_with_glasses_on(source):
    """Greys only, which read alike through either filter; 44 px, as the other controls."""
    greys = source.tell(
        "() => [...document.querySelectorAll('#source *')].flatMap((n) => { const s = getComputedStyle(n);"
        " return [s.color, s.backgroundColor]; })"
    )
    for colour in set(greys):
        red, green, blue = (float(v) for v in colour[colour.index("(") + 1 : -1].split(",")[:3])
        assert max(red, green, blue) - min(red, green, blue) <= 3, colour
    small = source.tell(
        "() => [...document.querySelectorAll('#source button, #source input, #source select')]"
        ".map((n) => Math.min(n.offsetHeight, n.offsetWidth)).filter((v) => v < 43)"
    )
    assert small == []
