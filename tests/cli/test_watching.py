"""`nearpair watch` as it is typed: words, lines of JSON, exit status, Ctrl-C, the picture on a terminal."""

import io
import json
import shutil
import signal
import subprocess
import sys
import time

import pytest
from rich.console import Console

from nearpair.cli import watching
from nearpair.cli.lines import Line
from nearpair.cli.watch_words import words_of
from nearpair.stacks.events import (
    ExposureChanged,
    Fault,
    FrameRepeated,
    FrameSeen,
    FrameShaken,
    GapFound,
    Shot,
    StackBegun,
    StacksCompared,
    StackVerdict,
    WatchEnded,
)

CELLS = ("  ##@@--",) * 3


def seen(number, so_far):
    return FrameSeen(1, number, None, f"{number}.jpg", 0.1, so_far, CELLS)


def text_of(event):
    return "\n".join(f"{line.label}: {line.text}" for line in words_of(event))


def test_both_stations_complete(nearpair, card):
    done = nearpair("watch", card, "--once")
    assert done.exit_code == 0, done.stderr
    assert "Stack 1   complete: 11 frames, left/" in done.stdout
    assert "Stack 2   complete: 11 frames, right/" in done.stdout
    assert "the next station. It begins with right/" in done.stdout
    assert "stacks 1 and 2 are alike: 11 and 11 frames" in done.stdout
    assert done.stderr == ""


def test_a_missing_slice_is_named_and_the_status_says_so(nearpair, card):
    files = sorted((card / "left").iterdir())
    files[4].unlink()
    done = nearpair("watch", card / "left", "--once")
    assert done.exit_code == 1
    assert f"Re-shoot between frames 4 ({files[3].name}) and 5 ({files[5].name})" in done.stdout
    assert "Verdict   re-shoot" in done.stdout


def test_json_has_one_line_for_each_event(nearpair, card):
    done = nearpair("watch", card / "left", "--once", "--json")
    events = [json.loads(line) for line in done.stdout.splitlines()]
    assert [event["event"] for event in events] == ["stack", *["frame"] * 11, "verdict", "end"]
    assert events[-2]["complete"] is True
    assert events[-2]["faults"] == []
    assert events[3]["number"] == 3
    assert "complete" in done.stderr
    assert done.exit_code == 0


def test_it_ends_by_itself(nearpair, card):
    done = nearpair("watch", card / "left", "--quiet", "0.6")
    assert done.exit_code == 0
    assert done.stdout.startswith("Waiting   for frames in")
    assert "frame 11, " in done.stdout


def test_bad_folders_and_values(nearpair, tmp_path):
    missing = nearpair("watch", tmp_path / "nowhere", "--once")
    assert (missing.exit_code, missing.stdout) == (1, "")
    assert "there is no such folder" in missing.stderr
    assert nearpair("watch", tmp_path, "--once").exit_code == 1
    wrong = nearpair("watch", tmp_path, "--quiet", "0")
    assert wrong.exit_code == 2
    assert "0.5 to 86400" in wrong.stderr


def test_ctrl_c_asks_for_the_verdict(card, tmp_path):
    folder = tmp_path / "arriving"
    folder.mkdir()
    command = [sys.executable, "-m", "nearpair", "watch", str(folder), "--json", "--quiet", "600"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        for file in sorted((card / "left").iterdir()):
            shutil.copy2(file, folder)
        lines = []
        until = time.monotonic() + 60
        while sum('"frame"' in line for line in lines) < 11 and time.monotonic() < until:
            lines.append(process.stdout.readline())
        process.send_signal(signal.SIGINT)
        rest, told = process.communicate(timeout=60)
    assert process.returncode == 0, told
    assert [json.loads(line)["event"] for line in rest.splitlines()] == ["verdict", "end"]
    assert "complete" in told


def test_the_handler_of_ctrl_c_is_put_back():
    before = signal.getsignal(signal.SIGINT)
    with watching._stopped_by_hand() as stop:
        signal.raise_signal(signal.SIGINT)
        assert stop.is_set()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before


def test_the_subject_is_drawn_on_a_terminal():
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=100, color_system=None, highlight=False)
    with watching._Screen(console, each_frame=True) as screen:
        screen.say(Line("Waiting", "for frames"))
        screen.show(seen(3, 0.46))
        screen.show(GapFound(1, Shot(2, "2.jpg"), Shot(3, "3.jpg"), 2.1))
    shown = out.getvalue()
    assert "  ▓▓██··" in shown
    assert "46 % of the subject sharp so far" in shown
    assert "Stack 1, frame 3: 3.jpg" in shown
    assert "a slice is missing between frames 2 (2.jpg) and 3 (3.jpg)" in shown


@pytest.mark.parametrize("so_far", [0.0, 0.04, 0.5, 1.0])
def test_the_bar_has_always_the_same_length(so_far):
    out = io.StringIO()
    Console(file=out, width=100, color_system=None).print(watching.drawn(seen(1, so_far)))
    bar = out.getvalue().splitlines()[4]
    assert len(bar[: bar.index(f" {so_far:.0%}".replace("%", " %"))]) == 36


FIRST, LAST = Shot(1, "a.jpg"), Shot(24, "x.jpg")
EVENTS = [
    (
        FrameShaken(1, "c.jpg", 0.31, 88.0),
        "c.jpg is shaken: blurred all over along one direction, up and down; 31 %",
    ),
    (FrameShaken(1, "c.jpg", 0.31, None), "blurred all over; 31 % of the fine detail is left"),
    (FrameRepeated(1, "d.jpg", "c.jpg", is_copy=True), "d.jpg is the same picture as c.jpg"),
    (FrameRepeated(1, "d.jpg", "c.jpg", is_copy=False), "the focus did not move"),
    (ExposureChanged(1, "d.jpg", -0.52), "0.5 stops darker"),
    (StackBegun(2, "d.jpg", (-0.13, 0.01)), "moved sideways by 13 % of its width: the next station"),
    (StackBegun(2, "d.jpg", None), "shows something else now: the next station"),
    (
        StacksCompared((1, 2), (24, 21), -3.1, alike=False),
        "24 and 21 frames; stack 2 reaches 3 steps less deep",
    ),
    (WatchEnded(0, 0, complete=False), "no stack was seen"),
    (WatchEnded(20, 1, complete=True), "a pair needs a second stack"),
]
FAULTS = [
    (Fault("starts-late", before=FIRST), "The stack starts too late: add frames before frame 1 (a.jpg)"),
    (Fault("ends-early", after=LAST), "The stack ends too early: add frames after frame 24 (x.jpg)"),
    (Fault("shaken", FIRST, LAST, Shot(7, "g.jpg")), "frame 7 (g.jpg) is shaken"),
    (Fault("exposure", FIRST, None, LAST), "Re-shoot after frame 1 (a.jpg): frame 24 (x.jpg) is exposed"),
    (Fault("too-few"), "Too few frames"),
]


@pytest.mark.parametrize(("event", "words"), EVENTS)
def test_every_event_has_its_words(event, words):
    assert words in text_of(event)


@pytest.mark.parametrize(("fault", "words"), FAULTS)
def test_every_fault_has_its_words(fault, words):
    verdict = StackVerdict(1, 24, "a.jpg", "x.jpg", False, 0.9, (fault,), ())
    assert words in text_of(verdict)
    doubted = StackVerdict(1, 24, "a.jpg", "x.jpg", True, 0.9, (), (fault,))
    assert "In doubt, for it was driven by hand" in text_of(doubted)
    assert words_of(doubted)[0].text.startswith("complete")
