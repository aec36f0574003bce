"""One piece of long work at a time, in a thread of its own: where it is, how it ended, and how to stop it."""

from collections.abc import Callable
from threading import Event, Lock, Thread
from typing import Literal

import msgspec

from nearpair.errors import NearpairError
from nearpair.pixels.memory import give_back
from nearpair.progress import Progress

State = Literal["none", "running", "done", "failed", "stopped"]


class Status(msgspec.Struct, frozen=True, kw_only=True):
    """Where the present or last work is. number: counts works, so that a page can tell them apart."""

    number: int = 0
    name: str = ""
    state: State = "none"
    what: str = ""
    done: int = 0
    total: int = 0
    message: str = ""
    remedy: str = ""


class BusyError(NearpairError):
    """Other work is not done yet."""


class Stopped(KeyboardInterrupt):
    """The person at the desk stopped the work."""


class Jobs:
    """Starts work, one at a time; several threads may ask."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._status = Status()
        self._stop = Event()
        self._thread: Thread | None = None

    def status(self) -> Status:
        """Where the work is."""
        with self._lock:
            return self._status

    def start(self, name: str, work: Callable[[Progress], object]) -> Status:
        """Begin `work(progress)`. Raises BusyError while other work runs."""
        with self._lock:
            if self._status.state == "running":
                raise BusyError(f"Still busy: {self._status.name}.", "Wait until it is done, or stop it.")
            self._status = Status(number=self._status.number + 1, name=name, state="running")
            self._stop.clear()
            self._thread = Thread(target=self._run, args=(work,), name=f"desk {name}", daemon=True)
            status = self._status
        self._thread.start()
        return status

    def stop(self) -> None:
        """Ask the work to end; it does at its next report of progress, and nothing is lost."""
        self._stop.set()

    def wait(self, seconds: float | None = None) -> Status:
        """Wait until the work has ended, at most so long."""
        if self._thread is not None:
            self._thread.join(seconds)
        return self.status()

    def _run(self, work: Callable[[Progress], object]) -> None:
        self._done(work)
        give_back()

    def _done(self, work: Callable[[Progress], object]) -> None:
        try:
            work(self._report)
            self._end("done")
        except KeyboardInterrupt:
            self._end("stopped", "Stopped. Nothing is lost: start it again to go on.")
        except NearpairError as error:
            self._end("failed", error.message, error.remedy)
        except MemoryError:
            self._end("failed", "This computer has not enough free memory.", "Close other programs.")
        except Exception as error:  # noqa: BLE001 - the page must hear of it, whatever it is
            found = " ".join(f"{type(error).__name__}: {error}".split())[:300]
            self._end("failed", f"Something went wrong that nearpair did not expect ({found}).", _REPORT)

    def _report(self, what: str, done: int, total: int) -> None:
        if self._stop.is_set():
            raise Stopped
        with self._lock:
            self._status = msgspec.structs.replace(self._status, what=what, done=done, total=total)

    def _end(self, state: State, message: str = "", remedy: str = "") -> None:
        with self._lock:
            self._status = msgspec.structs.replace(self._status, state=state, message=message, remedy=remedy)


_REPORT = "Your frames are safe. This is a fault of nearpair; please report it to its developers."
