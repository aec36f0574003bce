"""From the folders that were pointed at to readable frames; what cannot be used is named with the reason."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from nearpair.errors import FrameError, SourceError
from nearpair.frames.listing import list_frames
from nearpair.frames.metadata import FrameInfo, read_info
from nearpair.progress import Progress
from nearpair.proof.model import SetAside
from nearpair.shoot.ahead import read_ahead


@dataclass(frozen=True, slots=True)
class Source:
    """One folder as given, with its readable frames."""

    folder: Path
    frames: tuple[FrameInfo, ...]


@dataclass(frozen=True, slots=True)
class Gathered:
    """All sources, and the image files that could not be used."""

    sources: tuple[Source, ...]
    set_aside: tuple[SetAside, ...]


def gather(folders: Sequence[Path], progress: Progress) -> Gathered:
    """List and read the headers of all frames. Raises SourceError when there is nothing to work with."""
    if not folders:
        message = "No folder with frames was given."
        raise SourceError(message, "Give the card's folder, or one folder for each station.")
    contents = [(folder, *list_frames(folder)) for folder in folders]
    listed = [(folder, files) for folder, files, _ in contents]
    total = sum(len(files) for _, files in listed)
    sources, aside, done = [], [], 0
    for folder, files in listed:
        frames = []
        for file, found in zip(files, read_ahead(files, _info), strict=True):
            if isinstance(found, FrameError):
                aside.append(SetAside(file=file.name, reason=reason_of(file, found)))
            else:
                frames.append(found)
            done += 1
            progress("reading the headers", done, total)
        sources.append(Source(folder, tuple(frames)))
    if not any(source.frames for source in sources):
        others = [file for _, _, rest in contents for file in rest]
        raise SourceError(
            _nothing(folders, aside, others), "Point at the folder that holds the frames of the shoot."
        )
    return Gathered(tuple(sources), tuple(aside))


def reason_of(file: Path, error: FrameError) -> str:
    """What is wrong with a file, to stand beside its name: proofs do not tell where on a disk it lies."""
    return str(error).removeprefix(f"{file}: ")


def _info(file: Path) -> FrameInfo | FrameError:
    try:
        return read_info(file)
    except FrameError as error:
        return error


def _nothing(folders: Sequence[Path], aside: Sequence[SetAside], others: Sequence[Path]) -> str:
    where = ", ".join(str(folder) for folder in folders)
    if not aside and others:
        found = _info(others[0])
        why = f" The first of {len(others)} other files: {found}" if isinstance(found, FrameError) else ""
        return f"{where}: no picture was found there.{why}"
    if not aside:
        return f"{where}: no picture was found there."
    first = f"{aside[0].file}: {aside[0].reason}"
    return f"{where}: none of the {len(aside)} picture files can be used; the first, {first}"
