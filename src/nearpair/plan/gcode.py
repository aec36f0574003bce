"""A program for motorised rails in ISO 6983-1 words, and a dry run of it. Nobody runs it but the user.

Only words that the standard has and that every common controller knows: G21 (mm), G90 (absolute), G0 and G1
with F in mm/min, G4 (dwell), M0 (stop until the operator goes on), M2 (end), comments in brackets. X is the
sideways axis, Y the focus rail, towards the subject. The dry run reads the program itself, not the plan.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from nearpair.errors import NearpairError
from nearpair.plan.cautions import MOTOR
from nearpair.plan.model import Plan
from nearpair.plan.request import Rail

FEED_MM_MIN, SETTLE_S = 60.0, 2.0
_LINE_LIMIT = 72  # letters in a line: controllers have short buffers
_WORD = re.compile(r"([A-Z])(-?[0-9]*\.?[0-9]+)")
_ALLOWED = frozenset({"G0", "G1", "G4", "G21", "G90", "M0", "M2"})


@dataclass(frozen=True, slots=True)
class Motor:
    """How the rail is driven: feed in mm/min, pause for settling, and how long to hold still for the frame.

    `hold_s`: seconds in which a timer releases the camera; None: stop, and go on when the operator says so.
    """

    feed_mm_min: float = FEED_MM_MIN
    settle_s: float = SETTLE_S
    hold_s: float | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """One line of the dry run: seconds since the start, what happens, where the axes then are."""

    at_s: float
    what: str
    x_mm: float
    y_mm: float


def program(plan: Plan, rail: Rail, motor: Motor) -> str:
    """Write the program, lines ended by CR LF. The axes must stand at zero when it is started.

    Raises NearpairError unless the travel of both axes is stated and holds all of it, and for a ring stack.
    """
    _check(plan, rail)
    lines = ["%", *_heading(plan, rail, motor), "G21", "G90", "M0"]
    x = y = 0.0
    for each in plan.readings:
        position = each.position_mm or 0.0
        lines.append(f"({each.number} {_plain(each.station)} frame {each.frame + 1})")
        if each.base_mm != x:
            x = each.base_mm
            lines.append(f"G1 X{_number(x)} F{_number(motor.feed_mm_min)}")
        if position != y:
            y = position
            lines.append(f"G1 Y{_number(y)} F{_number(motor.feed_mm_min)}")
        lines.append(f"G4 P{_number(motor.settle_s)}")
        lines.append("M0" if motor.hold_s is None else f"G4 P{_number(motor.hold_s)}")
    return "".join(f"{line}\r\n" for line in [*lines, "M2", "%"])


def dry_run(text: str) -> list[Event]:
    """Run a program on paper: every move, pause and stop with its time; stops take no time.

    Raises NearpairError for a word that such a program must not have.
    """
    x = y = at = 0.0
    feed = FEED_MM_MIN
    events: list[Event] = []
    for line in text.splitlines():
        words = _words(line)
        values = {letter: float(number) for letter, number in words if letter in "XYFP"}
        feed = values.get("F", feed)
        for code in [f"{letter}{int(float(number))}" for letter, number in words if letter in "GM"]:
            if code in ("G0", "G1"):
                to_x, to_y = values.get("X", x), values.get("Y", y)
                at += 60 * max(abs(to_x - x), abs(to_y - y)) / feed
                x, y = to_x, to_y
                events.append(Event(at, f"move to X {x:g} Y {y:g}", x, y))
            elif code == "G4":
                at += values["P"]
                events.append(Event(at, f"wait {values['P']:g} s", x, y))
            elif code == "M0":
                events.append(Event(at, "stop until you go on", x, y))
            elif code == "M2":
                events.append(Event(at, "end", x, y))
    return events


def preview(text: str) -> str:
    """Say what the program does, one event a line, with the room it takes at the head."""
    events = dry_run(text)
    xs, ys = [each.x_mm for each in events], [each.y_mm for each in events]
    moves = sum(each.what.startswith("move") for each in events)
    stops = sum(each.what.startswith("stop") for each in events)
    head = [
        "Dry run: what the program does, read from the program itself.",
        f"X, sideways: {min(xs):g} to {max(xs):g} mm.",
        f"Y, the rail towards the subject: {min(ys):g} to {max(ys):g} mm.",
        f"{moves} moves, {stops} stops, {events[-1].at_s / 60:.1f} min without the stops.",
        "",
    ]
    return "\n".join([*head, *(f"{each.at_s:9.1f} s  {each.what}" for each in events)]) + "\n"


def _words(line: str) -> Sequence[tuple[str, str]]:
    found = _WORD.findall(re.sub(r"\(.*?\)", "", line))
    for letter, number in found:
        code = f"{letter}{int(float(number))}"
        if letter not in "GMXYFP" or (letter in "GM" and code not in _ALLOWED):
            raise NearpairError(
                f"The program has the word {letter}{number}.", "Have it made anew by nearpair."
            )
    return [(str(letter), str(number)) for letter, number in found]


def _heading(plan: Plan, rail: Rail, motor: Motor) -> list[str]:
    positions = [each.position_mm or 0.0 for each in plan.readings]
    widest = max(each.base_mm for each in plan.readings)
    once = "once, before the first move." if motor.hold_s else "release the camera, then go on."
    zero = "Set both axes to zero where the readings are zero, and check that X moves the camera to its right"
    texts = [
        f"CAUTION: {MOTOR}",
        f"{zero} and Y moves it towards the subject.",
        f"Travel limits: X 0 to {rail.base_travel_mm:g} mm, Y 0 to {rail.travel_mm:g} mm.",
        f"Used: X 0 to {widest:g} mm, Y {min(0.0, *positions):g} to {max(positions):g} mm.",
        "G4 P counts seconds. Some controllers take P as milliseconds: check yours.",
        f"M0 stops until you go on: {once}",
    ]
    return [f"({line})" for text in texts for line in _folded(_plain(text))]


def _folded(text: str) -> list[str]:
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) >= _LINE_LIMIT:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def _plain(text: str) -> str:
    """Return what may stand in a comment: ASCII without brackets and percent signs."""
    return re.sub(r"[^ -~]|[()%]", " ", text)


def _number(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _check(plan: Plan, rail: Rail) -> None:
    if plan.stack.kind != "rail":
        raise NearpairError(
            "Only a rail stack can be driven by a program; this plan has none.", "Leave out --gcode."
        )
    if rail.travel_mm is None or rail.base_travel_mm is None:
        raise NearpairError(
            "A program for a motorised rail needs the travel limits of both axes.",
            "State them: --travel MM for the focus rail, --base-travel MM for the sideways axis.",
        )
    ends = [each.position_mm or 0.0 for each in plan.readings]
    if min(ends) < 0:
        raise NearpairError(
            f"The rail would have to go to {min(ends):g} mm, below its zero.", "Give --start 0 or more."
        )
