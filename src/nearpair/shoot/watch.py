"""Watching a folder while frames arrive in it. Read only: nothing is written anywhere.

A tether, or the copying of a card, makes files appear slowly, under other names, or half. A file is looked at
when its size has stayed the same for a moment and it can be decoded; until then it is waited for.
"""

import stat
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event as Stop

import numpy as np
from numpy.typing import NDArray
from watchfiles import watch as watch_files

from nearpair.errors import FrameError
from nearpair.frames.formats import SUFFIXES
from nearpair.frames.listing import list_frames
from nearpair.frames.metadata import FrameInfo, read_info
from nearpair.frames.read import read_small
from nearpair.progress import silent
from nearpair.shoot.ahead import read_ahead
from nearpair.shoot.gather import gather, rank, reason_of
from nearpair.shoot.surveying import survey_factor
from nearpair.stacks.events import (
    Event,
    FrameRenamed,
    FrameSetAside,
    OrderBroken,
    StacksCompared,
    StackVerdict,
)
from nearpair.stacks.timing import by_name, by_number, by_time
from nearpair.stacks.watching import Watcher
from nearpair.views.responses import StackFocus

QUIET_S = 20.0
_TICK_MS = 150
_SETTLED_S = 0.25
# A raw or HEIC file waits so long for the JPEG that cameras may write beside it, which is used instead.
_COMPANION_S = 1.5
_GIVE_UP_S = 5.0
# Some drives tell of no changes: the folder is listed anew this often.
_LIST_AGAIN_S = 5.0
_VERDICTS = (StackVerdict, StacksCompared)
_NEVER_COMPLETE = "It was not complete, or not looked at yet, when watching ended. Run the command again."

Luma = NDArray[np.uint8]


def watch(
    folder: Path,
    *,
    once: bool = False,
    quiet_s: float = QUIET_S,
    poll: bool = False,
    stop: Stop | None = None,
) -> Iterator[Event]:
    """Yield what there is to say about the frames in `folder` and below, as they arrive.

    Ends with a verdict for each stack and a `WatchEnded`: when no frame came for `quiet_s` seconds after the
    first, or when `stop` is set; with `once` as soon as the frames that are there now are judged. `poll`
    looks at the files instead of waiting to be told, for network drives. Raises SourceError if `folder`
    cannot be read and, with `once`, if it holds no frame.
    """
    folder = Path(folder)
    if once:
        return _once(folder)
    list_frames(folder)
    return _Watch(folder.resolve(), quiet_s, poll, stop or Stop()).events()


def _once(folder: Path) -> Iterator[Event]:
    found = gather([folder], silent)
    yield from (FrameSetAside(aside.file, aside.reason) for aside in found.set_aside)
    frames = found.sources[0].frames
    watcher = Watcher(StackFocus)
    yield from _all_seen(watcher, folder, [frames[k] for k in _shooting_order(frames)])
    yield from watcher.finish()


def _all_seen(watcher: Watcher, folder: Path, frames: Sequence[FrameInfo]) -> Iterator[Event]:
    """Look at frames in shooting order."""
    for info, luma in zip(frames, read_ahead(frames, _luma_or_fault), strict=True):
        if isinstance(luma, FrameError):
            yield FrameSetAside(_name(info.path, folder), reason_of(info.path, luma))
        else:
            yield from watcher.see(_name(info.path, folder), luma)


def _luma_or_fault(info: FrameInfo) -> Luma | FrameError:
    try:
        return _luma(info)
    except FrameError as error:
        return error


def _luma(info: FrameInfo) -> Luma:
    return read_small(info, survey_factor(info.size_px))


def _shooting_order(frames: Sequence[FrameInfo]) -> list[int]:
    return by_time(frames) or by_number(frames) or by_name(frames)


def _name(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix()


@dataclass(slots=True)
class _Arriving:
    """A file that may not be complete yet."""

    state: tuple[int, int]
    """Size in bytes, and time of change, ns."""
    since_s: float
    """When it was first found in this state."""
    is_told: bool = False


class _Watch:
    """The state of watching one folder."""

    def __init__(
        self,
        folder: Path,
        quiet_s: float,
        poll: bool,
        stop: Stop,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._folder, self._quiet_s, self._poll, self._stop, self._clock = folder, quiet_s, poll, stop, clock
        self._watcher = Watcher(StackFocus)
        self._arriving: dict[Path, _Arriving] = {}
        self._looked_at: dict[Path, tuple[int, int]] = {}
        self._frames: list[FrameInfo] = []
        self._is_out_of_order = False
        self._active_s = clock()

    def events(self) -> Iterator[Event]:
        """Everything until the end."""
        _warm_up()
        listed_s = -_LIST_AGAIN_S
        for changed in self._changes():
            if self._clock() - listed_s >= _LIST_AGAIN_S:
                changed |= set(list_frames(self._folder)[0])
                listed_s = self._clock()
            for path in changed:
                self._notice(path)
            yield from self._take_complete()
            if self._stop.is_set() or self._is_quiet():
                break
        yield from self._ended()

    def _changes(self) -> Iterator[set[Path]]:
        """Paths that changed, and an empty set every moment in which nothing does."""
        changes = watch_files(
            self._folder,
            watch_filter=None,
            debounce=2 * _TICK_MS,
            step=_TICK_MS // 3,
            stop_event=self._stop,
            rust_timeout=_TICK_MS,
            yield_on_timeout=True,
            force_polling=self._poll or None,
            poll_delay_ms=2 * _TICK_MS,
            ignore_permission_denied=True,
        )
        yield set()
        for told in changes:
            yield {Path(path) for _, path in told}
        yield set()

    def _notice(self, path: Path) -> None:
        """Remember a file that appeared or changed, unless it was looked at as it is."""
        if path.suffix.lower() not in SUFFIXES or not path.is_relative_to(self._folder):
            return
        if any(part.startswith(".") for part in path.relative_to(self._folder).parts):
            return
        state = _state(path)
        if state is None:
            self._arriving.pop(path, None)
        elif self._looked_at.get(path) != state and path not in self._arriving and not self._is_second(path):
            self._arriving[path] = _Arriving(state, self._clock())
            self._active_s = self._clock()

    def _take_complete(self) -> Iterator[Event]:
        """Look at the files that are complete, in shooting order."""
        complete = []
        for path in list(self._arriving):
            found = self._read_complete(path)
            if isinstance(found, FrameInfo):
                complete.append(found)
            elif found is not None:
                yield found
        for k in _shooting_order(complete) if complete else ():
            if self._stop.is_set():
                return
            yield from self._take(complete[k])

    def _read_complete(self, path: Path) -> FrameInfo | Event | None:
        """The frame if the file stays as it is and has a header; an event if it is given up."""
        state, arriving, now_s = _state(path), self._arriving[path], self._clock()
        if state is None:
            del self._arriving[path]
        elif state != arriving.state:
            self._arriving[path] = _Arriving(state, now_s)
            self._active_s = now_s
        elif self._is_second(path):
            del self._arriving[path]
        elif now_s - arriving.since_s >= self._wait_s(path) and not arriving.is_told:
            try:
                return read_info(path)
            except FrameError as error:
                return self._not_yet(path, error)
        return None

    def _wait_s(self, path: Path) -> float:
        return _COMPANION_S if rank(path) else _SETTLED_S

    def _is_second(self, path: Path) -> bool:
        """Whether another file of the same exposure was looked at, or a better one is coming."""
        return any(
            _exposure(other) == _exposure(path) and rank(other) != rank(path)
            for other in (*self._looked_at, *(o for o in self._arriving if rank(o) < rank(path)))
        )

    def _not_yet(self, path: Path, error: FrameError) -> Event | None:
        """Wait for a file that cannot be read; tell of it when it has not changed for long."""
        arriving = self._arriving[path]
        if self._clock() - arriving.since_s < _GIVE_UP_S:
            return None
        arriving.is_told = True
        return FrameSetAside(_name(path, self._folder), reason_of(path, error))

    def _take(self, info: FrameInfo) -> Iterator[Event]:
        name = _name(info.path, self._folder)
        try:
            luma = _luma(info)
        except FrameError as error:
            told = self._not_yet(info.path, error)
            yield from [told] if told else []
            return
        self._looked_at[info.path] = self._arriving.pop(info.path).state
        known = self._watcher.copy_of(luma)
        if known is not None and not (self._folder / known).exists():
            yield self._renamed(info, luma, known)
        elif known != name:
            yield from self._in_order(info, name)
            yield from self._watcher.see(name, luma)
        self._active_s = self._clock()

    def _renamed(self, info: FrameInfo, luma: Luma, known: str) -> Event:
        name = _name(info.path, self._folder)
        self._watcher.rename(luma, name)
        self._frames = [
            replace(frame, path=info.path) if frame.path == self._folder / known else frame
            for frame in self._frames
        ]
        return FrameRenamed(name, known)

    def _in_order(self, info: FrameInfo, name: str) -> Iterator[Event]:
        """Note a frame, and tell when it was shot before one that came earlier."""
        last_s = max((f.captured_s for f in self._frames if f.captured_s is not None), default=None)
        self._frames.append(info)
        if last_s is not None and info.captured_s is not None and info.captured_s < last_s:
            self._is_out_of_order = True
            yield OrderBroken(name)

    def _is_quiet(self) -> bool:
        return bool(self._frames) and self._clock() - self._active_s >= self._quiet_s

    def _ended(self) -> Iterator[Event]:
        """Tell of what never became complete, and judge the stacks."""
        for path, arriving in self._arriving.items():
            if not arriving.is_told and path.exists():
                yield FrameSetAside(_name(path, self._folder), _NEVER_COMPLETE)
        if self._is_out_of_order:
            yield from self._judged_in_order()
        else:
            yield from self._watcher.finish()

    def _judged_in_order(self) -> Iterator[Event]:
        """Look at all frames once more, in shooting order, and tell the verdicts only."""
        watcher = Watcher(StackFocus)
        frames = [frame for frame in self._frames if frame.path.exists()]
        for event in _all_seen(watcher, self._folder, [frames[k] for k in _shooting_order(frames)]):
            if isinstance(event, _VERDICTS):
                yield event
        yield from watcher.finish()


def _exposure(path: Path) -> tuple[Path, str]:
    """Files of one exposure share folder and name."""
    return path.parent, path.stem.casefold()


def _state(path: Path) -> tuple[int, int] | None:
    """Size and time of change of a file, None where there is none."""
    try:
        status = path.stat()
    except OSError:
        return None
    return (status.st_size, status.st_mtime_ns) if stat.S_ISREG(status.st_mode) else None


def _warm_up() -> None:
    """Load the compiled loops while no frame has come: that may take longer than looking at one."""
    y, x = np.mgrid[0:120, 0:180]
    pattern = (127 + 90 * np.sin(0.9 * x) * np.sin(0.02 * x * y)).astype(np.uint8)
    watcher = Watcher(StackFocus)
    for shift in range(3):
        watcher.see(str(shift), np.roll(pattern, shift, axis=1))
    watcher.finish()
