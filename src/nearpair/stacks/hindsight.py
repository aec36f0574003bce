"""Steps of a stack weighed anew, once it is known in which frame each place is sharpest.

While the frames come by, nobody knows what lies at which depth: a step is then the common opinion of all
cells of the picture. Afterwards the index map tells. Two things follow.

* What is sharpest in a frame far away is blurred in the two that were compared, and says little that is
  true: cells count by how near to the two frames they are sharpest.
* On a rail, things in front of the plane half way between the two planes of focus change size more, things
  behind it less. With c the travel over the distance u of the plane of focus, and ζ how far behind that
  plane something lies, over u, it changes by 1 / (1 + ζ) times as much as the plane: similar triangles, as
  in `registration`. ζ is known from the steps themselves: where the frame that has it in focus stood.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Plane
from nearpair.stacks.align import CELL_PX, Alignment, Evidence, weighed
from nearpair.stacks.registration import Step, step_from

# Frames (standard deviation) around a step whose content counts: a share of the stack, since finer steps do
# not make the sharp slices thinner. Results hardly change between 3 and 6 frames of 22 (ray-traced stacks).
_NEAR_SHARE, _NEAR_FRAMES = 1 / 6, 4.0
# what counts of a cell that is sharp nowhere near, so that a step never stands on nothing
_LEAST = 0.01
# places looked up along each side of a cell
_LOOKED_UP = 5
_NEAREST = -0.5


@dataclass(frozen=True, slots=True)
class Measured:
    """A step as it was measured: frame k px → frame k−1 px."""

    transform: Similarity
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class Focus:
    """Where what is sharpest: `index` holds frame numbers, (h, w), `reduction` times smaller than frames.

    `places` are the maps frame px → px of the picture that `index` is a small copy of.
    """

    index: Plane
    reduction: int
    places: Sequence[Similarity]


def weighed_anew(
    measured: Sequence[Measured], focus: Focus, size_px: tuple[int, int]
) -> tuple[tuple[Step, ...], tuple[Step, ...]]:
    """Steps between the frames of a stack, as they are if the lens moved, and if the camera moved."""
    lens, camera = [], []
    moved = _moved([m.transform for m in measured])
    near = max(_NEAR_FRAMES, _NEAR_SHARE * len(moved))
    for k, m in enumerate(measured):
        sharpest = _sharpest(m, focus, k + 1, size_px)
        weight = np.exp(-(((sharpest - k - 0.5) / near) ** 2) / 2)
        behind = np.interp(sharpest, np.arange(len(moved)), moved) - (moved[k] + moved[k + 1]) / 2
        behind = np.maximum(np.average(behind, axis=1, weights=weight + 1e-6), _NEAREST)
        weights = weight.mean(axis=1) + _LEAST
        lens.append(_step(m, m.evidence, weights, size_px))
        camera.append(_step(m, _at_depth(m, behind, size_px), weights, size_px))
    return tuple(lens), tuple(camera)


def _moved(transforms: Sequence[Similarity]) -> NDArray[np.float64]:
    """How far back each frame was taken from, over the distance of the plane of focus, (frames,)."""
    return -np.cumsum([0.0] + [2 * math.tanh(math.log(t.scale) / 2) for t in transforms])


def _sharpest(m: Measured, focus: Focus, frame: int, size_px: tuple[int, int]) -> NDArray[np.float64]:
    """Frame in which each of a grid of places in each cell is sharpest, (C, places)."""
    along = ((np.arange(_LOOKED_UP) + 0.5) / _LOOKED_UP - 0.5) * CELL_PX
    grid = np.stack(np.meshgrid(along, along), axis=-1).reshape(-1, 2)
    height, width = size_px
    at = np.clip(m.evidence.centres_px[:, None] + grid, 0, [width - 1, height - 1])
    small = np.rint((focus.places[frame].apply(at) + 0.5) / focus.reduction - 0.5).astype(np.int64)
    rows, columns = focus.index.shape
    x, y = np.clip(small[..., 0], 0, columns - 1), np.clip(small[..., 1], 0, rows - 1)
    return np.asarray(focus.index[y, x], np.float64)


def _at_depth(m: Measured, behind: NDArray[np.float64], size_px: tuple[int, int]) -> Evidence:
    """What the cells say of the plane half way, given how far behind it each of them lies."""
    more_px = (1 / (1 + behind) - 1) * math.log(m.transform.scale) * _radius(size_px)
    score = m.evidence.score + m.evidence.information[:, :, 0] * more_px[:, None]
    return Evidence(m.evidence.centres_px, m.evidence.information, score.astype(np.float32))


def _step(m: Measured, evidence: Evidence, weights: NDArray[np.float64], size_px: tuple[int, int]) -> Step:
    found = weighed(evidence, weights)
    radius = _radius(size_px)
    a, b = 1 + found.change_px[0] / radius, found.change_px[1] / radius
    shift = (float(found.change_px[2]), float(found.change_px[3]))
    centre = ((size_px[1] - 1) / 2, (size_px[0] - 1) / 2)
    change = Similarity.about(centre, math.hypot(a, b), math.degrees(math.atan2(b, a)), shift)
    return step_from(Alignment(change.inverse().then(m.transform), True, 1.0, found.sigma_px), size_px)


def _radius(size_px: tuple[int, int]) -> float:
    return (max(size_px) - 1) / 2
