"""The contact sheet of all pairs on the desk: chosen there, written, mounted, and taken back."""

import pytest

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from nearpair.shoot.decisions import load
from nearpair.shoot.run import make
from support.desk_page import Desk
from support.five import five


@pytest.fixture(scope="module")
def stations(tmp_path_factory):
    """A shoot of three of the five stations."""
    card = five(tmp_path_factory.mktemp("card"), ("station_1", "station_2", "station_4"))
    target = tmp_path_factory.mktemp("made") / "gears"
    make(list(card.values()), target)
    return target


def test_a_pair_is_chosen_by_looking_at_it_and_taken_back(browser, stations):
    with serving(Session(stations)) as address:
        desk = Desk(browser, address, (390, 844))
        desk.wait("window.desk?.picture?.first > 0").rest()
        first = desk.tell("desk.state.pair.stations")
        desk.page.focus("#canvas")
        desk.page.keyboard.press("p")
        tiles = "[...document.querySelectorAll('#sheet-pairs button')]"
        desk.wait(f"{tiles}.length === 3 && {tiles}.every((t) => t.querySelector('img')?.naturalWidth > 100)")
        assert desk.tell("document.documentElement.scrollWidth") <= 390
        assert desk.tell("document.activeElement.getAttribute('aria-pressed')") == "true"
        desk.page.keyboard.press("ArrowRight")
        name = desk.tell("document.activeElement.querySelector('strong').textContent")
        desk.page.keyboard.press("Enter")
        desk.wait(f"desk.state.pair.stations.join(' + ') === '{name}'", 120).rest()
        assert set(load(stations / "shoot.toml").pair) == set(name.split(" + ")) != set(first)
        assert "as you chose" in desk.page.inner_text("#pair-now")
        desk.page.keyboard.press("Control+z")
        desk.wait(f"desk.state.pair.stations.join() === '{','.join(first)}'", 60).rest()
        assert load(stations / "shoot.toml").pair == ()
        assert desk.said == []
        desk.context.close()
