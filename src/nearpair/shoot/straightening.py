"""Views freed of the distortion of their lens, both eyes alike, before they are mounted."""

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import ShootError
from nearpair.frames.lenses import Unknown, profile_of
from nearpair.frames.metadata import FrameInfo
from nearpair.geometry.distortion import Distortion
from nearpair.geometry.projective import Projective
from nearpair.geometry.strokes import Box
from nearpair.geometry.transforms import Similarity
from nearpair.pixels.moved import moved
from nearpair.proof.model import LensProfile

_BAND_ROWS = 256
_REACH_PX = 8
_LEAST_PX = 0.1
"""Below this largest displacement nothing is resampled."""

_FAR_AWAY = "as measured on things far away: the database has no distances, and close up it may differ"


def lens_of(frames: tuple[FrameInfo, FrameInfo], asked: str) -> LensProfile:
    """The profile to take out, or the reason why there is none, of the reference frames of both eyes.

    asked: "auto", "never", or a lens by its name. Raises ShootError if a named lens is not known.
    """
    if asked == "never":
        return LensProfile(note="left as it is, as was decided")
    one, other = (_found(frame, asked) for frame in frames)
    if one != other:
        return LensProfile(note="left as it is: the eyes were not taken with the same lens and focal length")
    return one


def _found(frame: FrameInfo, asked: str) -> LensProfile:
    found = profile_of(frame, None if asked == "auto" else asked)
    if isinstance(found, Unknown):
        if asked != "auto":
            raise ShootError(found.reason, found.remedy)
        return LensProfile(note=f"left as it is. {found.reason}")
    largest_px = found.distortion.largest_px(frame.size_px)
    taken = largest_px >= _LEAST_PX
    note = _FAR_AWAY if taken else "too little to be taken out"
    how = found.distortion
    return LensProfile(
        name=found.name,
        focal_mm=found.focal_mm,
        model=how.model,
        terms=how.terms,
        unit_px=how.unit_px,
        largest_px=largest_px,
        taken_out=taken,
        note=note,
    )


def distortion_of(lens: LensProfile | None) -> Distortion | None:
    """What is to be taken out of the views; None for nothing."""
    if lens is None or not lens.taken_out or lens.model is None or lens.unit_px is None:
        return None
    return Distortion(lens.model, lens.terms, lens.unit_px)


def laid_part(
    part: NDArray[Any],
    place: tuple[int, int],
    onto: Projective,
    distortion: Distortion | None,
    box: Box,
    size_px: tuple[int, int],
) -> NDArray[Any]:
    """What mounting shows in a box, of the part of a view (height, width) that begins at px (x, y) `place`.

    The part has to reach a few px beyond what the box shows. onto: from px of the straight view to where it
    lies.
    """
    if distortion is not None:
        needed = onto.inverse().apply(_corners(box))
        low, high = (
            np.floor(needed.min(axis=0)).astype(int) - _REACH_PX,
            np.ceil(needed.max(axis=0)) + _REACH_PX,
        )
        columns, rows = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
        at = distortion.bent(np.stack([columns, rows], axis=-1).astype(np.float64), size_px) - place
        x, y = (np.ascontiguousarray(at[..., k], np.float32) for k in (0, 1))
        part = cv2.remap(part, x, y, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101)
        place = int(low[0]), int(low[1])
    there = Projective.like(Similarity(shift_x_px=place[0], shift_y_px=place[1])).then(onto)
    placed = there.then(Similarity(shift_x_px=-box[0], shift_y_px=-box[1])).matrix()
    how = cv2.INTER_LANCZOS4, cv2.BORDER_REFLECT_101
    return np.asarray(moved(part, placed, (box[3], box[2]), *how))


def _corners(box: Box) -> NDArray[np.float64]:
    x, y, width, height = box
    return np.array([[x, y], [x + width, y], [x, y + height], [x + width, y + height]], np.float64)


def straight(
    picture: NDArray[Any], distortion: Distortion | None, how: int = cv2.INTER_LANCZOS4
) -> NDArray[Any]:
    """A picture (h, w, ...) without the distortion; floats are NaN where the lens showed nothing."""
    if distortion is None:
        return picture
    height, width = picture.shape[:2]
    out = np.empty_like(picture)
    floats = np.issubdtype(picture.dtype, np.floating)
    border = (cv2.BORDER_CONSTANT, math.nan) if floats else (cv2.BORDER_REFLECT_101, 0)
    for top in range(0, height, _BAND_ROWS):
        rows, columns = np.mgrid[top : min(top + _BAND_ROWS, height), 0:width]
        at = distortion.bent(np.stack([columns, rows], axis=-1).astype(np.float64), (height, width))
        x, y = (np.ascontiguousarray(at[..., k], np.float32) for k in (0, 1))
        out[top : top + _BAND_ROWS] = cv2.remap(
            picture, x, y, how, borderMode=border[0], borderValue=border[1]
        )
    return out
