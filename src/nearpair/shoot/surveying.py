"""The survey of one station as a resumable stage: small pictures in, steps and a first sharp picture out."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from nearpair.frames.metadata import FrameInfo
from nearpair.pixels.luma import Plane
from nearpair.progress import Progress
from nearpair.shoot.ahead import all_cores_taken, read_ahead
from nearpair.shoot.atomic import replacing
from nearpair.shoot.memo import Memo, fingerprint, key_of
from nearpair.shoot.names import safe_name
from nearpair.shoot.reading import Reading
from nearpair.stacks.dilation import Dilation
from nearpair.stacks.dust import Speck
from nearpair.stacks.registration import Step
from nearpair.stacks.spoilt import Spoilt
from nearpair.stacks.survey import Lost, Prepared, Rooms, Survey, prepare, survey

# Registration and matching look at pictures of about this size; larger frames are averaged down. Frames of
# many pixels are registered on less: 1200 px are good for 0.1 px of 6000 over a stack (known scale, 20
# frames), in a third less time than 1600.
MATCH_LONG_SIDE_PX = 1600
SURVEY_LONG_SIDE_PX = 1200
_LARGE_PX = 3600


class _Stored(msgspec.Struct, frozen=True):
    used: tuple[int, ...]
    lost: tuple[Lost, ...]
    steps: tuple[Step, ...]
    gains: tuple[float, ...]
    sharpness: tuple[float, ...]
    dilation: Dilation | None
    spoilt: tuple[Spoilt, ...]
    specks: tuple[Speck, ...]


@dataclass(frozen=True, slots=True)
class Keeper:
    """Where surveys are kept between runs; without one nothing is written."""

    memo: Memo
    folder: Path


def survey_factor(size_px: tuple[int, int]) -> int:
    """How much frames of this size (height, width) are reduced for surveying."""
    longest = max(size_px)
    return match_factor(size_px) if longest <= _LARGE_PX else -(-longest // SURVEY_LONG_SIDE_PX)


def match_factor(size_px: tuple[int, int]) -> int:
    """How much views of this size (height, width) are reduced for matching them with each other."""
    return max(1, -(-max(size_px) // MATCH_LONG_SIDE_PX))


def stack_key(frames: Sequence[FrameInfo]) -> str:
    """Digest of the content of a stack's frames, in shooting order."""
    return key_of([fingerprint(frame) for frame in frames], [frame.orientation for frame in frames])


def survey_station(
    name: str,
    frames: Sequence[FrameInfo],
    reading: Reading,
    keeper: Keeper | None,
    progress: Progress,
) -> Survey:
    """Survey the frames of one station, or take what an earlier run found."""
    if keeper is None:
        return _walk(name, frames, reading, progress)
    stage, key = f"survey {name}", stack_key(frames)
    arrays = keeper.folder / f"survey-{safe_name(name)}.npz"
    recalled = keeper.memo.recall(stage, key, [arrays])
    if recalled is not None:
        with np.load(arrays) as kept:
            planes = [np.asarray(kept[part], np.float32) for part in ("sharp", "index", "contrast")]
        return _joined(msgspec.json.decode(recalled, type=_Stored), planes)
    found = _walk(name, frames, reading, progress)
    with replacing(arrays) as part, part.open("wb") as file:
        np.savez(file, sharp=found.sharp, index=found.index, contrast=found.contrast)
    keeper.memo.record(stage, key, [arrays], msgspec.json.encode(_scalars(found)))
    return found


def _walk(name: str, frames: Sequence[FrameInfo], reading: Reading, progress: Progress) -> Survey:
    factor, rooms = survey_factor(frames[0].size_px), Rooms()

    def read(frame: FrameInfo) -> Prepared:
        return prepare(reading.small(frame, factor), rooms)

    def told(what: str, done: int, total: int) -> None:
        progress(f"{name}: {what}", done, total)

    with all_cores_taken():
        return survey(read_ahead(frames, read), len(frames), told, rooms)


def _scalars(found: Survey) -> _Stored:
    return _Stored(
        found.used,
        found.lost,
        found.steps,
        found.gains,
        found.sharpness,
        found.dilation,
        found.spoilt,
        found.specks,
    )


def _joined(stored: _Stored, planes: Sequence[Plane]) -> Survey:
    return Survey(
        stored.used,
        stored.lost,
        stored.steps,
        stored.gains,
        planes[0],
        planes[1],
        planes[2],
        stored.sharpness,
        stored.dilation,
        stored.spoilt,
        stored.specks,
    )
