"""`nearpair watch`: what it says while frames arrive, and the subject as it gets sharp, on a terminal."""

import contextlib
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from threading import Event as Stop
from types import FrameType
from typing import Annotated

import typer
from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from nearpair.cli import say
from nearpair.cli.faults import FAILED, told
from nearpair.cli.lines import WEAK, Line
from nearpair.cli.watch_words import percent, words_of
from nearpair.stacks.events import Event, FrameSeen, StackVerdict

QUIET_S = 20.0
_BAR = 36
_SIGNS = {"@": ("\u2588", "bold yellow"), "#": ("\u2593", "green"), "-": ("\u00b7", "dim"), " ": (" ", "")}


def _seconds(value: float) -> float:
    if not 0.5 <= value <= 86_400:
        raise typer.BadParameter(f"expected 0.5 to 86400 seconds, found {value:g}.")
    return value


Folder = Annotated[Path, typer.Argument(metavar="DIR", help="The folder that frames arrive in; only read.")]
Once = Annotated[bool, typer.Option("--once", help="Judge the frames that are there now, and end.")]
Quiet = Annotated[
    float,
    typer.Option("--quiet", metavar="SECONDS", callback=_seconds, help="End when no frame came for so long."),
]
Poll = Annotated[bool, typer.Option("--poll", help="Look at the folder again and again; for network drives.")]
JsonLines = Annotated[
    bool, typer.Option("--json", help="One line of JSON for each event on standard output, words elsewhere.")
]


def watch(
    folder: Folder,
    once: Once = False,
    quiet: Quiet = QUIET_S,
    poll: Poll = False,
    as_json: JsonLines = False,
) -> None:
    """Check frames as they arrive, while the subject still stands. Writes nothing.

    Says at once when a slice of focus is missing, a frame is shaken, exposed differently or there twice, and
    when the next station has begun. Ends with Ctrl-C, or when no frame came for a while, with a verdict for
    each stack: complete, or what to shoot again. Exit status 0: all stacks are complete; 1: they are not.

    For example:

        nearpair watch card
        nearpair watch tether --quiet 120
        nearpair watch card --once --json
    """
    if not _watched(folder, once=once, quiet_s=quiet, poll=poll, as_json=as_json):
        raise typer.Exit(FAILED)


@told
def _watched(folder: Path, *, once: bool, quiet_s: float, poll: bool, as_json: bool) -> bool:
    """Watch and tell; whether all stacks are complete."""
    from nearpair.shoot.watch import watch as watch_folder

    console = say.errors() if as_json else Console(highlight=False)
    with _stopped_by_hand() as stop:
        events = watch_folder(folder, once=once, quiet_s=quiet_s, poll=poll, stop=stop)
        with _Screen(console, each_frame=not once) as screen:
            complete = _shown(events, screen, folder if not once else None, as_json=as_json)
    return complete


def _shown(events: Iterator[Event], screen: "_Screen", waits_for: Path | None, *, as_json: bool) -> bool:
    """Show events as they come; whether all stacks are complete at the end."""
    complete = False
    if waits_for is not None:
        screen.say(Line("Waiting", f"for frames in {waits_for}; Ctrl-C ends it with a verdict", WEAK))
    for event in events:
        if as_json:
            _print_json(event)
        screen.show(event)
        complete = getattr(event, "complete", complete)
    return complete


def _print_json(event: Event) -> None:
    import msgspec

    say.json(msgspec.json.encode(event) + b"\n")
    sys.stdout.flush()


@contextlib.contextmanager
def _stopped_by_hand() -> Iterator[Stop]:
    """Let the first Ctrl-C ask for the verdict; the second one ends everything."""
    stop = Stop()

    def ask(number: int, frame: FrameType | None) -> None:
        del number, frame
        signal.signal(signal.SIGINT, before)
        stop.set()

    before = signal.signal(signal.SIGINT, ask)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGINT, before)


class _Screen:
    """Lines for what happens; on a terminal the subject stands below them, as far as it is sharp."""

    def __init__(self, console: Console, *, each_frame: bool) -> None:
        self._console = console
        self._each_frame = each_frame and not console.is_terminal
        self._live = Live(console=console, auto_refresh=False, transient=True)

    def __enter__(self) -> "_Screen":
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._console.is_terminal:
            self._live.stop()

    def say(self, line: Line) -> None:
        """Print a line that stays."""
        is_terminal = self._console.is_terminal
        width = min(self._console.width, say.READABLE_WIDTH) if is_terminal else sys.maxsize
        self._console.print(Text(line.wrapped(width), style=line.style), soft_wrap=True)

    def show(self, event: Event) -> None:
        """Show an event: a frame in the picture, everything else in words."""
        if isinstance(event, FrameSeen):
            if self._console.is_terminal:
                self._live.update(drawn(event), refresh=True)
            if not self._each_frame:
                return
        if isinstance(event, StackVerdict) and self._console.is_terminal:
            self._live.update(Text(), refresh=True)
        for line in words_of(event):
            self.say(line)


def drawn(event: FrameSeen) -> Group:
    """The subject in few places: sharp lately, sharp before, not yet; and a bar with the shares."""
    picture = Text()
    for row in event.cells:
        for cell in row:
            sign, style = _SIGNS[cell]
            picture.append(sign, style)
        picture.append("\n")
    so_far = round(_BAR * event.sharp_so_far)
    here = min(so_far, round(_BAR * event.sharp_here))
    bar = Text()
    for sign, length in (("#", so_far - here), ("@", here), ("-", _BAR - so_far)):
        bar.append(_SIGNS[sign][0] * length, _SIGNS[sign][1])
    expected = f" of {event.expected}" if event.expected else ""
    bar.append(f" {percent(event.sharp_so_far)} of the subject sharp so far")
    count = Text(f"Stack {event.stack}, frame {event.number}{expected}: {event.file}", "bold")
    return Group(picture, bar, count)
