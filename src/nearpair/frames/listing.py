"""What lies in a folder: candidate frames in natural file order, and everything else."""

import os
import re
from collections.abc import Iterator
from pathlib import Path

from nearpair.errors import SourceError
from nearpair.frames.formats import SUFFIXES

SHOOT_FILE = "shoot.toml"
"""A folder that holds this file is a shoot of our own, not a source of frames."""


def list_frames(folder: Path, recursive: bool = True) -> tuple[list[Path], list[Path]]:
    """Return (candidate frames, other files) below `folder`, both in natural file order.

    Candidates are regular files named as JPEG, PNG, TIFF, HEIC or raw files; whether they can be read is for
    `read_info` to say. Hidden files and folders and
    the folders of shoots are passed over; every folder is entered once, however many links lead to it.
    Raises SourceError if `folder` is missing, no folder, a shoot, or cannot be read.
    """
    root = Path(folder)
    _check_source(root)
    found = list(_walk(root, recursive))
    _check_source(root)  # it may have been taken away meanwhile
    files = sorted(found, key=lambda path: natural_key(path.relative_to(root)))
    candidates = [path for path in files if path.suffix.lower() in SUFFIXES and path.is_file()]
    chosen = set(candidates)
    return candidates, [path for path in files if path not in chosen]


def natural_key(path: Path) -> tuple[tuple[tuple[int | str, ...], str], ...]:
    """Return a sort key: folder by folder, case ignored, runs of digits by their value (9 before 10)."""
    return tuple((_natural(part), part) for part in path.parts)


def _natural(part: str) -> tuple[int | str, ...]:
    pieces = re.split(r"([0-9]+)", part.casefold())  # text and digits take turns, so like meets like
    return tuple(int(piece) if index % 2 else piece for index, piece in enumerate(pieces))


def _check_source(root: Path) -> None:
    if not root.exists():
        raise SourceError(f"{root}: there is no such folder.", "Check the spelling, and that the card is in.")
    if not root.is_dir():
        raise SourceError(f"{root}: this is not a folder.", "Give the folder that holds the frames.")
    if (root / SHOOT_FILE).exists():
        raise SourceError(f"{root}: this is the folder of a shoot.", "Give the folder that holds the frames.")
    try:
        os.scandir(root).close()
    except OSError as error:
        raise SourceError(f"{root}: cannot be read ({error.strerror}).", "Check its permissions.") from error


def _walk(root: Path, recursive: bool) -> Iterator[Path]:
    waiting, entered = [root], {_identity(root)}
    while waiting:
        folders, files = _contents(waiting.pop(0))
        yield from files
        for folder in folders if recursive else []:
            if _identity(folder) not in entered:
                entered.add(_identity(folder))
                waiting.append(folder)


def _contents(folder: Path) -> tuple[list[Path], list[Path]]:
    try:
        names = sorted(name for name in os.listdir(folder) if not name.startswith("."))  # noqa: PTH208
    except OSError:
        return [], [folder]  # told as something that could not be used
    if SHOOT_FILE in names:
        return [], []
    paths = [folder / name for name in names]
    folders = [path for path in paths if path.is_dir()]
    return folders, [path for path in paths if not path.is_dir()]


def _identity(folder: Path) -> tuple[int, int]:
    status = folder.stat()
    return status.st_dev, status.st_ino
