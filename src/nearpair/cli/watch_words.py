"""What watching a shoot has to say, in words: one event, one line."""

from collections.abc import Callable
from typing import Any

from nearpair.cli.lines import GOOD, LOUD, WEAK, Line
from nearpair.cli.words import frames, sentence
from nearpair.stacks.events import (
    Event,
    ExposureChanged,
    Fault,
    FrameRenamed,
    FrameRepeated,
    FrameSeen,
    FrameSetAside,
    FrameShaken,
    GapFound,
    OrderBroken,
    Shot,
    StackBegun,
    StacksCompared,
    StackVerdict,
    WatchEnded,
)

_CARE = "bold yellow"


def words_of(event: Event) -> list[Line]:
    """Put an event into words."""
    return _WORDS[type(event)](event)


def percent(share: float) -> str:
    """Phrase a share: 0.463 is "46 %"."""
    return f"{100 * share:.0f} %"


def _stack(number: int) -> str:
    return f"Stack {number}"


def _named(shot: Shot) -> str:
    return f"{shot.number} ({shot.file})"


def _frame(event: FrameSeen) -> list[Line]:
    expected = f" of {event.expected}" if event.expected else ""
    shares = f"{percent(event.sharp_so_far)} of the subject has been sharp"
    return [Line(_stack(event.stack), f"frame {event.number}{expected}, {event.file}: {shares}")]


def _begun(event: StackBegun) -> list[Line]:
    if event.stack == 1:
        return [Line(_stack(1), f"begins with {event.file}")]
    how = "the picture shows something else now"
    if event.moved is not None:
        x, y = event.moved
        how = f"the picture moved sideways by {percent(abs(x))} of its width"
        if abs(y) > abs(x):
            how = f"the picture moved up or down by {percent(abs(y))} of its width"
    return [Line(_stack(event.stack), f"{how}: the next station. It begins with {event.file}", "bold")]


def _gap(event: GapFound) -> list[Line]:
    between = f"between frames {_named(event.after)} and {_named(event.before)}"
    text = f"a slice is missing {between}: the focus moved {event.width_steps:.1f} times as far as usual"
    return [Line(_stack(event.stack), text, LOUD)]


def _shaken(event: FrameShaken) -> list[Line]:
    along = ""
    if event.direction_deg is not None:
        along = f" along one direction, {_direction(event.direction_deg)}"
    left = f"{percent(event.detail_left)} of the fine detail is left"
    return [Line(_stack(event.stack), f"{event.file} is shaken: blurred all over{along}; {left}", LOUD)]


def _direction(angle_deg: float) -> str:
    """Phrase a direction on the screen, clockwise from the horizontal."""
    names = ("sideways", "down to the right", "up and down", "down to the left")
    return names[round(angle_deg / 45) % 4]


def _repeated(event: FrameRepeated) -> list[Line]:
    if event.is_copy:
        return [Line(_stack(event.stack), f"{event.file} is the same picture as {event.of}", WEAK)]
    text = f"{event.file} shows the same as {event.of}: the focus did not move. It is left out"
    return [Line(_stack(event.stack), text, _CARE)]


def _exposed(event: ExposureChanged) -> list[Line]:
    how = "brighter" if event.stops > 0 else "darker"
    text = f"{event.file} is {abs(event.stops):.1f} stops {how} than the frames before it"
    return [Line(_stack(event.stack), text, _CARE)]


def _set_aside(event: FrameSetAside) -> list[Line]:
    return [Line("Left out", f"{event.file}: {event.reason}", _CARE)]


def _renamed(event: FrameRenamed) -> list[Line]:
    return [Line("Renamed", f"{event.was} is {event.file} now", WEAK)]


def _order(event: OrderBroken) -> list[Line]:
    text = f"{event.file} was shot before frames that came earlier; the verdict will go by capture times"
    return [Line("Order", text, WEAK)]


def _verdict(event: StackVerdict) -> list[Line]:
    count = f"{frames(event.frames)}, {event.first} to {event.last}"
    if event.complete:
        doubts = [Line("", f"In doubt, for it was driven by hand: {_fault(d)}", _CARE) for d in event.doubts]
        return [Line(_stack(event.stack), f"complete: {count}", GOOD), *doubts]
    return [
        Line(_stack(event.stack), f"RE-SHOOT: {count}", LOUD),
        *(Line("", sentence(_fault(fault)), LOUD) for fault in event.faults),
    ]


_FAULTS = {
    "gap": "re-shoot {between}: a slice is missing there",
    "shaken": "re-shoot {between}: frame {frame} is shaken",
    "exposure": "re-shoot {between}: frame {frame} is exposed quite differently",
    "starts-late": "the stack starts too late: add frames {between}",
    "ends-early": "the stack ends too early: add frames {between}",
    "too-few": "too few frames to judge, or nothing in them is ever sharp",
}


def _fault(fault: Fault) -> str:
    frame = _named(fault.frame) if fault.frame else ""
    return _FAULTS[fault.kind].format(between=_between(fault), frame=frame)


def _between(fault: Fault) -> str:
    if fault.after and fault.before:
        return f"between frames {_named(fault.after)} and {_named(fault.before)}"
    if fault.before:
        return f"before frame {_named(fault.before)}"
    return f"after frame {_named(fault.after)}" if fault.after else "once more"


def _compared(event: StacksCompared) -> list[Line]:
    one, two = event.stacks
    counts = f"{event.frames[0]} and {event.frames[1]} frames"
    if event.alike:
        return [Line("Compared", f"stacks {one} and {two} are alike: {counts}", GOOD)]
    depth = ""
    if event.steps_more is not None:
        how = "deeper" if event.steps_more > 0 else "less deep"
        depth = f"; stack {two} reaches {abs(event.steps_more):.0f} steps {how}"
    text = f"stacks {one} and {two} differ: {counts}{depth}. Both should have the same ends"
    return [Line("Compared", text, _CARE)]


def _ended(event: WatchEnded) -> list[Line]:
    if not event.stacks:
        return [Line("Verdict", "no stack was seen", LOUD)]
    if not event.complete:
        return [Line("Verdict", "re-shoot what is named above before anything is moved", LOUD)]
    if event.stacks == 1:
        return [Line("Verdict", "complete; a pair needs a second stack from the next station", GOOD)]
    return [Line("Verdict", "complete", GOOD)]


_WORDS: dict[type, Callable[[Any], list[Line]]] = {
    FrameSeen: _frame,
    StackBegun: _begun,
    GapFound: _gap,
    FrameShaken: _shaken,
    FrameRepeated: _repeated,
    ExposureChanged: _exposed,
    FrameSetAside: _set_aside,
    FrameRenamed: _renamed,
    OrderBroken: _order,
    StackVerdict: _verdict,
    StacksCompared: _compared,
    WatchEnded: _ended,
}
