"""Developed raw frames on disk: demosaicing is slow, so each is developed once for survey and merge together.

The folder holds at most LIMIT_BYTES; the frames that were not used for the longest time go first, and never
one that is in use now: where a whole shoot does not fit, the frames that do fit stay, and the others are
developed again. Everything in it may be deleted at any time.
"""

import contextlib
import os
import shutil
from collections.abc import Callable
from contextlib import AbstractContextManager
from hashlib import blake2b
from pathlib import Path
from threading import Lock

import numpy as np
import tifffile
from numpy.typing import NDArray

from nearpair.errors import NearpairError
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.raw import develop, raw_settings

LIMIT_BYTES = 16_000_000_000
"""The most that the folder takes: about 120 frames of 24 megapixels (131 MB each). Our own choice."""

SPARE_BYTES = 4_000_000_000
"""What is left free on the disk for everything else; below that nothing is kept. Our own choice."""

# Measured on a detailed frame of 24 MP, 2 cores: 131 MB, written in 0.4 s, read in 0.5 s; deflate takes 1.5
# and 0.8 s for the same size, lossless JPEG XL 1.5 and 1.9 s for 121 MB; uncompressed it has 144 MB.
# Developing takes 3.5 s.
_CODEC = {"compression": "zstd", "compressionargs": {"level": 1}, "predictor": True, "rowsperstrip": 64}

Replacing = Callable[[Path], AbstractContextManager[Path]]
"""Gives the name of a new file that takes the place of the given one when it is complete."""


class DevelopedFrames:
    """The developed frames in `folder`; several threads may read at once, one frame is developed at a time.

    `fingerprint` tells files apart by what is in them; `replacing` makes files that are complete or absent.
    """

    def __init__(
        self,
        folder: Path,
        fingerprint: Callable[[FrameInfo], str],
        replacing: Replacing,
        limit_bytes: int = LIMIT_BYTES,
    ) -> None:
        self._folder = folder
        self._fingerprint = fingerprint
        self._replacing = replacing
        self._limit_bytes = limit_bytes
        self._developing = Lock()  # LibRaw uses all cores for one frame, and much memory
        self._used: set[str] = set()

    def pixels(self, info: FrameInfo) -> NDArray[np.uint16]:
        """Return the developed frame as stored, (H, W, 3), before the orientation is applied.

        Raises FrameError as `develop` does; a frame that cannot be kept is given all the same.
        """
        path = self._path(info)
        kept = self._kept(path)
        if kept is not None:
            return kept
        with self._developing:
            kept = self._kept(path)  # another thread may have been first
            if kept is None:
                kept = develop(info.path)
                self._keep(path, kept)
            return kept

    def _path(self, info: FrameInfo) -> Path:
        key = f"{self._fingerprint(info)} {raw_settings()}".encode()
        return self._folder / f"{blake2b(key, digest_size=16).hexdigest()}.tif"

    def _kept(self, path: Path) -> NDArray[np.uint16] | None:
        try:
            pixels: NDArray[np.uint16] = tifffile.imread(path)
        except Exception:  # noqa: BLE001 - missing or damaged: it is developed again
            return None
        if pixels.ndim != 3 or pixels.dtype != np.uint16:
            return None
        self._used.add(path.name)
        with contextlib.suppress(OSError):
            os.utime(path)
        return pixels

    def _keep(self, path: Path, pixels: NDArray[np.uint16]) -> None:
        with contextlib.suppress(OSError, NearpairError):  # full or read-only: the frame is not kept
            if not self._make_room(pixels.nbytes):
                return
            with self._replacing(path) as part:
                tifffile.imwrite(part, pixels, photometric="rgb", metadata=None, **_CODEC)
            self._used.add(path.name)

    def _make_room(self, wanted_bytes: int) -> bool:
        """Remove what is oldest until `wanted_bytes` fit, and tell whether they do."""
        self._folder.mkdir(parents=True, exist_ok=True)
        if shutil.disk_usage(self._folder).free < wanted_bytes + SPARE_BYTES:
            return False
        files = [(path, path.stat()) for path in self._folder.glob("[!.]*.tif")]  # not the unfinished ones
        room = self._limit_bytes - sum(status.st_size for _, status in files)
        idle = [
            (status.st_mtime_ns, status.st_size, path)
            for path, status in files
            if path.name not in self._used
        ]
        if room + sum(size for _, size, _ in idle) < wanted_bytes:
            return False
        for _, size, path in sorted(idle):
            if room >= wanted_bytes:
                break
            path.unlink()
            room += size
        return True
