"""Watching: what is said while the frames of the ray-traced scenes and of a real stack come one by one."""

import tracemalloc

import numpy as np
import pytest

from nearpair.stacks.events import (
    ExposureChanged,
    FrameRepeated,
    FrameSeen,
    FrameSetAside,
    FrameShaken,
    GapFound,
    StackBegun,
    StacksCompared,
    StackVerdict,
    WatchEnded,
)
from nearpair.stacks.watching import Watcher
from nearpair.views.responses import StackFocus
from support.surveys import STATIONS
from support.watched import BALLS, exposed, luma_of, lumas, only, shaken, watched, with_noise

PAIRS = [("minerals", "left", "right"), ("gears", "station_2", "station_4"), ("shells", "left", "right")]
# Ends at which the subject stands: at the others three frames hold less than 1 % of it.
RICH_ENDS = [
    ("minerals", "left", "first"),
    ("minerals", "right", "last"),
    ("gears", "station_2", "first"),
    ("gears", "station_2", "last"),
    ("gears", "station_4", "first"),
    ("gears", "station_4", "last"),
    ("shells", "left", "first"),
    ("shells", "right", "last"),
]
INTERIOR = [(*station, number) for station in STATIONS for number in (5, 13)]


def verdict(events):
    (found,) = only(events, StackVerdict)
    return found


@pytest.mark.parametrize(("scene", "first", "second"), PAIRS)
def test_two_complete_stations(scene, first, second):
    frames = (*lumas(scene, first), *lumas(scene, second))
    events = watched(frames)
    count = len(frames) // 2
    assert [type(event) for event in events] == [
        StackBegun,
        StackBegun,
        StackVerdict,
        StackVerdict,
        StacksCompared,
        WatchEnded,
    ]
    assert [event.file for event in only(events, StackBegun)] == [frames[0][0], frames[count][0]]
    assert all(found.complete and found.frames == count for found in only(events, StackVerdict))
    (compared,) = only(events, StacksCompared)
    assert compared.frames == (count, count)
    assert compared.alike
    assert events[-1] == WatchEnded(2 * count, 2, complete=True)


@pytest.mark.parametrize(("scene", "station", "number"), INTERIOR)
def test_a_frame_that_is_missing_is_found_and_nothing_else(scene, station, number):
    frames = lumas(scene, station)
    events = watched(frames[:number] + frames[number + 1 :])
    (fault,) = verdict(events).faults
    (gap,) = only(events, GapFound)
    beside = (frames[number - 1][0], frames[number + 1][0])
    assert fault.kind == "gap"
    assert (fault.after.file, fault.before.file) == (gap.after.file, gap.before.file) == beside
    assert (fault.after.number, fault.before.number) == (number, number + 1)
    assert gap.width_steps == pytest.approx(2, abs=0.35)


@pytest.mark.parametrize(("scene", "station", "end"), RICH_ENDS)
def test_three_frames_missing_at_an_end_of_the_subject(scene, station, end):
    frames = lumas(scene, station)
    left = frames[3:] if end == "first" else frames[:-3]
    (fault,) = verdict(watched(left)).faults
    if end == "first":
        assert (fault.kind, fault.after, fault.before.file) == ("starts-late", None, left[0][0])
    else:
        assert (fault.kind, fault.before, fault.after.file) == ("ends-early", None, left[-1][0])


@pytest.mark.parametrize(("scene", "station"), STATIONS[::2])
def test_a_second_stack_that_is_shorter_is_told(scene, station):
    frames = lumas(scene, station)
    moved = [(f"again {name}", np.roll(luma, 60, axis=1)) for name, luma in frames[3:]]
    (compared,) = only(watched((*frames, *moved)), StacksCompared)
    assert compared.frames == (len(frames), len(frames) - 3)
    assert compared.steps_more == pytest.approx(-3, abs=1)
    assert not compared.alike


@pytest.mark.parametrize(
    ("scene", "station", "direction_deg"),
    [(*station, angle) for station, angle in zip(STATIONS, (0, 60, 90, 30, 120, 0), strict=True)],
)
def test_a_shaken_frame_is_named(scene, station, direction_deg):
    frames = list(lumas(scene, station))
    name, luma = frames[10]
    frames[10] = (name, shaken(luma, direction_deg=direction_deg))
    events = watched(frames)
    (found,) = only(events, FrameShaken)
    assert found.file == name
    assert found.detail_left < 0.75
    away = abs(found.direction_deg - direction_deg)
    assert min(away, 180 - away) < 15
    (fault,) = verdict(events).faults
    assert (fault.kind, fault.frame.file, fault.frame.number) == ("shaken", name, 11)
    assert (fault.after.file, fault.before.file) == (frames[9][0], frames[11][0])


def test_two_shaken_frames_in_a_row_are_named():
    frames = list(lumas("shells", "left"))
    for k in (8, 9):
        frames[k] = (frames[k][0], shaken(frames[k][1]))
    assert [event.file for event in only(watched(frames), FrameShaken)] == [frames[8][0], frames[9][0]]


@pytest.mark.parametrize(("scene", "station"), STATIONS)
def test_a_copy_and_a_focus_that_did_not_move(scene, station):
    frames = list(lumas(scene, station))
    name, luma = frames[12]
    events = watched([*frames[:13], ("copy", luma), ("again", with_noise(luma)), *frames[13:]])
    copied, again = only(events, FrameRepeated)
    assert copied == FrameRepeated(1, "copy", name, is_copy=True)
    assert again == FrameRepeated(1, "again", name, is_copy=False)
    assert verdict(events).complete
    assert verdict(events).frames == len(frames)


@pytest.mark.parametrize("stops", [-1.5, -0.5, 0.5])
def test_a_frame_exposed_differently(stops):
    frames = list(lumas("gears", "station_2"))
    name, luma = frames[8]
    frames[8] = (name, exposed(luma, stops))
    events = watched(frames)
    (found,) = only(events, ExposureChanged)
    assert found.file == name
    assert found.stops == pytest.approx(stops, abs=0.2)
    assert not only(events, FrameShaken)
    kinds = [fault.kind for fault in verdict(events).faults]
    assert kinds == (["exposure"] if abs(stops) > 1 else [])


def test_light_that_changes_for_good_is_told_once():
    frames = [
        (name, exposed(luma, -0.5 if k > 9 else 0))
        for k, (name, luma) in enumerate(lumas("gears", "station_2"))
    ]
    assert [event.file for event in only(watched(frames), ExposureChanged)] == [frames[10][0]]


def test_a_real_stack_of_uneven_steps_raises_no_alarm():
    events = watched([(file.name, luma_of(file)) for file in BALLS])
    assert [type(event) for event in events] == [StackBegun, StackVerdict, WatchEnded]
    assert verdict(events).complete
    assert {doubt.kind for doubt in verdict(events).doubts} <= {"starts-late", "ends-early"}


def test_a_test_shot_within_a_stack_is_set_aside():
    frames = list(lumas("shells", "left"))
    other = lumas("gears", "station_2")[5]
    events = watched(
        [*frames[:7], ("framing", np.roll(frames[7][1], 70, axis=1)), *frames[7:12], other, *frames[12:]]
    )
    assert [event.file for event in only(events, FrameSetAside)] == ["framing", other[0]]
    assert verdict(events).complete
    assert verdict(events).frames == len(frames)


def test_a_test_shot_before_the_first_stack_does_not_count_as_a_station():
    frames = lumas("shells", "left")
    events = watched([("framing", np.roll(frames[3][1], 70, axis=1)), *frames])
    assert only(events, FrameSetAside)[0].file == "framing"
    assert verdict(events).stack == 1
    assert verdict(events).complete


def test_a_frame_of_another_size_is_set_aside():
    frames = lumas("shells", "left")
    events = watched([*frames[:5], ("small", frames[5][1][:200, :300]), *frames[5:]])
    (found,) = only(events, FrameSetAside)
    assert found.file == "small"
    assert "600 x 400" in found.reason
    assert verdict(events).complete


def test_few_frames_are_no_stack():
    (fault,) = verdict(watched(lumas("shells", "left")[:3])).faults
    assert fault.kind == "too-few"


def test_nothing_to_see():
    grey = [(str(k), np.full((200, 300), 90 + k, np.uint8)) for k in range(8)]
    events = watched(grey)
    assert not events[-1].complete


def test_no_frame_at_all():
    assert Watcher(StackFocus).finish() == [WatchEnded(0, 0, complete=False)]


def test_the_sharp_band_moves_through_the_subject():
    watcher = Watcher(StackFocus)
    seen = [e for frame in lumas("shells", "left") for e in watcher.see(*frame) if isinstance(e, FrameSeen)]
    assert [event.number for event in seen] == list(range(1, 23))
    assert seen[0].sharp_so_far == 0
    assert seen[-1].sharp_so_far > 0.9
    # known a few frames late, so that half of the stack has less than half of the subject, or a little more
    assert 0.3 < seen[11].sharp_so_far < 0.8
    assert {len(row) for event in seen for row in event.cells} == {36}
    assert set("".join(seen[11].cells)) - {" "} == {"#", "@", "-"}


def test_frames_are_known_by_their_new_names():
    frames = lumas("shells", "left")
    watcher = Watcher(StackFocus)
    for k, (name, luma) in enumerate(frames[:8] + frames[9:]):
        watcher.see(name, luma)
        if k == 7:
            watcher.rename(luma, "renamed")
    (fault,) = watcher.finish()[0].faults
    assert fault.after.file == "renamed"


def test_memory_does_not_grow_with_the_number_of_frames():
    watcher, frames = Watcher(StackFocus), lumas("minerals", "left")
    held = {}
    tracemalloc.start()
    for number, (name, luma) in enumerate(frames):
        watcher.see(name, luma)
        held[number] = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    # a small picture has 240 kB, as float four times as much
    assert held[23] - held[7] < 200_000


def test_events_change_no_frame():
    frames = lumas("shells", "left")[:3]
    before = [luma.copy() for _, luma in frames]
    watched(frames)
    assert all(np.array_equal(a, luma) for a, (_, luma) in zip(before, frames, strict=True))
