"""Sort a card: which frames form which station, in which order, and which are set aside.

Evidence is combined: the folders given, camera and picture size, capture times, file numbers, and above all
the pictures (see `jumps`). Nothing is dropped silently: every frame ends in a station, or in `set_aside` with
a reason.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from hashlib import blake2b
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nearpair.errors import GoneError, NearpairError
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.read import oriented
from nearpair.progress import Progress, silent
from nearpair.stacks.jumps import look_at
from nearpair.stacks.ordering import Ordered, shooting_order
from nearpair.stacks.runs import (
    STRAY_PART,
    Cut,
    Run,
    Seen,
    bridged,
    is_few,
    link_between,
    restarted,
    usual_interval_s,
)
from nearpair.stacks.saying import pool_notes
from nearpair.stacks.strays import by_kind, copy_of, other_kind, stray_reason, without_end_strays
from nearpair.stacks.timing import name_key

Glance = Callable[[FrameInfo], NDArray[np.uint8]]
UNTURN = {6: 8, 8: 6}  # the orientation that undoes an orientation; the others undo themselves


@dataclass(frozen=True, slots=True)
class SetAside:
    """A frame that is not used, and why, in plain words that say what to do if that is wrong."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True)
class Station:
    """One sideways camera position with its frames in shooting order."""

    name: str
    frames: tuple[FrameInfo, ...]

    def held(self) -> str:
        """Which frames these are, by the names of the first and the last one."""
        names = [frame.path.name for frame in self.frames]
        return (
            f"{self.name} holds {names[0]}"
            if len(names) == 1
            else f"{self.name} holds {names[0]} to {names[-1]}"
        )


@dataclass(frozen=True, slots=True)
class Sorted:
    """What was found: `notes` say what the sorting rests on."""

    stations: tuple[Station, ...]
    set_aside: tuple[SetAside, ...]
    notes: tuple[str, ...]


@dataclass(slots=True)
class _Pool:
    """Frames sorted together: a folder. `runs` become stations."""

    folder: str
    runs: list[Run]
    aside: list[SetAside]
    notes: list[str]


def sort_frames(
    sources: Sequence[tuple[str, Sequence[FrameInfo]]], glance: Glance, progress: Progress = silent
) -> Sorted:
    """Sort the frames of one card folder, or of one folder per station, into stations.

    sources    (folder name, its readable frames) as the user gave them
    glance     returns the luma of a frame, (h // k, w // k) uint8, upright; called once per frame

    Frames that `glance` cannot read (NearpairError) are set aside with its words, but GoneError is let
    through. Without frames there are no stations. A frame whose orientation tag differs from its stack while
    its stored picture agrees (cameras that look down tag at random) is returned with the orientation of the
    stack.
    """
    folders, aside = _see_all(sources, glance, progress)
    folders, copies = _without_copies(folders)
    aside += copies
    pools = [
        _sort_folder(name, frames, alone=len(sources) == 1)
        for (name, _), frames in zip(sources, folders, strict=True)
    ]
    for pool in pools:
        aside += pool.aside
    return Sorted(_named(pools), tuple(aside), tuple(note for pool in pools for note in pool.notes))


def _see_all(
    sources: Sequence[tuple[str, Sequence[FrameInfo]]], glance: Glance, progress: Progress
) -> tuple[list[Run], list[SetAside]]:
    """Look at every frame once; only the small looks are kept."""
    names = Counter(frame.path.name for _, frames in sources for frame in frames)
    total, done = names.total(), 0
    folders: list[Run] = []
    aside: list[SetAside] = []
    for place, (folder, frames) in enumerate(sources):
        folders.append([])
        for frame in sorted(frames, key=lambda f: (name_key(f.path.name), str(f.path))):
            name = frame.path.name
            file = name if names[name] == 1 else f"{folder}/{name}"
            try:
                folders[-1].append(_see(frame, glance(frame), file, place))
            except GoneError:
                raise
            except NearpairError as error:
                aside.append(SetAside(file, str(error)))
            done += 1
            progress("looking at the frames", done, total)
    return folders, aside


def _see(frame: FrameInfo, upright: NDArray[np.uint8], file: str, place: int) -> Seen:
    orientation = UNTURN.get(frame.orientation, frame.orientation)
    stored = np.ascontiguousarray(oriented(upright, orientation), dtype=np.uint8)
    digest = blake2b(stored.tobytes(), digest_size=16).digest() + repr(stored.shape).encode()
    return Seen(frame, look_at(stored), file, place, digest)


def _without_copies(folders: list[Run]) -> tuple[list[Run], list[SetAside]]:
    """Set aside frames whose picture was already seen; the first in source and natural name order is kept."""
    first: dict[bytes, str] = {}
    aside: list[SetAside] = []
    kept: list[Run] = []
    for frames in folders:
        kept.append([])
        for seen in sorted(frames, key=lambda s: len(s.file)):
            if seen.digest in first:
                aside.append(SetAside(seen.file, copy_of(first[seen.digest])))
            else:
                first[seen.digest] = seen.file
                kept[-1].append(seen)
        kept[-1].sort(key=lambda s: name_key(s.file))
    return kept, aside


def _sort_folder(folder: str, frames: Run, *, alone: bool) -> _Pool:
    """Sort one folder; `alone`: it is the only one, so it must hold all stations."""
    pool = _Pool(folder, [], [], [])
    if not frames:
        pool.notes.append(f"{folder}: no frame that can be used.")
        return pool
    kinds = by_kind(frames)
    for kind in kinds:
        few = is_few(kind, len(kinds[0])) or (not alone and STRAY_PART * len(kind) <= len(kinds[0]))
        if kind is not kinds[0] and few:
            stack = kinds[0][0].frame
            pool.aside += [SetAside(seen.file, other_kind(seen.frame, stack)) for seen in kind]
        else:
            _sort_kind(pool, kind, alone=alone, pair=alone and len(frames) == 2)
    pool.runs.sort(key=_first_time)
    return pool


def _sort_kind(pool: _Pool, frames: Run, *, alone: bool, pair: bool) -> None:
    """Sort frames of one camera and size into the pool's runs; a `pair` is two plain photographs."""
    ordered = shooting_order(frames)
    runs, strays = _runs(ordered)
    if not alone and max(len(run) for run in runs) <= 2:
        runs, strays = [[seen for run in runs for seen in run]], []
    elif pair:
        runs, strays = [[seen] for run in runs for seen in run], []
    interval_s = usual_interval_s([seen for run in ordered.runs for seen in run])
    for stray in strays:
        reason = stray_reason(stray, runs, interval_s)
        pool.aside += [SetAside(seen.file, reason) for seen in stray]
    runs = _one_orientation(runs, pool)
    pool.runs += runs
    pool.notes += pool_notes(pool.folder, ordered, runs, interval_s)


def _runs(ordered: Ordered) -> tuple[list[Run], list[Run]]:
    """Return (runs, strays) after joining around, and taking off, test shots."""
    everything = [seen for run in ordered.runs for seen in run]
    interval_s = usual_interval_s(everything)
    runs, strays = bridged(ordered.runs, interval_s) if ordered.timely else (ordered.runs, [])
    longest = max(len(run) for run in runs)
    strays += [run for run in runs if is_few(run, longest)]
    kept: list[Run] = []
    for run in (run for run in runs if not is_few(run, longest)):
        trimmed, ends = without_end_strays(run, interval_s)
        strays += ends
        kept += restarted(trimmed, interval_s) if ordered.timely else [trimmed]
    return kept, strays


def _one_orientation(runs: list[Run], pool: _Pool) -> list[Run]:
    """Give frames whose stored pictures agree the orientation that most of them carry."""
    if len({seen.frame.orientation for run in runs for seen in run}) < 2:
        return runs
    if any(link_between(a[-1], b[0]).cut is Cut.UNLIKE for a, b in pairwise(runs)):
        return [_usual_orientation([run], pool)[0] for run in runs]
    return _usual_orientation(runs, pool)


def _usual_orientation(runs: list[Run], pool: _Pool) -> list[Run]:
    tags = Counter(seen.frame.orientation for run in runs for seen in run)
    usual = min(tags, key=lambda tag: (-tags[tag], tag))
    odd = [seen.file for run in runs for seen in run if seen.frame.orientation != usual]
    if odd:
        pool.notes.append(
            f"{pool.folder}: {len(odd)} of {tags.total()} frames carry another orientation than the rest, "
            f"though the pictures agree ({odd[0]} is the first); all are read like the rest."
        )
    return [[replace(seen, frame=_turned(seen.frame, usual)) for seen in run] for run in runs]


def _turned(frame: FrameInfo, orientation: int) -> FrameInfo:
    if (frame.orientation >= 5) == (orientation >= 5):
        return replace(frame, orientation=orientation)
    return replace(frame, orientation=orientation, size_px=frame.size_px[::-1])


def _first_time(run: Run) -> float:
    return min((seen.frame.captured_s for seen in run if seen.frame.captured_s is not None), default=0.0)


def _named(pools: Sequence[_Pool]) -> tuple[Station, ...]:
    """Name stations after their folder where that holds just one, and number the others."""
    own = len(pools) > 1
    stations: list[Station] = []
    taken: set[str] = set()
    number = 0
    for pool in pools:
        for run in pool.runs:
            number += 1
            name = pool.folder if own and len(pool.runs) == 1 else f"station-{number}"
            name = _unique(name or f"station-{number}", taken)
            stations.append(Station(name, tuple(seen.frame for seen in run)))
    return tuple(stations)


def _unique(name: str, taken: set[str]) -> str:
    free, count = name, 1
    while free.casefold() in taken:
        count += 1
        free = f"{name}-{count}"
    taken.add(free.casefold())
    return free
