"""Pictures for the report, as arrays: the depth map in colours, its legend, and thumbnails.

Depth runs through a scale of rising lightness that people with colour vision deficiencies read alike (the
"cividis" table that OpenCV ships; Nunez, Anderton and Renslow, PLoS ONE 13(7) (2018), from memory):
dark blue far away, light yellow near by. Where the parallax is unknown the map is hatched in grey.
"""

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]
Picture = NDArray[np.uint8]

_ABOVE_PX = (140, 500)
_MARK = (200, 90, 0)
_HATCH_PX = 8
_HATCH_LIGHT, _HATCH_DARK = 176, 136


def depth_picture(parallax: Plane, near_px: float, far_px: float) -> Picture:
    """Colour a parallax map (H, W) in px, (H, W, 3): `near_px` light, `far_px` dark, beyond them clipped.

    Take every n-th row and column of a large map first: `parallax[::n, ::n]`.
    """
    known = np.isfinite(parallax)
    level = 255 * _nearness(np.where(known, parallax, np.float32(far_px)), near_px, far_px)
    coloured = _scale(np.rint(level).astype(np.uint8))
    return np.where(known[..., None], coloured, _hatch(parallax.shape)[..., None])


def legend(near_px: float, far_px: float, stops: int = 5) -> list[tuple[float, str]]:
    """Parallax in px and colour ("#rrggbb") at `stops` even places of the scale, from far to near."""
    values = np.linspace(far_px, near_px, stops, dtype=np.float32)
    colours = depth_picture(values[None], near_px, far_px)[0]
    return [(float(value), "#" + bytes(colour).hex()) for value, colour in zip(values, colours, strict=True)]


def thumbnail(picture: NDArray[Any], longest_px: int) -> Picture:
    """Reduce an (H, W, 3) uint8 or uint16 picture to uint8 and at most `longest_px`; never enlarge it."""
    small = picture
    longest = max(picture.shape[:2])
    if longest > longest_px:
        height, width = (max(1, round(side * longest_px / longest)) for side in picture.shape[:2])
        small = np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA))
    if small.dtype == np.uint16:
        return ((small.astype(np.uint32) * 255 + 32767) // 65535).astype(np.uint8)
    return np.array(small, dtype=np.uint8)


def from_above(parallax: Plane, low_px: float, high_px: float, marks_px: Sequence[float]) -> Picture:
    """Look down on a parallax map (H, W): columns across, far at the top, darker where more of it lies.

    low_px, high_px: range shown. marks_px: parallax of the window, drawn as a line, then of limits, dashed.
    """
    width = min(_ABOVE_PX[1], parallax.shape[1])
    rows, columns = np.nonzero(np.isfinite(parallax))
    height = _ABOVE_PX[0]
    down = (high_px - parallax[rows, columns]) / (high_px - low_px) * height
    across, size = columns * width / parallax.shape[1], (height, width)
    counts, _, _ = np.histogram2d(np.clip(down, 0, height - 1), across, size, ((0, height), (0, width)))
    most = float(np.percentile(counts[counts > 0], 98)) if rows.size else 1.0
    dark = np.sqrt(np.minimum(counts / most, 1.0))
    out = np.repeat(np.rint(250 - 235 * dark).astype(np.uint8)[..., None], 3, axis=2)
    for number, mark in enumerate(marks_px):
        row = round((high_px - mark) / (high_px - low_px) * height)
        if 0 <= row < height:
            out[row, (slice(None) if number == 0 else np.arange(width) // 6 % 2 == 0)] = _MARK
    return np.asarray(cv2.resize(out, (2 * width, 2 * height), interpolation=cv2.INTER_NEAREST), np.uint8)


def _nearness(parallax: Plane, near_px: float, far_px: float) -> Plane:
    """1 at `near_px`, 0 at `far_px`, clipped; 1 everywhere for a pair without depth."""
    if far_px <= near_px:
        return np.ones_like(parallax)
    nearness: Plane = (np.float32(far_px) - parallax) / np.float32(far_px - near_px)
    return np.clip(nearness, np.float32(0), np.float32(1))


def _scale(level: Picture) -> Picture:
    return np.asarray(cv2.applyColorMap(level, cv2.COLORMAP_CIVIDIS)[..., ::-1], dtype=np.uint8)


def _hatch(shape: tuple[int, ...]) -> Picture:
    rows, columns = np.indices(shape, sparse=True)
    light = (rows + columns) // _HATCH_PX % 2 == 0
    return np.where(light, np.uint8(_HATCH_LIGHT), np.uint8(_HATCH_DARK))
