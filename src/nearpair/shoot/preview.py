"""A small picture of the mounted pair, kept when it is mounted, so that a page shows a large pair at once."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.frames.profiles import to_srgb_codes
from nearpair.pixels.moved import moved
from nearpair.proof.localshifts import without_moved
from nearpair.proof.model_capture import LocalShifts
from nearpair.shoot.atomic import replacing

Bytes = NDArray[np.uint8]
Plane = NDArray[np.float32]
Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]

_LONG_SIDE_PX = 2048
"""Pairs up to this size are read quickly enough as they are."""
_MOST_ROWS = 1000  # that near and far are taken from
_MAP_LONG_SIDE_PX = 512


@dataclass(frozen=True, slots=True, eq=False)
class Map:
    """A parallax map reduced by `factor` for a page, px of the full pictures; its 1st and 99th percentile."""

    parallax: Plane
    factor: int
    near_px: float | None
    far_px: float | None


def small_map(parallax: Plane, local: LocalShifts | None = None) -> Map:
    """A parallax map (H, W) for a page; what moved is not its near or far, as in a proof."""
    some = without_moved(parallax, local)[:: max(1, parallax.shape[0] // _MOST_ROWS)]
    known = some[np.isfinite(some)]
    near, far = (float(v) for v in np.percentile(known, [1, 99])) if known.size else (None, None)
    factor = max(1, -(-max(parallax.shape) // _MAP_LONG_SIDE_PX))
    middle = factor // 2
    return Map(np.ascontiguousarray(parallax[middle::factor, middle::factor], np.float32), factor, near, far)


@dataclass(frozen=True, slots=True, eq=False)
class Lying:
    """A picture (H, W, 3) made `halved` times half as large, and where it lies (px → px, both in full)."""

    picture: NDArray[Any]
    halved: int
    matrix: Matrix
    profile: bytes | None = None

    def laid(self, size_px: tuple[int, int]) -> Bytes:
        """It where it lies, in sRGB codes, on a ground of size_px (height, width) that is halved likewise."""
        full = np.diag([2.0**self.halved, 2.0**self.halved, 1.0])
        full[:2, 2] = (full[0, 0] - 1) / 2  # px count from their centres
        placed = np.linalg.inv(full) @ np.array(self.matrix, np.float64) @ full
        size = halved_size(size_px, self.halved)
        codes = to_srgb_codes(self.picture, self.profile)
        laid = moved(codes, placed, size, cv2.INTER_LINEAR, cv2.BORDER_CONSTANT)
        return np.ascontiguousarray(laid, np.uint8)


def halvings(size_px: tuple[int, int]) -> int:
    """How often pictures of this size are halved for their preview; 0 if they need none."""
    times = 0
    while max(size_px) > _LONG_SIDE_PX << times:
        times += 1
    return times


def halved_size(size_px: tuple[int, int], times: int) -> tuple[int, int]:
    """Height and width after so many halvings, odd ones rounded up."""
    height, width = (max(1, -(-side // 2**times)) for side in size_px)
    return height, width


def halved(picture: NDArray[Any], times: int) -> NDArray[Any]:
    """A picture (H, W, 3) made so much smaller, each pixel the mean of those it stands for."""
    height, width = halved_size((picture.shape[0], picture.shape[1]), times)
    return (
        np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)) if times else picture
    )


def keep_preview(
    path: Path,
    key: str,
    eyes: Sequence[Lying],
    size_px: tuple[int, int],
    parallax: Plane,
    local: LocalShifts | None = None,
) -> None:
    """Keep a pair small. eyes: left and right; parallax: map of the crop, in full; local: what moved in it.

    Raises ShootError.
    """
    told = small_map(parallax, local)
    left, right = (eye.laid(size_px) for eye in eyes)
    known = np.array([np.nan if v is None else v for v in (told.near_px, told.far_px)])
    with replacing(path) as part, part.open("wb") as file:
        np.savez(
            file,
            key=np.array(key),
            left=left,
            right=right,
            size=np.array(size_px),
            halved=eyes[0].halved,
            map=told.parallax,
            factor=told.factor,
            known=known,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """A pair as it was kept: both pictures `halved` times, of `size_px` (height, width) in full."""

    left: Bytes
    right: Bytes
    size_px: tuple[int, int]
    halved: int
    map: Map


def read_preview(path: Path, key: str) -> Preview | None:
    """What was kept of the pair with this key; None if nothing was, or it cannot be read."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
            if str(kept["key"]) != key:
                return None
            near, far = (None if np.isnan(v) else float(v) for v in kept["known"])
            told = Map(kept["map"], int(kept["factor"]), near, far)
            height, width = (int(v) for v in kept["size"])
            return Preview(kept["left"], kept["right"], (height, width), int(kept["halved"]), told)
    except (OSError, ValueError, KeyError, EOFError, BadZipFile):
        return None
