"""Shooting order and pauses from what the camera wrote: capture times, file numbers, file names.

Sources: a camera's file numbers run from 0001 to 9999 and start again (JEITA CP-3461, Design rule for Camera
File system: four digits; from memory); capture times without sub-seconds tie within bursts (common practice,
no source).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nearpair.frames.metadata import FrameInfo

FILE_NUMBERS = 10_000  # file numbers are known modulo this
NATURAL_PART = re.compile(r"(\d+)")
TIMED_ENOUGH = 0.8  # part of the frames that must carry a time before times decide the order

NameKey = tuple[tuple[int, int, str], ...]


def name_key(name: str) -> NameKey:
    """Return a key that sorts file names as people do: `a2` before `a10`, capitals like small letters."""
    parts = NATURAL_PART.split(name.casefold())
    return tuple((0, int(part), part) if part.isdecimal() else (1, 0, part) for part in parts if part)


def running_numbers(numbers: Sequence[int]) -> tuple[int, ...]:
    """Unwrap file numbers that pass 9999: those before the widest empty stretch of the circle come last."""
    if not numbers or max(numbers) - min(numbers) <= FILE_NUMBERS // 2 or max(numbers) >= FILE_NUMBERS:
        return tuple(numbers)
    ring = sorted(set(numbers))
    gaps = [(b - a, b) for a, b in pairwise([*ring, ring[0] + FILE_NUMBERS])]
    first = max(gaps)[1] % FILE_NUMBERS
    return tuple(n if n >= first else n + FILE_NUMBERS for n in numbers)


def by_name(frames: Sequence[FrameInfo]) -> list[int]:
    """Return indices in natural order of the file names."""
    return sorted(range(len(frames)), key=lambda i: (name_key(frames[i].path.name), str(frames[i].path)))


def by_number(frames: Sequence[FrameInfo]) -> list[int] | None:
    """Return indices in order of file number, or None unless every frame has a number of its own."""
    numbers = [frame.file_number for frame in frames if frame.file_number is not None]
    if len(set(numbers)) < len(frames):
        return None
    running = running_numbers(numbers)
    return sorted(range(len(frames)), key=running.__getitem__)


def by_time(frames: Sequence[FrameInfo]) -> list[int] | None:
    """Return indices in order of capture time, or None when the times cannot tell an order.

    Ties go by file number (unwrapped inside the tie), then by name. A frame without a time takes the time of
    the frame before it by number and name.
    """
    known = [frame.captured_s for frame in frames if frame.captured_s is not None]
    if len(known) < max(TIMED_ENOUGH * len(frames), 1) or (len(set(known)) == 1 and len(frames) > 1):
        return None
    times = _filled_times(frames)
    order: list[int] = []
    for time in sorted(set(times)):
        order += _by_number_then_name(frames, [i for i, t in enumerate(times) if t == time])
    return order


def has_ties(frames: Sequence[FrameInfo]) -> bool:
    """Return whether two frames were taken at the same time as far as the clock tells."""
    times = [frame.captured_s for frame in frames if frame.captured_s is not None]
    return len(set(times)) < len(times)


def numbers_follow_time(frames: Sequence[FrameInfo]) -> bool:
    """Return whether file numbers grow with time (modulo the wrap), so that they can break ties."""
    timed = [
        (f.captured_s, f.file_number)
        for f in frames
        if f.captured_s is not None and f.file_number is not None
    ]
    if len(timed) < len(frames) or len(set(timed)) < len(timed):
        return False
    timed.sort()
    steps = [(n2 - n1) % FILE_NUMBERS for (t1, n1), (t2, n2) in pairwise(timed) if t2 > t1]
    return sum(0 < step < FILE_NUMBERS // 2 for step in steps) >= 0.9 * len(steps)


def pauses(frames: Sequence[FrameInfo]) -> NDArray[np.float64]:
    """Return the interval after each frame but the last over the median interval, shape (n - 1,).

    `frames` are in shooting order; NaN where a time is missing. The median is the rhythm inside the stacks as
    soon as stacks have more than a few frames: pauses between them are the minority.
    """
    times = np.array([np.nan if f.captured_s is None else f.captured_s for f in frames], dtype=np.float64)
    intervals = np.diff(times)
    known = intervals[np.isfinite(intervals)]
    if known.size == 0:
        return np.full(intervals.shape, np.nan)
    resolution_s = 1.0 if np.all(times[np.isfinite(times)] % 1 == 0) else 0.05
    ratios: NDArray[np.float64] = intervals / max(float(np.median(known)), resolution_s)
    return ratios


def _filled_times(frames: Sequence[FrameInfo]) -> list[float]:
    order = by_number(frames) or by_name(frames)
    times: list[float | None] = [frame.captured_s for frame in frames]
    last = next(times[i] for i in order if times[i] is not None)
    for i in order:
        last = times[i] if times[i] is not None else last
        times[i] = last
    return [time for time in times if time is not None]


def _by_number_then_name(frames: Sequence[FrameInfo], tied: Sequence[int]) -> list[int]:
    members = [frames[i] for i in tied]
    return [tied[i] for i in by_number(members) or by_name(members)]
