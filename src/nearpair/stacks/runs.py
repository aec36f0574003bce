"""Runs: the stretches of a shooting order in which the camera stood at one place.

A run ends where the pictures say so: the whole picture jumps (by less if there is a pause as well), or the
next picture shows something else. A pause alone never ends a run, because photographers pause within stacks;
it does together with focus that starts anew, for shoots where the picture was brought back to the middle at
each station.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

import numpy as np

from nearpair.frames.metadata import FrameInfo
from nearpair.stacks.jumps import Look, Shift, shift_between
from nearpair.stacks.seriation import components, differences, spanning_tree
from nearpair.stacks.timing import pauses

UNLIKE_QUALITY = 0.45  # below: another picture. Pictures of one subject agree by 0.8, of two subjects by 0.2
JUMP = 0.025  # part of the longer side; a knock is some px, two stations differ by a few percent at least
SMALL_JUMP = 0.018  # counts together with a pause
PAUSE = 3.0  # intervals
LONG_PAUSE = 4.0  # intervals; a rhythm held by hand varies less
RESTART = 4.0  # difference across a pause over the usual step, when focus starts anew
EVEN = 2.0  # stacks split on a pause alone have about the same number of frames
STRAY_FRAMES = 2  # at most so many frames make a test shot
BRIDGED_RUNS = 3  # at most so many test shots of different framing within a stack
STRAY_PART = 3  # and at most one in so many of the frames it is compared with


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A frame with its look; `file` is how the user knows it, `folder` the place of its source."""

    frame: FrameInfo
    look: Look
    file: str
    folder: int
    digest: bytes


Run = list[Seen]


class Cut(Enum):
    """Why two frames in shooting order are not of one station."""

    UNLIKE = "another picture"
    JUMP = "jump"
    RESTART = "pause and focus that starts anew"


@dataclass(frozen=True, slots=True)
class Link:
    """Two frames one after the other: how the picture moved, and the pause in intervals (NaN if unknown)."""

    shift: Shift
    pause: float

    @property
    def moved(self) -> float:
        """How far the picture moved, part of its longer side."""
        return math.hypot(self.shift.x, self.shift.y)

    @property
    def cut(self) -> Cut | None:
        """Why the run ends here, judged by this link alone."""
        if self.shift.quality < UNLIKE_QUALITY:
            return Cut.UNLIKE
        jumped = self.moved >= (SMALL_JUMP if self.pause >= PAUSE else JUMP)
        return Cut.JUMP if jumped else None


def link_between(first: Seen, second: Seen, interval_s: float = math.nan) -> Link:
    """Compare two frames; `interval_s` is the usual interval of the shoot."""
    times = first.frame.captured_s, second.frame.captured_s
    pause = math.nan if times[0] is None or times[1] is None else (times[1] - times[0]) / interval_s
    return Link(shift_between(first.look, second.look), pause)


def usual_interval_s(order: Run) -> float:
    """Return the median interval in shooting order, NaN without times."""
    frames = [seen.frame for seen in order]
    ratios = pauses(frames)
    for ratio, (first, second) in zip(ratios, pairwise(frames), strict=True):
        if ratio > 0 and first.captured_s is not None and second.captured_s is not None:
            return (second.captured_s - first.captured_s) / float(ratio)
    return math.nan


def runs_in_order(order: Run) -> list[Run]:
    """Cut frames in shooting order into runs, by the pictures and pauses."""
    interval_s = usual_interval_s(order)
    links = [link_between(a, b, interval_s) for a, b in pairwise(order)]
    cuts = [i + 1 for i, link in enumerate(links) if link.cut]
    runs = [order[a:b] for a, b in pairwise([0, *cuts, len(order)])]
    return _alternating(order, runs) if _too_many(runs, order) else runs


def groups_by_place(frames: Run) -> list[Run]:
    """Group frames by the place they were taken from, by the pictures alone: cut the tree of differences."""
    edges = spanning_tree(differences([seen.look for seen in frames]))
    same = [(i, j) for i, j in edges if link_between(frames[i], frames[j]).cut is None]
    return [[frames[i] for i in group] for group in components(len(frames), same)]


def _too_many(runs: list[Run], order: Run) -> bool:
    return len(runs) >= 3 and len(runs) > len(order) / 2


def _alternating(order: Run, runs: list[Run]) -> list[Run]:
    """Return groups by place when the camera went to and fro for each focus; the order inside is kept."""
    places = groups_by_place(order)
    return places if len(places) < len(runs) else runs


def bridged(runs: list[Run], interval_s: float) -> tuple[list[Run], list[Run]]:
    """Join runs of one place around test shots between them: (runs, test shots)."""
    joined: list[Run] = []
    strays: list[Run] = []
    while runs:
        before, *runs = runs
        after = _next_of_place(before, runs, interval_s)
        while after:
            strays += runs[:after]
            before = before + runs[after]
            runs = runs[after + 1 :]
            after = _next_of_place(before, runs, interval_s)
        joined.append(before)
    return joined, strays


def _next_of_place(before: Run, runs: list[Run], interval_s: float) -> int:
    """Return the place of the run that goes on from `before` after test shots only, 0 if there is none."""
    for place, after in enumerate(runs[: BRIDGED_RUNS + 1]):
        few = all(is_few(run, len(before) + len(after)) for run in runs[:place])
        if place and few and not link_between(before[-1], after[0], interval_s).cut:
            return place
    return 0


def is_few(few: Run, many: int) -> bool:
    """Return whether a group is small enough, beside `many` frames, to be a test shot."""
    return len(few) <= STRAY_FRAMES and len(few) * STRAY_PART <= many


def restarted(run: Run, interval_s: float) -> list[Run]:
    """Cut a run at pauses after which focus starts anew, if that leaves stacks of about one length."""
    links = [link_between(a, b, interval_s) for a, b in pairwise(run)]
    steps = [1 - link.shift.quality for link in links]
    usual = float(np.median(steps)) if steps else 0.0
    cuts = [
        i + 1
        for i, link in enumerate(links)
        if link.pause >= LONG_PAUSE and steps[i] > RESTART * usual + 1e-3
    ]
    parts = [run[a:b] for a, b in pairwise([0, *cuts, len(run)])]
    sizes = [len(part) for part in parts]
    return parts if min(sizes) > STRAY_FRAMES and max(sizes) <= EVEN * min(sizes) else [run]
