"""Frames that belong to no stack, each with a reason in plain words that says what to do if it is wrong."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from nearpair.frames.metadata import FrameInfo
from nearpair.stacks.runs import LONG_PAUSE, Link, Run, Seen, is_few, link_between

REMEDY = "If it belongs to a stack, put each stack in a folder of its own and give these folders."
DIFFERENT_STEP = 3.0  # difference over the usual step of the stack, or below one in so many
APERTURE_RATIO = 1.3  # the effective f-number creeps with focus by less
EXPOSURE_EV = 1.0  # automatic exposure within a stack varies by less
NEIGHBOURS = 3  # steps that tell the usual step at the end of a stack


def kind_of(frame: FrameInfo) -> tuple[str | None, tuple[int, int]]:
    """Return what all frames of a stack share: camera, size as stored (a turned camera stores the same)."""
    height, width = frame.size_px
    return frame.camera, ((width, height) if frame.orientation >= 5 else (height, width))


def by_kind(frames: Run) -> list[Run]:
    """Group frames by camera and stored size; a frame that names no camera joins the largest of its size."""
    count = Counter(kind_of(seen.frame) for seen in frames)
    groups: dict[tuple[str | None, tuple[int, int]], Run] = {}
    for seen in frames:
        camera, size = kind_of(seen.frame)
        named = [kind for kind in count if kind[1] == size and kind[0] is not None]
        kind = max(named, key=count.__getitem__) if camera is None and named else (camera, size)
        groups.setdefault(kind, []).append(seen)
    return sorted(groups.values(), key=len, reverse=True)


def other_kind(frame: FrameInfo, stack: FrameInfo) -> str:
    """Say why a frame of another size or camera is set aside, naming both."""
    differences = []
    if kind_of(frame)[1] != kind_of(stack)[1]:
        differences.append(f"is {_size(frame)} where the stack has {_size(stack)}")
    if frame.camera != stack.camera:
        differences.append(f"is from {_camera(frame)} where the stack is from {_camera(stack)}")
    return (
        f"It {' and '.join(differences)}. Frames of one stack share size and camera: leave it out, or give "
        f"it in a folder of its own if it is a station."
    )


def copy_of(kept: str) -> str:
    """Say why a copy is set aside."""
    return f"It is the same picture as {kept}, which is used. Nothing to do, unless another frame was meant."


def stray_reason(stray: Run, stacks: Sequence[Run], interval_s: float) -> str:
    """Say what sets a stray group apart from the nearest stack: framing, time, settings."""
    stack = min(stacks, key=lambda run: _seconds_apart(stray, run))
    near, link = _nearest_link(stray, stack, interval_s)
    parts = [_framing(link), _apart(stray, stack, interval_s), *changed_settings(stray[0].frame, near.frame)]
    told = "; ".join(part for part in parts if part)
    return f"It looks like a test shot: {told}. {REMEDY}"


def changed_settings(frame: FrameInfo, stack: FrameInfo) -> list[str]:
    """List the settings of a frame that no stack would change on its way."""
    changes = []
    if frame.lens and stack.lens and frame.lens != stack.lens:
        changes.append(f"lens {frame.lens} instead of {stack.lens}")
    if _ratio(frame.focal_length_mm, stack.focal_length_mm) > 1.05:
        changes.append(f"{frame.focal_length_mm:g} mm instead of {stack.focal_length_mm:g} mm")
    if _ratio(frame.f_number, stack.f_number) > APERTURE_RATIO:
        changes.append(f"f/{frame.f_number:g} instead of f/{stack.f_number:g}")
    exposures = _sensor_exposure(frame), _sensor_exposure(stack)
    if _ratio(*exposures) > 2**EXPOSURE_EV:
        changes.append("another exposure")
    return changes


def without_end_strays(run: Run, interval_s: float) -> tuple[Run, list[Run]]:
    """Take test shots off both ends of a run: up to two frames apart by settings, or by pause and focus."""
    first = _strays_at_start(run, interval_s)
    last = _strays_at_start(run[::-1], interval_s)
    strays = [part for part in (run[:first], run[len(run) - last :]) if part]
    return run[first : len(run) - last], strays


def _strays_at_start(run: Run, interval_s: float) -> int:
    """Return how many frames at the start of a run (in either direction) are test shots: 0, 1 or 2."""
    for count in (1, 2):
        if not is_few(run[:count], len(run) - count) or len(run) < count + NEIGHBOURS + 1:
            return 0
        typical = run[count + len(run[count:]) // 2]
        if all(changed_settings(seen.frame, typical.frame) for seen in run[:count]):
            if not changed_settings(run[count].frame, typical.frame):
                return count
        elif _off_rhythm(run, count, interval_s):
            return count
    return 0


def _off_rhythm(run: Run, count: int, interval_s: float) -> bool:
    """Return whether the first frames stand apart by a pause and are no part of the focus sequence."""
    link = link_between(run[count - 1], run[count], interval_s)
    if not abs(link.pause) >= LONG_PAUSE:
        return False
    rest = run[count : count + NEIGHBOURS + 1]
    usual = float(np.median([1 - link_between(a, b).shift.quality for a, b in pairwise(rest)]))
    step = 1 - link.shift.quality
    return step > DIFFERENT_STEP * usual or step * DIFFERENT_STEP < usual


def _nearest_link(stray: Run, stack: Run, interval_s: float) -> tuple[Seen, Link]:
    time = stray[0].frame.captured_s
    known = [seen for seen in stack if seen.frame.captured_s is not None and time is not None]
    near = min(known, key=lambda seen: abs((seen.frame.captured_s or 0) - (time or 0)), default=stack[0])
    return near, link_between(stray[0], near, interval_s)


def _framing(link: Link) -> str:
    if link.cut is None:
        return "it is not a step of the focus sequence"
    return "it shows another framing than the stack"


def _apart(stray: Run, stack: Run, interval_s: float) -> str:
    seconds = _seconds_apart(stray, stack)
    if not math.isfinite(seconds) or not seconds >= LONG_PAUSE * interval_s:
        return ""
    side = "before" if (stray[0].frame.captured_s or 0) < (stack[0].frame.captured_s or 0) else "after"
    taken = f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
    return f"it was taken {taken} {side} the stack"


def _seconds_apart(stray: Run, stack: Run) -> float:
    times = [[s.frame.captured_s for s in run if s.frame.captured_s is not None] for run in (stray, stack)]
    if not times[0] or not times[1]:
        return math.inf
    return max(min(times[0]) - max(times[1]), min(times[1]) - max(times[0]), 0.0)


def _sensor_exposure(frame: FrameInfo) -> float | None:
    """Return shutter time x sensitivity over the f-number squared; None where not all are known."""
    if not frame.exposure_s or not frame.iso or not frame.f_number:
        return None
    return frame.exposure_s * frame.iso / frame.f_number**2


def _ratio(a: float | None, b: float | None) -> float:
    return max(a / b, b / a) if a and b else 1.0


def _size(frame: FrameInfo) -> str:
    height, width = frame.size_px
    return f"{width} x {height} px"


def _camera(frame: FrameInfo) -> str:
    return frame.camera or "a camera that it does not name"
