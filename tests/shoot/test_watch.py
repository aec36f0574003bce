"""Watching a folder: files that arrive slowly, in pieces, under other names, out of order."""

import os
import shutil
import threading
import time

import pytest

from nearpair.errors import SourceError
from nearpair.shoot.watch import watch
from nearpair.stacks.events import (
    FrameRenamed,
    FrameRepeated,
    FrameSeen,
    FrameSetAside,
    GapFound,
    OrderBroken,
    StackVerdict,
    WatchEnded,
)
from support.surveys import frame_files
from support.watched import only

SHELLS = frame_files("shells", "left")
SLOWEST_S = 10.0
"""On a busy machine; what the command promises is two seconds on a quiet one."""


class Watching:
    """`watch` in a thread of its own, with the time at which each event came."""

    def __init__(self, folder, **settings):
        self.events, self.times, self.error = [], [], None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(folder, settings), daemon=True)
        self._thread.start()

    def _run(self, folder, settings):
        try:
            for event in watch(folder, stop=self._stop, **settings):
                self.times.append(time.monotonic())
                self.events.append(event)
        except Exception as error:  # noqa: BLE001 - told by the test that waits
            self.error = error

    def wait_for(self, kind, count=1):
        """The first `count` events of a kind; fails when they do not come."""
        until = time.monotonic() + SLOWEST_S
        while len(found := only(list(self.events), kind)) < count:
            assert self.error is None
            assert time.monotonic() < until, f"only {len(found)} of {count} {kind.__name__} came"
            time.sleep(0.02)
        return found[:count]

    def when(self, event):
        return self.times[self.events.index(event)]

    def end(self):
        self._stop.set()
        return self.join()

    def join(self):
        self._thread.join(3 * SLOWEST_S)
        assert not self._thread.is_alive()
        assert self.error is None
        return self.events


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "card").mkdir()
    return tmp_path / "card"


def put(files, folder):
    for file in files:
        shutil.copyfile(file, folder / file.name)


def listing(folder):
    return sorted((path.name, path.stat().st_size, path.stat().st_mtime_ns) for path in folder.rglob("*"))


def test_once_judges_what_is_there_and_changes_nothing(folder):
    put(SHELLS[:9] + SHELLS[10:], folder)
    before = listing(folder)
    events = list(watch(folder, once=True))
    (verdict,) = only(events, StackVerdict)
    (fault,) = verdict.faults
    assert (fault.after.file, fault.before.file) == (SHELLS[8].name, SHELLS[10].name)
    assert only(events, GapFound)
    assert events[-1] == WatchEnded(21, 1, complete=False)
    assert listing(folder) == before


def test_once_goes_by_capture_times_whatever_the_names(folder):
    for number, file in enumerate(SHELLS):
        shutil.copyfile(file, folder / f"{(7 * number) % 22:02d}.jpg")
    events = list(watch(folder, once=True))
    assert events[-1] == WatchEnded(22, 1, complete=True)
    assert [event.file for event in only(events, FrameSeen)][:3] == ["00.jpg", "07.jpg", "14.jpg"]


def test_once_names_what_cannot_be_read(folder):
    put(SHELLS, folder)
    (folder / "broken.jpg").write_bytes(SHELLS[0].read_bytes()[:3000])
    events = list(watch(folder, once=True))
    (aside,) = only(events, FrameSetAside)
    assert aside.file == "broken.jpg"
    assert events[-1].complete


@pytest.mark.parametrize("once", [True, False])
def test_a_folder_that_is_none(tmp_path, once):
    with pytest.raises(SourceError, match="no such folder"):
        list(watch(tmp_path / "nowhere", once=once))


def test_once_needs_frames(folder):
    with pytest.raises(SourceError, match="no picture"):
        list(watch(folder, once=True))


@pytest.mark.parametrize("poll", [False, True])
def test_each_frame_is_told_soon_after_it_arrived(folder, poll):
    watching = Watching(folder, quiet_s=600, poll=poll)
    for number, file in enumerate(SHELLS[:4], start=1):
        put([file], folder)
        arrived_s = time.monotonic()
        seen = watching.wait_for(FrameSeen, number)[-1]
        assert (seen.file, seen.number) == (file.name, number)
        assert watching.when(seen) - arrived_s < SLOWEST_S
    assert isinstance(watching.end()[-1], WatchEnded)


def test_a_file_that_is_written_in_pieces_is_waited_for(folder):
    put(SHELLS[:2], folder)
    watching = Watching(folder, quiet_s=600)
    watching.wait_for(FrameSeen, 2)
    data = SHELLS[2].read_bytes()
    fifth = len(data) // 5
    with (folder / SHELLS[2].name).open("wb") as file:
        for start in range(0, 4 * fifth, fifth):
            file.write(data[start : start + fifth])
            file.flush()
            time.sleep(0.4)  # longer than a file has to rest, so that half of it is tried
        assert len(only(watching.events, FrameSeen)) == 2
        file.write(data[4 * fifth :])
        written_s = time.monotonic()
    seen = watching.wait_for(FrameSeen, 3)[-1]
    assert seen.file == SHELLS[2].name
    assert watching.when(seen) - written_s < SLOWEST_S
    assert not only(watching.end(), FrameSetAside)


def test_a_file_that_is_reserved_first_and_filled_later(folder):
    watching = Watching(folder, quiet_s=600)
    data = SHELLS[0].read_bytes()
    (folder / "a.jpg").write_bytes(data[:2000] + bytes(len(data) - 2000))
    time.sleep(0.8)
    assert not only(watching.events, FrameSeen)
    (folder / "a.jpg").write_bytes(data)
    assert watching.wait_for(FrameSeen)[0].file == "a.jpg"
    watching.end()


def test_a_file_that_stays_half_is_named_and_the_rest_goes_on(folder):
    put(SHELLS[:2], folder)
    (folder / "half.jpg").write_bytes(SHELLS[2].read_bytes()[:5000])
    watching = Watching(folder, quiet_s=600)
    assert watching.wait_for(FrameSetAside)[0].file == "half.jpg"
    assert len(only(watching.events, FrameSeen)) == 2
    (folder / "half.jpg").write_bytes(SHELLS[2].read_bytes())
    assert watching.wait_for(FrameSeen, 3)[-1].file == "half.jpg"
    watching.end()


def test_files_under_a_passing_name_and_renamed_afterwards(folder):
    watching = Watching(folder, quiet_s=600)
    shutil.copyfile(SHELLS[0], folder / "transfer.part")
    time.sleep(0.6)
    assert watching.events == []
    (folder / "transfer.part").rename(folder / "a.jpg")
    assert watching.wait_for(FrameSeen)[0].file == "a.jpg"
    (folder / "a.jpg").rename(folder / "first.jpg")
    assert watching.wait_for(FrameRenamed) == [FrameRenamed("first.jpg", "a.jpg")]
    shutil.copyfile(SHELLS[0], folder / "again.jpg")
    assert watching.wait_for(FrameRepeated) == [FrameRepeated(1, "again.jpg", "first.jpg", is_copy=True)]
    assert len(only(watching.end(), FrameSeen)) == 1


def test_it_ends_by_itself_when_no_frame_comes_any_more(folder):
    put(SHELLS, folder)
    started_s = time.monotonic()
    watching = Watching(folder, quiet_s=1.0)
    events = watching.join()
    assert events[-1] == WatchEnded(22, 1, complete=True)
    assert watching.times[-1] - watching.when(only(events, FrameSeen)[-1]) >= 0.9
    assert time.monotonic() - started_s < 3 * SLOWEST_S


def test_it_does_not_end_before_the_first_frame_came(folder):
    watching = Watching(folder, quiet_s=0.5)
    time.sleep(1.5)
    put(SHELLS[:1], folder)
    assert watching.wait_for(FrameSeen)
    assert watching.join()[-1].frames == 1


def test_frames_that_come_late_are_judged_in_their_place(folder):
    put(SHELLS[:9] + SHELLS[10:], folder)
    watching = Watching(folder, quiet_s=600)
    watching.wait_for(FrameSeen, 21)
    put([SHELLS[9]], folder)
    assert watching.wait_for(OrderBroken) == [OrderBroken(SHELLS[9].name)]
    events = watching.end()
    assert only(events, StackVerdict)[0].complete
    assert events[-1] == WatchEnded(22, 1, complete=True)


def test_of_a_raw_file_and_its_jpeg_the_jpeg_is_looked_at(folder):
    (folder / "DO_0001.nef").write_bytes(b"II*\0" + bytes(1000))
    put(SHELLS[:1], folder)
    watching = Watching(folder, quiet_s=600)
    watching.wait_for(FrameSeen)
    put(SHELLS[1:2], folder)
    watching.wait_for(FrameSeen, 2)
    assert [event.file for event in watching.end() if hasattr(event, "number")] == [
        f.name for f in SHELLS[:2]
    ]
    assert not only(watching.events, FrameSetAside)


def test_hidden_files_and_subfolders(folder):
    (folder / "100DEMO").mkdir()
    put(SHELLS[:2], folder / "100DEMO")
    shutil.copyfile(SHELLS[2], folder / ".hidden.jpg")
    watching = Watching(folder, quiet_s=1.0)
    assert [event.file for event in only(watching.join(), FrameSeen)] == [
        f"100DEMO/{f.name}" for f in SHELLS[:2]
    ]


def test_relative_folders(folder, monkeypatch):
    monkeypatch.chdir(folder.parent)
    watching = Watching("card", quiet_s=600)
    time.sleep(0.5)
    put(SHELLS[:1], folder)
    assert watching.wait_for(FrameSeen)[0].file == SHELLS[0].name
    watching.end()
    assert os.listdir(folder) == [SHELLS[0].name]  # noqa: PTH208
