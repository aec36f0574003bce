"""One shoot on the desk: its decisions, its pictures, and the work that runs on it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from nearpair.colour.glasses import GLASSES
from nearpair.desk.behind import Behind
from nearpair.desk.jobs import Jobs, Status
from nearpair.desk.pictures import Pictures
from nearpair.errors import NearpairError, ShootError
from nearpair.frames.metadata import read_info
from nearpair.frames.read import read_small
from nearpair.outputs.catalogue import form_named
from nearpair.progress import Progress
from nearpair.proof.model import Proof
from nearpair.shoot.again import again
from nearpair.shoot.deciding import NOTHING, Overrides, decide
from nearpair.shoot.decisions import Decisions, load
from nearpair.shoot.finished import proof_of
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import glasses_named, keep_glasses, kept_glasses
from nearpair.shoot.pairsheet import pair_picture
from nearpair.shoot.preview import Bytes
from nearpair.shoot.publishing import publish
from nearpair.shoot.run import Look, look, make, run


class Session:
    """A shoot, or a card that is to become one; several threads may ask."""

    def __init__(self, root: Path, sources: Sequence[Path] = ()) -> None:
        """sources: the card's folders, if the shoot is not begun yet."""
        self.root, self.sources = root, tuple(sources)
        self.jobs = Jobs()
        self.look: Look | None = None
        self.moved: dict[str, str] = {}
        """Frames of the card that were moved by hand, as `[moved]` in shoot.toml."""
        self._glasses: dict[str, None] = dict.fromkeys(GLASSES)
        self.closing: Callable[[], bool] = lambda: False
        """Whether the desk is being closed: then nobody is told anything any more."""
        self.pictures = Pictures(lambda: self.folder)
        self.behind = Behind(lambda: self.folder, self.jobs)

    @property
    def folder(self) -> ShootFolder | None:
        """The shoot's folder, None while it is not begun."""
        try:
            return ShootFolder.open(self.root)
        except ShootError:
            return None

    def pair_picture(self, number: int) -> Bytes | None:
        """One of the pairs that the stations can make, as a small anaglyph; None if there is none."""
        folder = self.folder
        if folder is None:
            return None
        return pair_picture(folder, number, glasses_named(load(folder.toml).colour.glasses))

    def proof(self) -> Proof | None:
        """The proof of the mounted pair, None while there is none."""
        folder = self.folder
        if folder is None:
            return None
        try:
            return proof_of(folder)
        except ShootError:
            return None

    def decide(self, overrides: Overrides, revision: str | None) -> None:
        """Put decisions into the shoot's file. Raises NearpairError, see `shoot.deciding.decide`."""
        folder = self.folder
        if folder is None:
            raise ShootError("The shoot is not begun yet.", "Begin it first.")
        # a page is not to make this program read any file by its name
        wanted = overrides.glasses
        if wanted is not None and wanted not in self.glasses_of(load(folder.toml), folder):
            raise ShootError("These glasses cannot be chosen here.", "Bring their calibration file in first.")
        decide(folder, overrides, revision)

    def glasses_of(self, decisions: Decisions, folder: ShootFolder) -> list[str]:
        """All glasses that can be chosen: by kind, kept in the shoot, and those that were decided before."""
        self._glasses |= dict.fromkeys([*kept_glasses(folder), decisions.colour.glasses])
        return list(self._glasses)

    def keep_glasses(self, name: str, text: str) -> str:
        """Keep a calibration file in the shoot; returns the name by which it can be decided."""
        folder = self.folder
        if folder is None:
            raise ShootError("The shoot is not begun yet.", "Begin it first.")
        return str(keep_glasses(folder, name, text))

    def start_sorting(self, moves: Mapping[str, str] | None = None) -> Status:
        """Look through the card; writes nothing. moves: frames moved by hand, beside those before."""
        moved = {**self.moved, **(moves or {})}

        def work(progress: Progress) -> None:
            self.look = look(self.sources, Overrides(moved=moved), progress)
            self.moved = moved

        return self.jobs.start("sort", work)

    def start(self, until: str, overrides: Overrides = NOTHING) -> Status:
        """Bring the shoot up to a stage; begin it if there is only a card."""

        def work(progress: Progress) -> None:
            if self.sources and self.folder is None:
                make(self.sources, self.root, replace(overrides, moved=self.moved), progress)
            else:
                run(self.root, until, overrides, progress)
                self.behind.forget_old()

        return self.jobs.start(until, work)

    def start_publishing(self, names: Sequence[str]) -> Status:
        """Make forms by name. Raises NearpairError for a name that is not known."""
        forms = [form_named(name).name for name in names]

        def work(progress: Progress) -> None:
            publish(self.root, forms, progress=progress)

        return self.jobs.start("forms", work)

    def start_again(self) -> Status:
        """Make outputs that are older than the picture again, as they were made."""

        def work(progress: Progress) -> None:
            failed = again(self.root, progress).failed
            if failed:
                raise NearpairError(f"Not made again: {' '.join(failed)}", "")

        return self.jobs.start("again", work)

    def shot(self, name: str, long_side_px: int) -> Bytes | None:
        """A frame of the card, small, (h, w) luma codes; None if there is none of this name."""
        path = None if self.look is None else self.look.readable.get(name)
        if path is None:
            return None
        info = read_info(Path(path))
        return read_small(info, max(1, -(-max(info.size_px) // long_side_px)))
