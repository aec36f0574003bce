"""One stack through the project's own functions, without the rest of the job."""

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.frames.metadata import read_info
from nearpair.frames.read import read_pixels
from nearpair.progress import silent
from nearpair.shoot.merging import Placed, merge_frames
from nearpair.shoot.reading import Reading
from nearpair.shoot.scratch import Scratch
from nearpair.shoot.surveying import survey_factor, survey_station
from nearpair.stacks.registration import placed, reference_end
from nearpair.views.merge import View


def register(
    files: Sequence[Path],
    kind: Literal["rail", "ring"],
    reference: int | None = None,
    reading: Reading | None = None,
) -> Placed:
    """Register the frames of one stack, in shooting order, on one of them."""
    frames = [read_info(file) for file in files]
    found = survey_station("stack", frames, reading or Reading(), None, silent)
    chosen = reference_end(found.steps) if reference is None else found.used.index(reference)
    size = (found.sharp.shape[0], found.sharp.shape[1])
    factor = survey_factor(frames[0].size_px)
    small = placed(found.steps, kind, chosen, size)
    return Placed(
        tuple(frames[number] for number in found.used),
        tuple(transform.resampled(factor) for transform in small),
        found.gains,
        chosen,
    )


def merge_files(
    files: Sequence[Path], kind: Literal["rail", "ring"] = "ring", reference: int | None = None
) -> View:
    """Do everything between the files of one stack and its view, without what another stack knows."""
    with (
        tempfile.TemporaryDirectory(dir=files[0].parent) as folder,
        closing(Scratch(Path(folder))) as scratch,
    ):
        reading = Reading(scratch=scratch)
        return merge_frames("", register(files, kind, reference, reading), reading, silent)[0]


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
