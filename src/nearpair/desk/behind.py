"""The frames behind the mounted pair, as the page looks at them: which a place shows, what others show."""

from collections.abc import Callable, Sequence
from threading import Lock
from typing import Any

from nearpair.desk.jobs import BusyError, Jobs
from nearpair.desk.tiles import png
from nearpair.errors import ShootError
from nearpair.shoot.decisions import Retouch
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.memo import Memo
from nearpair.shoot.retouching import retouched_last
from nearpair.shoot.run import program
from nearpair.shoot.showing import mounted_last
from nearpair.shoot.sources import Sources
from nearpair.shoot.trying import Trial

EYES = ("left", "right")
CROP_PX = 128
_FARTHEST_PX = 1e6


class Behind:
    """Looks behind the pair that was mounted last; several threads may ask."""

    def __init__(self, folder: Callable[[], ShootFolder | None], jobs: Jobs) -> None:
        self._folder, self._jobs = folder, jobs
        self._lock = Lock()
        self._sources: Sources | None = None
        self._trial: tuple[Sources, Trial] | None = None

    def told(self, key: str, eye: str, x: float, y: float) -> dict[str, Any] | None:
        """What both eyes are shown at a place of one eye's picture, px of the left view as it lies.

        None if `key` is not that of the mounted pair, or there is no such eye. Raises BusyError while work
        runs, and NearpairError if the frames cannot be looked at.
        """
        sources = self._of(key)
        folder = self._folder()
        if sources is None or folder is None or eye not in EYES or max(x, y) > _FARTHEST_PX:
            return None
        done = retouched_last(folder, Memo(folder.cache, program()))
        found = sources.of_pair(EYES.index(eye), (x, y))
        return {"left": found.left, "right": found.right, "done": done}

    def crop(self, key: str, eye: str, number: int, x: int, y: int) -> bytes | None:
        """What a frame shows around a place of an eye's view, as PNG; None where there is nothing."""
        sources = self._of(key)
        if sources is None or eye not in EYES:
            return None
        shown = sources.crop(EYES.index(eye), number, (x, y), CROP_PX)
        return None if shown is None else png(shown)

    def tried(
        self, key: str, retouches: Sequence[Retouch], where: Sequence[Retouch]
    ) -> dict[str, Any] | None:
        """What retouches would show, before they are made, at the places of `where`; see `shoot.trying`.

        None if `key` is not that of the mounted pair. Raises as `told`.
        """
        sources, folder = self._of(key), self._folder()
        if sources is None or folder is None:
            return None
        with self._lock:
            if self._trial is None or self._trial[0] is not sources:
                self._trial = sources, Trial(folder, sources)
            trial = self._trial[1]
        found = trial.tried(retouches, where)
        pieces = [{"eye": p.eye, "box": p.box, "picture": png(p.picture)} for p in found.pieces]
        return {"pieces": pieces, "told": found.told, "large": found.large}

    def forget_old(self) -> None:
        """Keep nothing of a pair that is not mounted any longer: nobody can look behind it."""
        folder = self._folder()
        mounted = None if folder is None else mounted_last(folder)
        with self._lock:
            if self._sources is not None and (mounted is None or mounted.key != self._sources.key):
                self._sources = self._trial = None

    def _of(self, key: str) -> Sources | None:
        with self._lock:
            if self._sources is not None and self._sources.key == key:
                return self._sources
            if self._jobs.status().state == "running":
                raise BusyError("The pair is being made.", "Look again when that is done.")
            folder = self._folder()
            mounted = None if folder is None else mounted_last(folder)
            if folder is None or mounted is None or mounted.key != key:
                return None
            self._sources = self._trial = None  # their memory goes first
            try:
                self._sources = Sources.open(folder)
            except ShootError:
                if mounted_last(folder) == mounted:
                    raise
                return None  # mounted anew meanwhile
            return self._sources
