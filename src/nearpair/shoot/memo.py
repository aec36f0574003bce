"""Resuming: what a stage made is used again if inputs, settings, version and the files are the same."""

import os
from collections.abc import Sequence
from hashlib import blake2b
from pathlib import Path
from typing import Any

import msgspec

from nearpair.frames.formats import unreadable
from nearpair.frames.metadata import FrameInfo
from nearpair.shoot.atomic import cannot_write, write_whole
from nearpair.shoot.names import safe_name

_END_BYTES = 64 << 10
_DIGEST_BYTES = 16
_BLOCK_BYTES = 1 << 20


class _Output(msgspec.Struct, frozen=True):
    name: str
    size: int
    mtime_ns: int
    digest: str


class _Record(msgspec.Struct, frozen=True):
    version: str
    stage: str
    key: str
    outputs: list[_Output]
    result: bytes


def fingerprint(frame: FrameInfo | Path) -> str:
    """Return a digest of a frame's name, size, time of change, and first and last 64 KiB.

    Frames are large and cameras write each once, so reading all of it would cost more than it finds.
    Raises FrameError if the file cannot be read.
    """
    path = frame.path if isinstance(frame, FrameInfo) else frame
    try:
        with path.open("rb") as file:
            status = os.fstat(file.fileno())
            start = file.read(_END_BYTES)
            file.seek(max(status.st_size - _END_BYTES, 0))
            ends = blake2b(start + file.read(_END_BYTES), digest_size=_DIGEST_BYTES).hexdigest()
    except OSError as error:
        raise unreadable(path, error) from error
    return key_of(path.name, status.st_size, status.st_mtime_ns, ends)


def key_of(*parts: Any) -> str:
    """Return a digest of settings and inputs: values, structs, dataclasses, paths, in canonical JSON."""
    text = msgspec.json.encode(parts, enc_hook=_plain, order="deterministic")
    return blake2b(text, digest_size=_DIGEST_BYTES).hexdigest()


class Memo:
    """What each stage made last, kept in `cache_dir`; deleting that folder only costs time.

    `version` stands for the program: with another version nothing is recalled. One record is kept a stage.
    """

    def __init__(self, cache_dir: Path, version: str) -> None:
        self._folder = cache_dir / "stages"
        self.version = version

    def recall(self, stage: str, key: str, outputs: Sequence[Path]) -> bytes | None:
        """Return what `record` was given for `stage`, or None if the stage has to run.

        It has to run if `key` differs, or if one of `outputs` is missing or not as it was recorded.
        """
        record = self._load(stage)
        return None if record is None or record.key != key else self._given(record, stage, outputs)

    def _given(self, record: _Record, stage: str, outputs: Sequence[Path]) -> bytes | None:
        """What the stage gave, if this program made it and its outputs are as they were."""
        if (record.version, record.stage) != (self.version, stage):
            return None
        if [output.name for output in record.outputs] != [self._name(path) for path in outputs]:
            return None
        intact = all(_is_intact(path, output) for path, output in zip(outputs, record.outputs, strict=True))
        return record.result if intact else None

    def latest(self, stage: str, outputs: Sequence[Path]) -> bytes | None:
        """Return what `stage` gave last, whatever it was made from, if its `outputs` are as it left them."""
        record = self._load(stage)
        return None if record is None else self._given(record, stage, outputs)

    def digests(self, stage: str) -> list[str]:
        """Return the digests of the outputs as `stage` left them last; none if nothing is known of it."""
        record = self._load(stage)
        return [] if record is None else [output.digest for output in record.outputs]

    def record(self, stage: str, key: str, outputs: Sequence[Path], result: bytes) -> None:
        """Keep that `stage` with `key` wrote `outputs` and gave `result`. Raises ShootError if it cannot."""
        try:
            made = [self._describe(path) for path in outputs]
        except OSError as error:
            raise cannot_write(self._path(stage), error) from error
        record = _Record(self.version, stage, key, made, result)
        write_whole(self._path(stage), msgspec.msgpack.encode(record))

    def _load(self, stage: str) -> _Record | None:
        try:
            return msgspec.msgpack.decode(self._path(stage).read_bytes(), type=_Record)
        except (OSError, msgspec.DecodeError):  # missing or damaged: the stage runs again
            return None

    def _describe(self, path: Path) -> _Output:
        status = path.stat()
        return _Output(self._name(path), status.st_size, status.st_mtime_ns, _digest(path))

    def _name(self, path: Path) -> str:
        """Name outputs from here, so that a shoot may be moved."""
        return Path(os.path.relpath(path, self._folder)).as_posix()

    def _path(self, stage: str) -> Path:
        return self._folder / f"{safe_name(stage)}.memo"


def _is_intact(path: Path, recorded: _Output) -> bool:
    try:
        status = path.stat()
        if status.st_size != recorded.size:
            return False
        return status.st_mtime_ns == recorded.mtime_ns or _digest(path) == recorded.digest
    except OSError:
        return False


def _digest(path: Path) -> str:
    digest = blake2b(digest_size=_DIGEST_BYTES)
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            digest.update(block)
    return digest.hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, Path):
        return value.as_posix()
    raise TypeError(f"a key cannot be made of {type(value).__name__}")
