"""Shaken frames: blurred all over, though the frames before and after them are not.

What a place of the subject shows of fine detail rises to one peak along a stack and falls again. So a frame
between two others shows at each place at least what the weaker of the two shows there. Only a frame that was
shaken shows less, and it does so everywhere; blur from motion takes detail along one direction only.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Plane
from nearpair.pixels.sharpness import finest_detail
from nearpair.stacks.shaking_kernels import structure_tensors

# Of the places, the part with the most detail in the weaker neighbour is looked at, and at least so many.
_LOOKED_AT, _FEWEST = 0.2, 40
# Energy left along the blur, and in the upper quarter of the places, over what is expected. Frames as they
# should be have at least 1.2 and 1.3 (ray-traced stacks and a real one of uneven steps), because detail peaks
# between its neighbours; a motion of 4 px across it leaves 0.2 to 0.7.
_KEPT, _UPPER_KEPT = 0.75, 1.1
# A blur has a direction when so much is left across it.
_ACROSS = 1.6
_MOST = 2.0
_DARKEST = 1e-3


@dataclass(frozen=True, slots=True)
class Shake:
    """How much of the expected detail energy is left along the blur, and the direction of the blur.

    direction_deg: clockwise from the horizontal, 0 to 180; None when the blur has no direction.
    """

    detail_left: float
    direction_deg: float | None


def texture(plane: Plane, cell_px: int) -> Plane:
    """Energy of the fine detail of an (H, W) luma by direction, (H // cell, W // cell, 3)."""
    return texture_of(finest_detail(plane), float(plane.mean()), cell_px)


def texture_of(detail: Plane, brightness: float, cell_px: int) -> Plane:
    """The same of its `finest_detail`, and the mean of the luma.

    The last axis is the structure tensor of each cell: means of gx², gx·gy and gy² (Förstner & Gülch 1987).
    Over the mean of the luma, so that a darker frame is none with less detail.
    """
    scale = 1 / max(brightness, _DARKEST) ** 2
    return np.asarray(structure_tensors(detail, cell_px, scale), np.float32)


def moved(texture_: Plane, to_first: Similarity, cell_px: int) -> Plane:
    """A texture in the coordinates of another frame; 0 where the frame does not see."""
    height, width = texture_.shape[:2]
    matrix = to_first.resampled(1 / cell_px).matrix()
    return np.asarray(cv2.warpAffine(texture_, matrix, (width, height), flags=cv2.INTER_LINEAR), np.float32)


def energy(texture_: Plane) -> Plane:
    """Energy of the fine detail in all directions together, (h, w)."""
    return np.asarray(texture_[..., 0] + texture_[..., 2])


def shake(before: Plane, frame: Plane, after: Plane) -> Shake | None:
    """Judge a frame by the textures of an earlier and a later one, all in the same coordinates.

    None when it is not shaken, or when too little of the picture can be compared.
    """
    weaker = np.minimum(energy(before), energy(after))
    there = (weaker > 0) & (energy(frame) > 0)
    count = int(there.sum())
    if count * _LOOKED_AT < _FEWEST:
        return None
    chosen = there & (weaker >= np.quantile(weaker[there], 1 - _LOOKED_AT))
    expected = _mean_tensor(before, energy(before), chosen) + _mean_tensor(after, energy(after), chosen)
    found = _mean_tensor(frame, weaker, chosen)
    least, most, direction = _relative(found, expected / 2)
    if least >= _KEPT or not _everywhere(energy(frame)[chosen] / weaker[chosen]):
        return None
    return Shake(least, direction if most > _ACROSS * least else None)


def _mean_tensor(texture_: Plane, unit: Plane, chosen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """The mean structure tensor of the chosen cells, each over its `unit`, (2, 2).

    No cell counts more than twice its unit: a light that swells with defocus must not speak for all.
    """
    cells, units = texture_[chosen], unit[chosen]
    weight = 1 / np.maximum(units, energy(cells) / _MOST)
    xx, xy, yy = np.mean(cells * weight[:, None], axis=0)
    return np.array([[xx, xy], [xy, yy]], np.float64)


def _relative(found: NDArray[np.float64], expected: NDArray[np.float64]) -> tuple[float, float, float]:
    """Least and largest share of the expected energy over all directions, and the direction of the least."""
    root = np.linalg.inv(np.linalg.cholesky(expected + 1e-9 * np.eye(2)))
    values, vectors = np.linalg.eigh(root @ found @ root.T)
    along = root.T @ vectors[:, 0]
    return float(values[0]), float(values[1]), math.degrees(math.atan2(along[1], along[0])) % 180


def _everywhere(ratios: NDArray[np.float32]) -> bool:
    """Whether most places lost detail, not just some."""
    return float(np.quantile(ratios, 0.75)) < _UPPER_KEPT
