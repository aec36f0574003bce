"""Do the views of both eyes show the same? The right view, moved by the TRUE disparity, against the left."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.judge import Mask, Picture, Plane, inner, matched
from benchmarks.similarity import near_jumps
from benchmarks.truth import Scene, movement

SEEN_BY_BOTH_PX = 0.5


@dataclass(frozen=True)
class Correspondence:
    """Which pixel of the right frame shows what a left one shows, in half resolution, as the truth has it.

    `left_px`, `right_px`: positions in the frames, (h, w, 2), (x, y); `both`: seen by both eyes and not at
    the border; `near`: within 12 px of a depth jump of the left eye.
    """

    left_px: NDArray[np.float32]
    right_px: NDArray[np.float32]
    both: Mask
    near: Mask


def correspondence(scene: Scene, left_file: str, right_file: str) -> Correspondence:
    """Read it from the truth; ValueError unless both frames are from the same end of their stacks."""
    if scene.end(left_file) != scene.end(right_file):
        raise ValueError(f"{left_file} and {right_file} are not from the same end of their stacks")
    disparity_px = scene.disparity_px(left_file)
    rows, columns = np.indices(disparity_px.shape)
    left = np.stack([2 * columns + 0.5, 2 * rows + 0.5], axis=-1)
    right = left - np.stack([disparity_px, np.zeros_like(disparity_px)], axis=-1)
    both = _seen_by_both(right, disparity_px, scene.disparity_px(right_file))
    size = (2 * disparity_px.shape[0], 2 * disparity_px.shape[1])
    near = near_jumps(scene.depth_mm(left_file), scene.step_mm, size)[::2, ::2]
    return Correspondence(
        _moved(left, movement(scene.frames[left_file], size)),
        _moved(right, movement(scene.frames[right_file], size)),
        both & _is_inner(both.shape),
        near,
    )


def residual(found: Correspondence, left: Picture, right: Picture) -> tuple[float, float]:
    """Return the rms difference of the views where both eyes see, near depth jumps and elsewhere, 8-bit."""
    seen = [_sampled(left, found.left_px), _sampled(right, found.right_px)]
    return _rms(found, matched(seen[1], seen[0], found.both) - seen[0])


def residual_of_errors(
    found: Correspondence, left: tuple[Picture, Picture], right: tuple[Picture, Picture]
) -> tuple[float, float]:
    """Return the same for what each view, the first of two, differs by from its truth, the second.

    Two blurred views are more alike than two sharp ones, whose gloss and finest grain differ. This has no
    such reward for blur, and what is wrong in both eyes alike, which no viewer can see in depth, drops out.
    """
    errors = [np.asarray(matched(view, truth) - truth, dtype=np.float32) for view, truth in (left, right)]
    return _rms(found, _sampled(errors[1], found.right_px) - _sampled(errors[0], found.left_px))


def _rms(found: Correspondence, difference: NDArray[Any]) -> tuple[float, float]:
    square = (np.asarray(difference, dtype=np.float64) ** 2).mean(axis=-1)
    near, elsewhere = found.both & found.near, found.both & ~found.near
    return float(np.sqrt(square[near].mean())), float(np.sqrt(square[elsewhere].mean()))


def _seen_by_both(right_px: Plane, disparity_px: Plane, of_right_px: Plane) -> Mask:
    """Return where the right eye's nearest known disparity is the same, to half a pixel."""
    columns = np.rint((right_px[..., 0] - 0.5) / 2).astype(int)
    inside = (columns >= 0) & (columns < disparity_px.shape[1])
    rows = np.indices(columns.shape)[0]
    there = of_right_px[rows, np.clip(columns, 0, disparity_px.shape[1] - 1)]
    return np.asarray(inside & (np.abs(there - disparity_px) <= SEEN_BY_BOTH_PX))


def _is_inner(shape: tuple[int, ...]) -> Mask:
    mask = np.zeros(shape, dtype=np.bool_)
    inner(mask)[:] = True
    return mask


def _moved(points_px: Plane, matrix: Plane) -> NDArray[np.float32]:
    return np.asarray(points_px @ matrix[:, :2].T + matrix[:, 2], dtype=np.float32)


def _sampled(picture: NDArray[Any], points_px: NDArray[np.float32]) -> NDArray[Any]:
    across, down = points_px[..., 0], points_px[..., 1]
    return np.asarray(cv2.remap(picture, across, down, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101))
