"""Frames moved by hand between stations, or set aside."""

from dataclasses import fields
from pathlib import Path

import pytest

from nearpair.errors import SourceError
from nearpair.frames.metadata import FrameInfo
from nearpair.stacks.grouping import SetAside, Sorted, Station
from nearpair.stacks.regrouping import BY_HAND, regrouped


def frame(number, size_px=(200, 300), at=True):
    told = {name.name: None for name in fields(FrameInfo)}
    told |= {
        "path": Path(f"card/DO_{number:04}.jpg"),
        "size_px": size_px,
        "captured_s": number if at else None,
    }
    return FrameInfo(**told)


FRAMES = [frame(number) for number in range(1, 8)]
FOUND = Sorted(
    (Station("one", tuple(FRAMES[:3])), Station("two", tuple(FRAMES[3:6]))),
    (SetAside("DO_0007.jpg", "It looks like a test shot."),),
    ("a note",),
)


def moved(**moves):
    named = {f"DO_000{key[1]}.jpg": to for key, to in moves.items()}
    found = regrouped(FOUND, named, FRAMES, lambda one: one.path.name)
    stations = {s.name: [int(f.path.stem[-1]) for f in s.frames] for s in found.stations}
    return stations, {entry.file: entry.reason for entry in found.set_aside}, found.notes


def test_a_frame_comes_where_it_was_shot_among_those_of_its_new_station():
    assert moved(_4="one", _7="two", _1="two")[0] == {"one": [2, 3, 4], "two": [1, 5, 6, 7]}


def test_a_frame_is_set_aside_and_another_taken_back():
    stations, aside, notes = moved(_2="", _7="two")
    assert stations == {"one": [1, 3], "two": [4, 5, 6, 7]}
    assert aside == {"DO_0002.jpg": BY_HAND}
    assert notes == ("a note",)


def test_nothing_moved_is_nothing_changed():
    assert regrouped(FOUND, {}, FRAMES, lambda one: one.path.name) == FOUND


def test_a_station_without_frames_is_none():
    assert moved(_1="two", _2="two", _3="")[0] == {"two": [1, 2, 4, 5, 6]}


def test_a_frame_that_is_gone_is_told():
    assert "DO_0009.jpg" in moved(_9="one")[2][-1]


def test_a_station_that_is_not_there_is_refused_with_those_that_are():
    with pytest.raises(SourceError, match="three") as told:
        moved(_1="three")
    assert "one, two" in told.value.remedy


def test_a_frame_of_another_size_is_refused():
    other = frame(9, (400, 600))
    with pytest.raises(SourceError, match="size"):
        regrouped(FOUND, {other.path.name: "one"}, [*FRAMES, other], lambda one: one.path.name)
