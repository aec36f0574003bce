"""Files that appear under their name only when complete: written beside, flushed, renamed."""

import contextlib
import errno
import itertools
import os
from collections.abc import Iterator
from pathlib import Path

from nearpair.errors import ShootError

PART_PREFIX = ".nearpair-part-"
"""How the names of unfinished files start; a killed run may leave some behind."""

_serial = itertools.count()  # two threads may write in the same folder at once

_REMEDIES = {
    errno.ENOSPC: "Free some space on this disk and run again; what is finished is kept.",
    errno.EDQUOT: "Free some space on this disk and run again; what is finished is kept.",
    errno.EFBIG: "This disk takes no file of this size: choose a folder on another disk.",
    errno.EACCES: "Choose a folder that you may write to.",
    errno.EPERM: "Choose a folder that you may write to.",
    errno.EROFS: "This disk takes no changes: choose a folder on another disk.",
}


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give the name of a new file beside `path` (same suffix); rename it to `path` when the block succeeds.

    On failure, or when interrupted, the new file is removed and `path` stays as it was. Missing folders are
    made.
    An OSError in the block (disk full, read-only, ...) becomes a ShootError that names `path`.
    """
    part = path.with_name(f"{PART_PREFIX}{os.getpid()}-{next(_serial)}{path.suffix}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield part
        _flush(part)
        part.replace(path)
        _flush_folder(path.parent)
    except OSError as error:
        raise cannot_write(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes) -> None:
    """Write `content` to `path`, all of it or nothing. Raises ShootError if that is not possible."""
    with replacing(path) as part:
        part.write_bytes(content)


def sweep(folder: Path) -> list[Path]:
    """Remove the unfinished files that killed runs left below `folder`, and return their names.

    Only while no other run works in `folder`: it cannot be told whose they are.
    """
    found = [
        Path(base) / name
        for base, _, names in os.walk(folder, followlinks=False)
        for name in sorted(names)
        if name.startswith(PART_PREFIX)
    ]
    for part in found:
        with contextlib.suppress(OSError):
            part.unlink()
    return found


def cannot_write(path: Path, error: OSError) -> ShootError:
    """Return the ShootError for an OSError met while writing `path`."""
    reason = error.strerror or str(error) or type(error).__name__
    remedy = _REMEDIES.get(error.errno or 0, "Check the disk and the folder, then run again.")
    return ShootError(f"{path}: cannot be written ({reason}).", remedy)


def _flush(part: Path) -> None:
    with part.open("rb+") as file:
        os.fsync(file.fileno())


def _flush_folder(folder: Path) -> None:
    """Make the new name last as well; not every system can open a folder, and none needs it to go on."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
