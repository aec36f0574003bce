"""One stack through the project's own functions, without the rest of the job."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.frames.metadata import FrameInfo, read_info
from nearpair.frames.read import has_halved_chroma, read_pixels
from nearpair.geometry.transforms import Similarity
from nearpair.progress import silent
from nearpair.shoot.ahead import SmallFrames, read_ahead
from nearpair.shoot.surveying import survey_factor, survey_station
from nearpair.stacks.registration import placed, reference_end
from nearpair.views.merge import Merger, View


@dataclass(frozen=True)
class Registered:
    """The frames of a stack that were registered, their places on the reference frame, their brightness."""

    frames: tuple[FrameInfo, ...]
    transforms: tuple[Similarity, ...]
    gains: tuple[float, ...]


def register(
    files: Sequence[Path], kind: Literal["rail", "ring"], reference: int | None = None
) -> Registered:
    """Register the frames of one stack, in shooting order, on one of them."""
    frames = [read_info(file) for file in files]
    found = survey_station("stack", frames, SmallFrames(), None, silent)
    chosen = reference_end(found.steps) if reference is None else found.used.index(reference)
    size = (found.sharp.shape[0], found.sharp.shape[1])
    factor = survey_factor(frames[0].size_px)
    small = placed(found.steps, kind, chosen, size)
    return Registered(
        tuple(frames[number] for number in found.used),
        tuple(transform.resampled(factor) for transform in small),
        found.gains,
    )


def merge_files(
    files: Sequence[Path], kind: Literal["rail", "ring"] = "ring", reference: int | None = None
) -> View:
    """Do everything between the files of one stack and its view, without what another stack knows."""
    stack = register(files, kind, reference)
    halved = all(map(has_halved_chroma, stack.frames))
    merger = Merger(stack.frames[0].size_px, len(stack.frames), chroma_halved=halved)
    for number, pixels in enumerate(
        read_ahead(stack.frames, lambda frame: read_pixels(frame, plain_chroma=halved))
    ):
        merger.add(pixels, stack.transforms[number], stack.gains[number])
    return merger.finish()


def registered_frames(
    files: Sequence[Path], kind: Literal["rail", "ring"], reference: int | None = None
) -> Iterator[NDArray[np.uint8]]:
    """Yield the frames as the merge sees them: warped onto the reference frame, brightness evened."""
    stack = register(files, kind, reference)
    for frame, transform, gain in zip(stack.frames, stack.transforms, stack.gains, strict=True):
        height, width = frame.size_px
        warped = cv2.warpAffine(
            read_pixels(frame),
            transform.matrix(),
            (width, height),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REFLECT_101,
        )
        yield np.clip(np.rint(warped / gain), 0, 255).astype(np.uint8)
