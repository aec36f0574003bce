"""The crop by hand on the desk: handles by pointer and keys, shapes, undo, and what is written."""

import pytest

from nearpair.shoot.decisions import load

DRAGGED = "async (given) => (await import('/page/crop.js')).dragged(...given)"


@pytest.mark.parametrize(
    ("sides", "move", "ratio", "found"),
    [
        ([0, 0], [5, -7], None, [105, 43, 120, 80]),
        ([0, 0], [-500, 900], None, [0, 220, 120, 80]),  # stays inside 400 x 300
        ([-1, 0], [10, 99], None, [110, 50, 110, 80]),
        ([1, 1], [1000, 20], None, [100, 50, 300, 100]),
        ([1, 0], [-500, 0], None, [100, 50, 32, 80]),  # never too small
        ([1, 1], [30, 0], 1.5, [100, 50, 150, 100]),
        ([-1, -1], [-30, 0], 1.5, [70, 30, 150, 100]),  # the other corner stays
        ([0, 1], [0, 20], 1.5, [85, 50, 150, 100]),  # its middle stays
        ([1, 1], [900, 0], 1.5, [100, 50, 300, 200]),
    ],
)
def test_a_handle_moves_its_sides_only(desk, sides, move, ratio, found):
    assert desk.page.evaluate(DRAGGED, [[100, 50, 120, 80], sides, *move, ratio, [400, 300]]) == found


def test_an_edge_dragged_by_the_pointer_is_written_and_mounted_and_taken_back(desk, shoot):
    desk.rest()
    text = (shoot / "shoot.toml").read_text()
    x, y, width, height = desk.tell("desk.state.pair.mounting.crop_px")
    desk.page.click("#crop-open")
    desk.wait("document.getElementById('crop').style.width !== ''")
    handle = desk.page.locator("[aria-label='left edge']").bounding_box()
    at = handle["x"] + handle["width"] / 2, handle["y"] + handle["height"] / 2
    desk.page.mouse.move(*at)
    desk.page.mouse.down()
    by = round(30 * desk.tell("desk.picture.view.zoom"))
    desk.page.mouse.move(at[0] + by, at[1], steps=4)
    desk.page.mouse.up()
    wanted = [x + 30, y, width - 30, height]
    assert desk.tell("desk.crop.box") == pytest.approx(wanted, abs=1)
    wanted = desk.tell("desk.crop.box")
    desk.page.click("#crop-set")
    desk.wait(f"desk.state.pair.mounting.crop_px.join() === '{','.join(map(str, wanted))}'").rest()
    assert list(load(shoot / "shoot.toml").mounting.crop) == wanted
    assert "by hand" in desk.tell("desk.state.pair.mounting.crop_rule")
    desk.page.click("#undo")
    desk.wait(f"desk.state.pair.mounting.crop_px.join() === '{x},{y},{width},{height}'").rest()
    assert load(shoot / "shoot.toml").mounting.crop == "auto"
    assert (shoot / "shoot.toml").read_text() == text
    assert desk.said == []


def test_all_of_it_by_keys_in_a_chosen_shape(desk, shoot):
    desk.rest()
    _x, _y, width, height = desk.tell("desk.state.pair.mounting.crop_px")
    desk.page.focus("#canvas")
    desk.page.keyboard.press("c")
    assert desk.tell("document.activeElement.id") == "crop"
    desk.page.select_option("#crop-ratio", "1:1")
    assert desk.tell("desk.crop.box")[2:] == [min(width, height)] * 2
    desk.page.focus("[aria-label='bottom right corner']")
    desk.page.keyboard.press("ArrowLeft")
    desk.page.keyboard.press("Shift+ArrowLeft")
    assert desk.tell("desk.crop.box")[2:] == [min(width, height) - 11] * 2
    before = desk.tell("desk.crop.box")
    desk.page.focus("#crop")
    desk.page.keyboard.press("Shift+ArrowUp")
    desk.page.keyboard.press("Enter")
    wanted = [before[0], max(0, before[1] - 1), *before[2:]]
    desk.wait("desk.state.decisions.mounting.crop !== 'auto'").rest()
    assert list(load(shoot / "shoot.toml").mounting.crop) == wanted
    desk.page.fill("#aspect", "4:3")  # a shape asked for afterwards counts
    desk.page.press("#aspect", "Enter")
    desk.wait("desk.state.decisions.mounting.crop === 'auto'").rest()


def test_one_tool_is_open_at_a_time(desk):
    desk.rest()
    desk.page.focus("#canvas")
    desk.page.keyboard.press("c")
    assert desk.page.is_visible("#crop")
    desk.page.focus("#canvas")
    desk.page.keyboard.press("s")
    assert desk.page.is_visible("#source")
    assert not desk.page.is_visible("#crop")
    assert "crop by hand is closed" in desk.page.inner_text("#said")
    desk.page.keyboard.press("c")
    assert desk.page.is_visible("#crop")
    assert not desk.page.is_visible("#source")
    assert "Frames here is closed" in desk.page.inner_text("#said")
    assert desk.tell("desk.state.decisions.mounting.crop") == "auto"


def test_a_side_that_would_cut_something_in_front_is_shown_before_it_is_set(desk):
    desk.rest()
    desk.page.focus("#canvas")
    desk.page.keyboard.press("c")
    desk.tell(
        "() => { document.getElementById('shift_px').value = -6; desk.preview(); }"
    )  # all comes forward
    desk.wait("document.getElementById('crop-words').textContent.includes('side cuts')")
    desk.page.focus("#crop")
    desk.page.keyboard.press("Escape")
    assert not desk.page.is_visible("#crop")
    assert desk.tell("desk.state.decisions.mounting.crop") == "auto"
