"""Shooting order: by time, else by file number or name if the pictures bear that out, else by the pictures.

The pictures bear out an order in which neighbours resemble each other: its path is hardly longer than the
shortest tree through all pictures. Random names give a path many times as long.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from nearpair.stacks.jumps import Shift, shift_between
from nearpair.stacks.runs import UNLIKE_QUALITY, Run, groups_by_place, runs_in_order
from nearpair.stacks.seriation import agreement, detour, differences, line_up
from nearpair.stacks.timing import by_name, by_number, by_time, has_ties, numbers_follow_time, running_numbers

FEW_FRAMES = 5  # too few for the pictures to refute an order
DETOUR = 1.5  # of an order that may be told by chance digits or names
CAMERA_DETOUR = 3.0  # of numbers that a camera gave: test shots make detours
NUMBERS_PER_FRAME = 4  # numbers of one shoot lie this close, other pictures may have been deleted
GROWS = 0.02  # magnification along a stack that tells its direction


class Basis(Enum):
    """What the shooting order rests on."""

    TIME = "capture times"
    TIME_AND_PICTURES = "capture times, and the pictures where the clock does not tell"
    NUMBER = "file numbers"
    NAME = "file names"
    PICTURES = "the pictures alone"


@dataclass(frozen=True, slots=True, eq=False)
class Ordered:
    """Runs with the order inside each; `agreement` is 0..1 for orders found in the pictures, else None."""

    runs: list[Run]
    basis: Basis
    agreement: float | None = None

    @property
    def timely(self) -> bool:
        """Whether runs follow each other in shooting order."""
        return self.basis is not Basis.PICTURES


def shooting_order(frames: Run) -> Ordered:
    """Put frames of one camera and size in shooting order and cut them into runs."""
    infos = [seen.frame for seen in frames]
    timed = by_time(infos)
    if timed is None:
        return _without_times(frames)
    order = [frames[i] for i in timed]
    if has_ties(infos) and not numbers_follow_time(infos):
        return Ordered(runs_in_order(_ties_by_pictures(order)), Basis.TIME_AND_PICTURES)
    return Ordered(runs_in_order(order), Basis.TIME)


def _without_times(frames: Run) -> Ordered:
    told = _told_order(frames)
    if told is not None:
        order, basis = told
        return Ordered(runs_in_order([frames[i] for i in order]), basis)
    runs = [_run_by_pictures(group) for group in groups_by_place(frames)]
    lines = [_table(run) for run in runs if len(run) > 2]
    agreed = min((agreement(table, range(len(table))) for table in lines), default=1.0)
    return Ordered(_left_to_right(_alike_ends(runs)), Basis.PICTURES, agreed)


def _told_order(frames: Run) -> tuple[list[int], Basis] | None:
    """Return the order that file numbers or names tell, if the pictures bear it out."""
    infos = [seen.frame for seen in frames]
    numbers = running_numbers([info.file_number for info in infos if info.file_number is not None])
    close = bool(numbers) and max(numbers) - min(numbers) <= NUMBERS_PER_FRAME * len(frames) + 20
    candidates = (
        (by_number(infos), Basis.NUMBER, CAMERA_DETOUR if close else DETOUR),
        (by_name(infos), Basis.NAME, DETOUR),
    )
    table = _table(frames)
    for order, basis, allowed in candidates:
        if order is not None and (len(frames) <= FEW_FRAMES or detour(table, order) <= allowed):
            return order, basis
    return None


def _run_by_pictures(group: Run) -> Run:
    """Order the frames of one place: numbers or names if they hold here, else a line through the pictures."""
    told = _told_order(group) if len(group) > FEW_FRAMES else None
    line = told[0] if told else line_up(_table(group))
    return [group[i] for i in line]


def _alike_ends(runs: list[Run]) -> list[Run]:
    """Turn the runs so that the picture grows along the longest, and the others are focused alike."""
    lead = max(runs, key=len)
    if shift_between(lead[0].look, lead[-1].look).magnification < 1 - GROWS:
        lead = lead[::-1]
    return [run[::-1] if _focused_the_other_way(lead, run) else run for run in runs]


def _focused_the_other_way(lead: Run, run: Run) -> bool:
    straight = _alike(lead, 0, run, 0) + _alike(lead, -1, run, -1)
    crossed = _alike(lead, 0, run, -1) + _alike(lead, -1, run, 0)
    return crossed > straight


def _alike(a: Run, i: int, b: Run, j: int) -> float:
    """Return the agreement of two frames, less for every step of magnification between them."""
    shift = shift_between(a[i].look, b[j].look)
    return shift.quality - abs(shift.magnification - 1)


def _left_to_right(runs: list[Run]) -> list[Run]:
    """Sort places by camera position: a camera further right sees the picture further left."""
    lead = max(runs, key=len)
    middle = lead[len(lead) // 2]
    shifts = [shift_between(middle.look, run[len(run) // 2].look) for run in runs]
    turns = [sideways(shift, middle.frame.orientation) for shift in shifts]
    known = [shift.quality >= UNLIKE_QUALITY for shift in shifts]
    order = sorted(range(len(runs)), key=lambda i: (not known[i], -turns[i] if known[i] else 0.0))
    return [runs[i] for i in order]


def sideways(shift: Shift, orientation: int, *, across: bool = False) -> float:
    """Return x (`across`: the size of y) of a stored shift, upright (orientation: TIFF 6.0, tag 274)."""
    turned = orientation >= 5
    if across:
        return abs(shift.x if turned else shift.y)
    return (shift.y if turned else shift.x) * (-1 if orientation in (2, 3, 6, 7) else 1)


def _ties_by_pictures(order: Run) -> Run:
    """Order frames of one clock reading by the pictures, each group starting where the last one ended."""
    result: Run = []
    groups = [list(group) for _, group in groupby(order, key=lambda seen: seen.frame.captured_s)]
    for group, after in pairwise([*groups, []]):
        line = _run_by_pictures(group) if len(group) > 1 else group
        result += line if _starts_right(line, result[-1:], after[:1]) else line[::-1]
    return result


def _starts_right(line: Run, before: Run, after: Run) -> bool:
    """Return whether the line runs on from the frame before it, or without one to the frame after it."""
    if before:
        table = _table([before[0], line[0], line[-1]])
        return bool(table[0, 1] <= table[0, 2])
    if after:
        table = _table([after[0], line[0], line[-1]])
        return bool(table[0, 2] <= table[0, 1])
    return True


def _table(frames: Run) -> NDArray[np.float64]:
    return differences([seen.look for seen in frames])
