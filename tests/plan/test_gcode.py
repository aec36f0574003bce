"""Programs for motorised rails: ISO 6983 words only, inside the stated limits, and the dry run of them."""

import re
from dataclasses import replace
from itertools import pairwise

import pytest

from nearpair.errors import NearpairError
from nearpair.plan.compute import plan
from nearpair.plan.gcode import Motor, dry_run, preview, program
from nearpair.plan.request import Rail

RAIL = Rail(travel_mm=60, base_travel_mm=20)
# ISO 6983-1:2009 (title and code list from memory): rapid, straight feed, dwell, mm, absolute, stop, end
ISO_6983 = {"G0", "G1", "G4", "G21", "G90", "M0", "M2"}


@pytest.fixture
def found(mineral):
    return plan(replace(mineral, rail=RAIL), "1", with_motor=True)


def test_only_words_of_the_standard(found):
    text = program(found, RAIL, Motor())
    assert text.isascii()
    lines = text.split("\r\n")
    assert lines[0] == lines[-2] == "%"
    for line in lines[1:-2]:
        rest = re.sub(r"^\([^()]*\)$", "", line)
        codes = re.findall(r"[GM]\d+", rest)
        assert set(codes) <= ISO_6983
        assert re.fullmatch(r"(?:(?:[GM]\d+|[XYFP]-?\d+(?:\.\d+)?) ?)*", rest), line


def test_it_visits_every_reading_in_order_and_holds_still_there(found):
    events = dry_run(program(found, RAIL, Motor()))
    stops = [(each.x_mm, each.y_mm) for each in events if each.what.startswith("stop")]
    assert stops[0] == (0, 0)  # before anything moves
    assert stops[1:] == [(each.base_mm, each.position_mm) for each in found.readings]
    for before, event in pairwise(events):
        if before.what.startswith("move") and not event.what.startswith("move"):
            assert event.what == "wait 2 s"


def test_axes_never_move_together(found):
    events = dry_run(program(found, RAIL, Motor()))
    for before, event in pairwise(events):
        assert before.x_mm == event.x_mm or before.y_mm == event.y_mm


def test_it_stays_within_the_limits_and_states_them(found):
    text = program(found, RAIL, Motor())
    assert "(Travel limits: X 0 to 20 mm, Y 0 to 60 mm.)" in text
    assert "CAUTION" in text
    events = dry_run(text)
    assert 0 <= min(each.x_mm for each in events) <= max(each.x_mm for each in events) <= 20
    assert 0 <= min(each.y_mm for each in events) <= max(each.y_mm for each in events) <= 60


def test_time_of_the_dry_run_by_hand(found):
    """Way over feed, and the pauses."""
    events = dry_run(program(found, RAIL, Motor(feed_mm_min=30, settle_s=3, hold_s=4)))
    way = 2 * found.stack.travel_mm + found.stereo.base_mm
    assert events[-1].at_s == pytest.approx(way / 30 * 60 + len(found.readings) * 7)
    assert sum(each.what.startswith("stop") for each in events) == 1


def test_the_preview_says_what_room_it_takes(found):
    text = preview(program(found, RAIL, Motor()))
    assert f"X, sideways: 0 to {found.stereo.base_mm:g} mm." in text
    assert f"0 to {found.stack.travel_mm:g} mm" in text


def test_without_limits_there_is_no_program(found):
    with pytest.raises(NearpairError, match="needs the travel limits of both axes"):
        program(found, Rail(), Motor())


def test_no_program_for_a_ring(mineral):
    ring = plan(replace(mineral, kind="ring"), "1")
    with pytest.raises(NearpairError, match="Only a rail stack"):
        program(ring, RAIL, Motor())


def test_below_zero_is_refused(mineral):
    rail = replace(RAIL, start_mm=-5)
    with pytest.raises(NearpairError, match="below its zero"):
        program(plan(replace(mineral, rail=rail), "1"), rail, Motor())


@pytest.mark.parametrize("line", ["G2 X1 Y1", "M3", "S100"])
def test_the_dry_run_refuses_other_words(line):
    with pytest.raises(NearpairError, match="has the word"):
        dry_run(line)
