"""The sources that a shoot was told of: folders that exist, each once, and the same as before."""

from collections.abc import Sequence
from pathlib import Path

from nearpair.errors import ShootError, SourceError
from nearpair.shoot.decisions import load
from nearpair.shoot.folder import ShootFolder


def check_sources(sources: Sequence[Path]) -> None:
    """Raise SourceError unless all are folders, each given once."""
    for source in sources:
        if not source.is_dir():
            what = "is not a folder" if source.exists() else "does not exist"
            message = f"{source}: {what}."
            raise SourceError(message, "Give the card's folder, or one folder for each station.")
    same = {source.resolve() for source in sources}
    if len(same) < len(sources):
        message = "The same folder was given twice."
        raise SourceError(message, "Give one folder for each station, or the card's folder alone.")


def check_same_sources(folder: ShootFolder, sources: Sequence[Path]) -> None:
    """Raise ShootError if a shoot was made from other folders than these."""
    kept = folder.source_paths(load(folder.toml))
    if {path.resolve() for path in kept} != {path.resolve() for path in sources}:
        listed = ", ".join(str(path) for path in kept)
        message = f"{folder.root}: this shoot was made from other folders ({listed})."
        raise ShootError(message, "Choose another folder with --to, or change `sources` in its shoot.toml.")
