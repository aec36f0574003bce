"""The card on the desk: frames dragged between stations and set aside, by pointer and by keys."""

import pytest

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from nearpair.shoot.decisions import load
from support.desk_page import Desk

RESTED = (
    "window.desk?.state && desk.state.job.state !== 'running' && !desk.busy"
    " && !document.getElementById('begin').disabled"
)


@pytest.fixture(params=[(1200, 900), (390, 844)], ids=["wide", "phone"])
def laid(browser, card, tmp_path, request):
    with serving(Session(tmp_path / "new", card)) as address:
        desk = Desk(browser, address, request.param)
        yield desk.wait(RESTED)
        desk.context.close()


def files(desk):
    script = (
        "Object.fromEntries([...document.querySelectorAll('.station')].map((s) =>"
        " [s.querySelector('h3').textContent, [...s.querySelectorAll('.shot')].map((b) => b.dataset.file)]))"
    )
    return desk.tell(script)


def test_frames_are_moved_and_the_card_is_sorted_by_it(laid, tmp_path):
    assert laid.tell("document.documentElement.scrollWidth") <= laid.page.viewport_size["width"]
    laid.wait("[...document.querySelectorAll('.shot img')].every((i) => i.naturalWidth > 50)")
    before = files(laid)
    assert {name: len(shots) for name, shots in before.items()} == {"left": 6, "right": 6, "Set aside": 0}
    first, second = before["left"][:2]
    # by keys: the second frame is chosen and set aside
    laid.page.focus(f"[data-file='{first}']")
    laid.page.keyboard.press("ArrowRight")
    laid.page.keyboard.press("Space")
    laid.page.locator("#move-to button", has_text="Set aside").focus()
    laid.page.keyboard.press("Enter")
    laid.wait(f"desk.state.moved['{second}'] === ''").wait(RESTED)
    after = files(laid)
    assert after["Set aside"] == [second]
    assert len(after["left"]) == 5
    assert "by hand" in laid.page.text_content("#card-notes")
    # by dragging, where everything is on the screen: it goes to the other station
    if laid.page.viewport_size["width"] > 1000:
        laid.page.drag_and_drop(f"[data-file='{second}']", ".station[aria-label='right'] h3")
    else:
        laid.page.click(f"[data-file='{second}']")
        laid.page.locator("#move-to button", has_text="right").click()
    laid.wait(f"desk.state.moved['{second}'] === 'right'").wait(RESTED)
    assert second in files(laid)["right"]
    laid.page.locator("#move-to button", has_text="As found").click()
    laid.wait("Object.keys(desk.state.moved).length === 0").wait(RESTED)
    assert files(laid) == before
    assert not (tmp_path / "new").exists()  # nothing was begun
    assert laid.said == []


def test_what_was_moved_is_decided_when_the_shoot_is_begun(card, tmp_path):
    target = tmp_path / "new"
    session = Session(target, card)
    session.start_sorting()
    session.jobs.wait(60)
    gone = session.look.files[0][0]
    session.start_sorting({gone: ""})
    session.jobs.wait(60)
    session.start("proof")
    assert session.jobs.wait(120).state == "done"
    assert load(target / "shoot.toml").moved == {gone: ""}
    proof = session.proof()
    assert [entry.file for entry in proof.set_aside if "by hand" in entry.reason] == [gone]
    assert len(proof.stations[0].frames) == 5
