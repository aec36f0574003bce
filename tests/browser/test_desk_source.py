"""Frames at a place, on the desk, in a real Chromium: looked at, stepped through, brushed in, taken back."""

from base64 import b64decode

import numpy as np
import pytest

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from nearpair.geometry.strokes import Stroke
from nearpair.proof.model import LensProfile
from nearpair.shoot import mounting
from nearpair.shoot.decisions import load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.run import run
from nearpair.shoot.sources import Sources
from support.desk_page import Desk

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


def tried(desk, look):
    """What one eye is shown before a stroke, and at once after it, at 1 : 1."""
    desk.wait("desk.picture.pieces.length === 2")
    desk.page.click(f"#look-{look}")
    desk.rest()
    after = desk.crop()
    desk.tell("desk.picture.kept = desk.picture.pieces, desk.picture.pieces = [], desk.picture.redraw()")
    before = desk.rest().crop()
    desk.tell("desk.picture.pieces = desk.picture.kept, desk.picture.redraw()")
    return before, after


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
    desk.page.click("#pixels")
    desk.page.click("#source-brush")
    desk.page.fill("#source-radius", "9")
    desk.page.mouse.move(*on_page(desk, 180, 120))
    desk.page.mouse.down()
    desk.page.mouse.move(*on_page(desk, 190, 121), steps=4)
    desk.page.mouse.move(*on_page(desk, 205, 130), steps=4)
    desk.page.mouse.up()
    shown = {name: tried(desk, name) for name in ("left", "right")}
    desk.page.click("#look-left")
    desk.page.click("#source-put")
    desk.wait(f"desk.state.pair.key !== '{mounted}'").rest().wait("desk.source.found.done.length === 1")
    for before_it, at_once in shown.values():
        changed = np.abs(at_once.astype(int) - before_it).max(axis=2) > 8
        assert 30 < changed.sum() < 2000
    assert not desk.tell("desk.picture.pieces.filter((p) => p.key === desk.picture.pair.key).length")
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


def put_at(desk, x, y, frame_by=1):
    """Show another frame around a place, by keyboard; returns once it is decided."""
    before = desk.tell("desk.state.decisions.retouches.length")
    desk.page.click("#source-look")
    desk.page.mouse.click(*on_page(desk, x, y))
    desk.wait(f"Math.abs((desk.source.found?.left?.point_px[0] ?? 0) - {x}) < 2")
    desk.page.keyboard.press("." if frame_by > 0 else ",")
    desk.page.click("#source-put")
    return desk.wait(f"desk.state.decisions.retouches.length === {before + 1}")


def test_two_pages_do_not_take_each_others_retouches_back(source, browser, shoot):
    one = source
    other = Desk(browser, one.address).wait("window.desk?.picture?.first > 0")
    other.page.click("#source-open")
    other.wait(LOADED)
    put_at(one, 150.5, 100.5, -1)
    other.wait("desk.state.decisions.retouches.length === 1", 20).rest()
    put_at(other, 200.5, 90.5, -1)
    one.wait("desk.state.decisions.retouches.length === 2", 20).rest()
    assert one.page.is_disabled("#undo")  # a step back would take both
    one.page.click("#source-list li:first-child button")
    other.wait("desk.state.decisions.retouches.length === 1", 20)
    left = load(shoot / "shoot.toml").retouches
    assert left[0].points[0] == pytest.approx((200, 90), abs=2)
    other.context.close()


def test_what_is_brushed_is_not_lost(source, shoot):
    """Refused because the file was edited meanwhile: the stroke stays; the browser asks before it closes."""
    desk = source
    desk.page.click("#source-brush")
    desk.page.mouse.move(*on_page(desk, 180, 120))
    desk.page.mouse.down()
    desk.page.mouse.move(*on_page(desk, 200, 125), steps=4)
    desk.page.mouse.up()
    desk.page.keyboard.press("Escape")
    desk.page.click("#source-open")
    strokes = desk.tell("desk.source.strokes")
    assert len(strokes) == 1
    desk.page.route(
        "**/decide",
        lambda route: route.fulfill(
            status=409, json={"message": "was changed meanwhile.", "remedy": "Decide again."}
        ),
    )
    desk.page.click("#source-put")
    desk.wait("document.getElementById('said').textContent.includes('Decide again')")
    desk.wait("desk.source.strokes.length === 1")
    assert desk.tell("desk.source.strokes") == strokes
    asked = []
    desk.page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    desk.page.close(run_before_unload=True)
    desk.wait("true")
    assert asked == ["beforeunload"]
    desk.page.unroute("**/decide")
    desk.page.click("#source-put")
    desk.wait("desk.state.decisions.retouches.length === 1").rest()
    assert load(shoot / "shoot.toml").retouches[0].points[0] == pytest.approx((179.5, 119.5), abs=1)


BARREL = LensProfile(
    name="a strong one",
    model="ptlens",
    terms=(0.01, -0.03, -0.02),
    unit_px=100.0,
    taken_out=True,
    largest_px=4.0,
)
"""Bends the corners of the small views by 3 px, beyond any macro lens."""


def test_a_strong_lens_is_reckoned_with_for_both_eyes(browser, shoot, monkeypatch):
    """Places and outlines on the page are where the desk's own mounting has them, to a tenth of a px."""
    monkeypatch.setattr(mounting, "lens_of", lambda *asked: BARREL)
    run(shoot, "mount")
    sources = Sources.open(ShootFolder(shoot))
    with serving(Session(shoot)) as address:
        desk = Desk(browser, address).wait("window.desk?.picture?.first > 0")
        desk.page.click("#source-open")
        for eye, name in enumerate(("left", "right")):
            places = np.stack(np.meshgrid(np.linspace(5, 294, 9), np.linspace(5, 194, 7)), -1).reshape(-1, 2)
            shown = np.array(desk.tell(f"{places.tolist()}.map((p) => desk.source.lie.toPicture({eye}, p))"))
            expected = sources.lies(eye, places)
            assert np.abs(shown - 0.5 - expected).max() < 1e-3
            assert np.abs(expected - places)[:, 1].max() > 3
            back = np.array(desk.tell(f"{shown.tolist()}.map((p) => desk.source.lie.toView({eye}, p))"))
            assert np.abs(back - places).max() < 1e-3
            desk.page.click(f"#look-{name}")
            stroke = brushed(desk, 9)
            off = off_by(desk, sources, eye, stroke)
            assert off < 0.1
        desk.context.close()


def brushed(desk, radius):
    """Brush near a corner, where the lens bends the most, at 6 : 1; returns the stroke as it is decided."""
    x, y, _, height = desk.tell("desk.state.pair.mounting.crop_px")
    desk.tell(f"desk.picture.exact([{x} + 40, {y} + {height} - 30], 6)")
    desk.page.fill("#source-radius", str(radius))
    desk.page.click("#source-look")
    desk.page.mouse.click(*on_page(desk, x + 95, y + height - 30))  # away from what is brushed
    desk.wait("desk.source.found?.left || desk.source.found?.right")
    desk.page.click("#source-brush")
    desk.page.click("#source-clear")
    moves = [(x + 22, y + height - 40), (x + 36, y + height - 22), (x + 60, y + height - 20)]
    desk.page.mouse.move(*on_page(desk, *moves[0]))
    desk.page.mouse.down()
    for move in moves[1:]:
        desk.page.mouse.move(*on_page(desk, *move), steps=5)
    desk.page.mouse.up()
    strokes = desk.tell("desk.source.strokes")
    assert len(strokes) == 1
    return Stroke(tuple(map(tuple, strokes[0])), radius)


def off_by(desk, sources, eye, stroke):
    """How far the white outline on the canvas reaches into the stroke, px of the view."""
    script = """() => { const c = document.getElementById('source-marks');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let s = ''; for (let i = 0; i < d.length; i += 4) s += String.fromCharCode(d[i] > 200 ? d[i + 3] : 0);
        return [c.width, c.height, btoa(s)]; }"""
    width, height, data = desk.tell(script)
    seen = np.frombuffer(b64decode(data), np.uint8).reshape(height, width)
    view = desk.tell("desk.picture.view")
    rows, columns = np.indices(seen.shape)
    middle = np.array([view["x"], view["y"]])
    on_canvas = np.stack([columns, rows], -1) + 0.5 - np.array([width, height]) / 2
    at = on_canvas / view["zoom"] + middle - 0.5
    away = stroke.distance_px(sources.in_view(eye, at).astype(np.float32)) - stroke.radius_px
    # white around the stroke, from its rim outwards by a quarter of a px
    rim = (seen > 200) & (np.abs(away) < 1)
    assert rim.sum() > 500
    assert rim[(away > 0.1) & (away < 0.15)].all()
    return -np.min(away[rim])
