"""The folder of a shoot: the only place that joins its paths. The layout is drawn in docs and stays as it is.

shoot.toml                    decisions
views/<station>.tif           all-in-focus view          views/<station>.focus.tif   focus map
views/<station>.retouched.tif, .retouched.focus.tif      the same with retouches, if there are any
pair/left.tif, right.tif      mounted views              pair/parallax.tif           their parallax
pair/depth.tif                depth in mm, if known
out/                          outputs                    out/outputs.json            how each was made
proof.json, .html, .pdf       the proof
glasses/*.toml                calibrations of glasses that were brought in on the desk
.cache/                       derived, safe to delete at any time
"""

import contextlib
import re
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path, PurePosixPath
from typing import Self

from filelock import FileLock, Timeout

from nearpair.errors import ShootError
from nearpair.frames.listing import SHOOT_FILE
from nearpair.shoot.atomic import PART_PREFIX, cannot_write, sweep, write_whole
from nearpair.shoot.decisions import Decisions, save
from nearpair.shoot.names import safe_name

_NOT_CONTENT = frozenset(
    {".cache", ".DS_Store", "Thumbs.db", "desktop.ini"}
)  # an empty folder may hold these
_MADE_HERE = ("views", "pair", "out", ".cache")
_ANOTHER = "Choose another folder with --to."


class ShootFolder:
    """The files of one shoot. Makes no folder by itself: writers do (see `atomic.replacing`)."""

    def __init__(self, root: Path) -> None:
        self.root = root

    @classmethod
    def open(cls, path: Path) -> Self:
        """Return the shoot at `path`. Raises ShootError if there is none."""
        if not path.exists():
            begin = "Check the spelling; or begin a shoot with `nearpair make FRAMES --to SHOOT`."
            raise ShootError(f"{path}: there is no shoot here, and no such folder.", begin)
        if not (path / SHOOT_FILE).is_file():
            raise ShootError(
                f"{path}: there is no shoot here (no {SHOOT_FILE}).",
                "Give the folder of a shoot; or begin one with `nearpair make FRAMES --to SHOOT`.",
            )
        return cls(path)

    @classmethod
    def open_or_create(cls, path: Path, sources: Sequence[Path]) -> Self:
        """Return the shoot at `path`; a new one gets a `shoot.toml` that names `sources`.

        Raises ShootError if `path` is a file, a folder with other things in it, inside or equal to one of
        `sources`, or cannot be written to; and if a source lies where this shoot keeps what it makes.
        """
        _check_apart(path, sources)
        _check_usable(path)
        shoot = cls(path)
        if shoot.toml.exists():
            _check_writable(path)
        else:
            save(shoot.toml, Decisions(sources=tuple(str(source.absolute()) for source in sources)))
        return shoot

    @property
    def toml(self) -> Path:
        """The decisions."""
        return self.root / SHOOT_FILE

    @property
    def left(self) -> Path:
        """The mounted view of the left eye."""
        return self.root / "pair" / "left.tif"

    @property
    def right(self) -> Path:
        """The mounted view of the right eye."""
        return self.root / "pair" / "right.tif"

    @property
    def parallax(self) -> Path:
        """The parallax of the mounted pair in left-eye coordinates, px."""
        return self.root / "pair" / "parallax.tif"

    @property
    def depth(self) -> Path:
        """The depth of the mounted pair in left-eye coordinates, mm behind the window."""
        return self.root / "pair" / "depth.tif"

    @property
    def proof_json(self) -> Path:
        """The proof for programs."""
        return self.root / "proof.json"

    @property
    def proof_html(self) -> Path:
        """The proof for people."""
        return self.root / "proof.html"

    @property
    def proof_pdf(self) -> Path:
        """The proof on paper."""
        return self.root / "proof.pdf"

    @property
    def cache(self) -> Path:
        """The folder for what is derived and may be deleted."""
        return self.root / ".cache"

    @property
    def glasses(self) -> Path:
        """The folder of calibration files of glasses that were brought in on the desk."""
        return self.root / "glasses"

    @property
    def outlog(self) -> Path:
        """How the outputs were made."""
        return self.root / "out" / "outputs.json"

    @property
    def before_fix(self) -> Path:
        """The anaglyph before `nearpair proof --fix`, as the proof's page shows it."""
        return self.cache / "before-fix.jpg"

    @property
    def preview(self) -> Path:
        """The mounted pair small, for pages."""
        return self.cache / "preview.npz"

    @property
    def pairs(self) -> Path:
        """All pairs of the stations, small, for pages."""
        return self.cache / "pairs.npz"

    def view(self, station: str, *, retouched: bool = False) -> Path:
        """Return the file of the all-in-focus view of a station, as merged or with its retouches."""
        return self.root / "views" / f"{safe_name(station)}{'.retouched' if retouched else ''}.tif"

    def focus(self, station: str, *, retouched: bool = False) -> Path:
        """Return the file of the focus map of a station, as merged or with its retouches."""
        return self.root / "views" / f"{safe_name(station)}{'.retouched' if retouched else ''}.focus.tif"

    def sharpness(self, station: str) -> Path:
        """Return the file that says how sharp every frame of a station shows each place of its view."""
        return self.cache / f"sharpness-{safe_name(station)}.npy"

    def retouched_files(self) -> list[Path]:
        """Return all retouched views and their focus maps."""
        folder = self.root / "views"
        return sorted(folder.glob("*.retouched.tif")) + sorted(folder.glob("*.retouched.focus.tif"))

    def out(self, name: str) -> Path:
        """Return the file of an output by its name, "/" for a folder below.

        Raises ShootError for a name that leads elsewhere.
        """
        parts = PurePosixPath(name).parts
        if not parts or any(not _is_plain(part) for part in parts):
            remedy = "Give a plain name such as anaglyph.jpg."
            raise ShootError(f"{name!r} cannot be the name of an output.", remedy)
        return self.root.joinpath("out", *parts)

    def source_paths(self, decisions: Decisions) -> list[Path]:
        """Return the folders with the frames; relative ones count from this folder."""
        return [self.root / source for source in decisions.sources]

    def abandon(self, *, keep_root: bool) -> None:
        """Remove what `open_or_create` and a run without result left: the decisions and the cache.

        Once there are views, everything stays: without its decisions nobody could continue the folder.
        """
        if any((self.root / made).exists() for made in _MADE_HERE if made != self.cache.name):
            return
        shutil.rmtree(self.cache, ignore_errors=True)
        self.toml.unlink(missing_ok=True)
        if not keep_root:
            with contextlib.suppress(OSError):
                self.root.rmdir()

    @contextlib.contextmanager
    def lock(self) -> Iterator[None]:
        """Keep other runs out meanwhile, and remove what killed runs left half written.

        Raises ShootError at once if another run works in this folder. A killed run leaves no lock behind.
        """
        file = self.cache / "lock"
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            held = FileLock(file, timeout=0).acquire()
        except Timeout as error:
            found = f"{self.root}: another run of nearpair is at work in this folder."
            raise ShootError(found, "Wait until it is done, or choose another folder with --to.") from error
        except NotImplementedError as error:
            raise ShootError(f"{self.root}: this disk cannot lock files.", "Choose a local disk.") from error
        except OSError as error:
            raise cannot_write(file, error) from error
        with held:
            sweep(self.root)
            yield


def _is_plain(part: str) -> bool:
    return part == safe_name(part) and not re.search(r"[/\\:]", part)


def _check_usable(path: Path) -> None:
    try:
        if not path.exists() or (path / SHOOT_FILE).exists():
            return
        if not path.is_dir():
            raise ShootError(f"{path}: is a file; a shoot needs a folder.", _ANOTHER)
        names = sorted(entry.name for entry in path.iterdir())
    except OSError as error:
        raise cannot_write(path, error) from error
    others = [name for name in names if name not in _NOT_CONTENT and not name.startswith(PART_PREFIX)]
    if others:
        found = f"holds other things ({', '.join(others[:3])}{', ...' if len(others) > 3 else ''})"
        raise ShootError(f"{path}: {found} and no {SHOOT_FILE}.", f"Nothing was changed. {_ANOTHER}")


def _check_apart(path: Path, sources: Sequence[Path]) -> None:
    for source in sources:
        if any(_is_same(folder, source) for folder in (path.absolute(), *path.absolute().parents)):
            found = f"{path}: lies in the source {source}, and sources are only ever read."
            raise ShootError(found, "Choose a folder outside it with --to.")
        above = (source.absolute(), *source.absolute().parents)
        if any(_is_same(folder, path / made) for folder in above for made in _MADE_HERE):
            found = f"{source}: lies where the shoot {path} keeps what it makes."
            raise ShootError(found, "Give the folder that holds the frames.")


def _is_same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def _check_writable(path: Path) -> None:
    trial = path / f"{PART_PREFIX}trial"
    write_whole(trial, b"")
    with contextlib.suppress(OSError):
        trial.unlink()
