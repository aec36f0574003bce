"""From the folders that were pointed at to readable frames; what cannot be used is named with the reason."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from nearpair.errors import FrameError, GoneError, SourceError
from nearpair.frames.formats import HEIC_SUFFIXES, RAW_SUFFIXES
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
    """All sources, the image files that could not be used, and second files of the same exposures."""

    sources: tuple[Source, ...]
    set_aside: tuple[SetAside, ...]
    doubled: tuple[SetAside, ...] = ()
    """Raw and HEIC files beside the picture that the camera saved with them; nothing is wrong with them."""


def gather(folders: Sequence[Path], progress: Progress) -> Gathered:
    """List and read the headers of all frames. Raises SourceError when there is nothing to work with.

    Raises GoneError when a file that was listed is not there any more.

    Of several files of one exposure (the same name in the same folder) one is used: a JPEG, PNG or TIFF
    before HEIC before raw, as long as it can be read.
    """
    if not folders:
        message = "No folder with frames was given."
        raise SourceError(message, "Give the card's folder, or one folder for each station.")
    contents = [(folder, *list_frames(folder)) for folder in folders]
    listed = [(folder, files) for folder, files, _ in contents]
    total = sum(len(files) for _, files in listed)
    sources: list[Source] = []
    aside: list[SetAside] = []
    doubled: list[SetAside] = []
    done = 0
    for folder, files in listed:
        frames: list[FrameInfo] = []
        for read in read_ahead(_exposures(files), _read):
            frames += read.frames
            aside += read.refused
            doubled += read.doubled
            done += read.files
            progress("reading the headers", done, total)
        sources.append(Source(folder, tuple(frames)))
    if not any(source.frames for source in sources):
        others = [file for _, _, rest in contents for file in rest]
        raise SourceError(
            _nothing(folders, aside, others), "Point at the folder that holds the frames of the shoot."
        )
    return Gathered(tuple(sources), tuple(aside), tuple(doubled))


def reason_of(file: Path, error: FrameError) -> str:
    """What is wrong with a file, to stand beside its name: proofs do not tell where on a disk it lies."""
    return str(error).removeprefix(f"{file}: ")


@dataclass(frozen=True, slots=True)
class _Read:
    """What became of the files of one exposure."""

    files: int
    frames: list[FrameInfo]
    refused: list[SetAside]
    doubled: list[SetAside]


def _exposures(files: Sequence[Path]) -> list[list[Path]]:
    """Put files of one exposure together, the one to be used first; otherwise the order stays."""
    together: dict[tuple[Path, str], list[Path]] = {}
    for file in files:
        together.setdefault((file.parent, file.stem.casefold()), []).append(file)
    return [sorted(group, key=rank) for group in together.values()]


def rank(file: Path) -> int:
    """Of the files of one exposure the one with the lowest rank is used: pictures, then HEIC, then raw."""
    suffix = file.suffix.lower()
    return 2 if suffix in RAW_SUFFIXES else 1 if suffix in HEIC_SUFFIXES else 0


def _read(exposure: Sequence[Path]) -> _Read:
    read = _Read(len(exposure), [], [], [])
    for file in exposure:
        if read.frames and rank(file) > rank(read.frames[0].path):
            reason = _same_exposure(read.frames[0].path)
            read.doubled.append(SetAside(file=file.name, reason=reason, doubled=True))
            continue
        found = _info(file)
        if isinstance(found, FrameError):
            read.refused.append(SetAside(file=file.name, reason=reason_of(file, found)))
        else:
            read.frames.append(found)
    return read


def _same_exposure(used: Path) -> str:
    return (
        f"It is the same exposure as {used.name}, which is used. Nothing to do; to use files of this kind "
        f"instead, give a folder that holds only them."
    )


def _info(file: Path) -> FrameInfo | FrameError:
    try:
        return read_info(file)
    except GoneError:
        raise
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
